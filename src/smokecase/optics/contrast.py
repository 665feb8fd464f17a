"""The contrast way: smoke before something bright and something dark side by side.

A patch of clean light B is seen through smoke as ``S = B T + J (1 - T)`` (J: the veil). Two
patches with the same smoke before them give both unknowns without knowing the smoke:

    T        = (S_bright - S_dark) / (B_bright - B_dark)
    J (1 - T) = S_dark - T B_dark
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import cho_solve_banded, cholesky_banded
from scipy.sparse import csr_array

Floats = NDArray[np.float64]

MIN_PIXELS = 30
ROUGH = 0.1  # how much turbulent transmittance bends from knot to knot, four to a section


def transmittance_by_contrast(
    clean: ArrayLike,
    seen: ArrayLike,
    *,
    u_clean: ArrayLike = 0.0,
    u_seen: ArrayLike = 0.0,
) -> tuple[Floats, Floats]:
    """Transmittance before one bright and one dark patch, each with its own uncertainty.

    Parameters
    ----------
    clean, seen : array_like, shape (2, ...)
        Light of the bright and the dark patch without smoke, and through it. [any, linear]
    u_clean, u_seen : array_like
        Standard uncertainty of each, in the same unit; independent of one another.

    Returns
    -------
    transmittance, u_transmittance : ndarray, shape (...)
        Not clipped. [0 to 1] NaN where the patches do not differ.

    Source
    ------
    The contrast model of Du et al. 2007, J. Air & Waste Manage. Assoc. 57 (method from memory);
    uncertainty by JCGM 100:2008, 5.1.2, eq. (10).
    """
    b, s = np.asarray(clean, np.float64), np.asarray(seen, np.float64)
    u_b = np.broadcast_to(np.asarray(u_clean, np.float64), b.shape)
    u_s = np.broadcast_to(np.asarray(u_seen, np.float64), s.shape)
    gap = b[0] - b[1]
    differs = gap != 0
    safe = np.where(differs, gap, 1.0)
    t = (s[0] - s[1]) / safe
    u = np.sqrt(u_s[0] ** 2 + u_s[1] ** 2 + t**2 * (u_b[0] ** 2 + u_b[1] ** 2)) / np.abs(safe)
    return np.where(differs, t, np.nan), np.where(differs, u, np.nan)


def veil_by_contrast(clean: ArrayLike, seen: ArrayLike, transmittance: ArrayLike) -> Floats:
    """Light that the smoke adds, scaled to an endlessly thick plume.

    ``J = (S - T B) / (1 - T)``, mean of the two patches.

    Parameters
    ----------
    clean, seen : array_like, shape (2, ...)
        Light of the bright and the dark patch without smoke, and through it. [any, linear]
    transmittance : array_like, shape (...)
        Found by `transmittance_by_contrast`. [0 to 1]

    Returns
    -------
    ndarray, shape (...)
        Veil, in the unit of the light. NaN where there is no smoke.

    Source
    ------
    The picture model at the head of this file, solved for J.
    """
    b, s = np.asarray(clean, np.float64), np.asarray(seen, np.float64)
    t = np.asarray(transmittance, np.float64)
    held = 1.0 - t
    smoky = held != 0
    added = np.mean(s - t * b, axis=0)
    return np.where(smoky, added / np.where(smoky, held, 1.0), np.nan)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FieldFit:
    """Transmittance over an area before a backdrop of bright and dark patches, one channel."""

    transmittance: Floats  # (h, w) smooth surface
    means: Floats  # (n,) the wanted weighted means [0 to 1]
    u_means: Floats  # (n,) their standard uncertainties
    veil: float
    u_veil: float
    rms: float  # what the model leaves, in units of the light


class FieldFitter:
    """Reads transmittance that varies smoothly over bright and dark patches, and one veil.

    ``S = T B + J (1 - T)`` at every pixel: T a smooth surface (cubic splines), J one number.
    The patches fix J wherever there is smoke; then bright and dark pixels alike tell T.
    What depends on the clean view alone is worked out once.

    Source
    ------
    The picture model at the head of this file; Gauss-Newton; uncertainty from the residuals in
    blocks (cluster-robust covariance, Liang and Zeger 1986, Biometrika 73, 13, from memory).
    """

    def __init__(
        self,
        clean: Floats,
        *,
        usable: NDArray[np.bool_],
        weights: Floats,
        spacing_px: float,
        block_px: float,
    ) -> None:
        """Prepare for one channel.

        Parameters
        ----------
        clean : ndarray, shape (h, w)
            Light without smoke. [any, linear]
        usable : ndarray of bool, shape (h, w)
            Pixels of the backdrop that are neither clipped nor hidden.
        weights : ndarray, shape (n, h, w)
            Which pixels each wanted mean takes, and how much; zero elsewhere.
        spacing_px : float
            Distance of the surface's knots.
        block_px : float
            Pixels nearer than this err alike: the uncertainty counts blocks, not pixels.

        Raises
        ------
        ValueError
            If shapes differ, a set of weights is all zero, or fewer than 30 pixels are usable.
        """
        if not clean.shape == usable.shape == weights.shape[1:]:
            msg = "clean, usable and weights must have one shape"
            raise ValueError(msg)
        if not np.all(weights.sum(axis=(1, 2)) > 0):
            msg = "weights must not all be zero"
            raise ValueError(msg)
        if usable.sum() < MIN_PIXELS:
            msg = f"usable must hold {MIN_PIXELS} pixels or more (got {int(usable.sum())})"
            raise ValueError(msg)
        h, w = clean.shape
        rows, columns = _splines(h, spacing_px), _splines(w, spacing_px)
        basis = np.einsum("yi,xj->yxij", rows, columns).reshape(h, w, -1)
        # a spline reaches few pixels: kept as the few numbers that are not zero
        self.usable, self.basis = usable, csr_array(basis.reshape(h * w, -1))
        picked = basis[usable]
        self.picked = csr_array(picked)
        self.clean = clean[usable].astype(np.float64)
        scaled = weights / weights.sum(axis=(1, 2), keepdims=True)
        self.wanted = np.einsum("nyx,yxk->nk", scaled, basis)
        self.roughness = _roughness((rows.shape[1], columns.shape[1])) / ROUGH**2
        self.blocks = _blocks(usable, block_px)
        self.scale = float(np.ptp(self.clean)) or 1.0
        # powers of the clean light under the sums, so that a frame costs no large product; knots
        # further apart than a spline reaches have none in common
        reach = 3 * columns.shape[1] + 3
        self.moments = [
            _band(picked.T @ (picked * self.clean[:, None] ** power), reach) for power in (0, 1, 2)
        ]
        self.rough_band = _band(self.roughness, reach)

    def fit(self, seen: Floats, *, veil_prior: tuple[float, float]) -> FieldFit:
        """Fit one frame.

        Parameters
        ----------
        seen : ndarray, shape (h, w)
            Light through the smoke, in the unit of the clean light.
        veil_prior : tuple of float
            What is known of J beforehand, and its standard uncertainty, in the same unit.
        """
        b, s = self.clean, seen[self.usable].astype(np.float64)
        knots = self.picked.shape[1]
        through, veil = np.full(knots, 0.7), veil_prior[0]
        noise = 0.02 * self.scale
        for _ in range(12):
            t = self.picked @ through
            away = b - veil
            cross = self.picked.T @ (away * (1.0 - t))
            rest = s - (t * b + veil * (1.0 - t))
            right = self.picked.T @ (away * rest) - noise**2 * (self.roughness @ through)
            prior = (noise / veil_prior[1]) ** 2
            corner = float(np.sum((1.0 - t) ** 2) + prior + 1e-12)
            last = np.sum((1.0 - t) * rest) + prior * (veil_prior[0] - veil)
            # unknowns: knots of T, then J
            bordered = _Bordered.of(self._normal(veil, noise), cross, corner)
            step = bordered.solve(np.append(right, last)[:, None])[:, 0]
            through, veil = through + step[:knots], float(veil + step[knots])
            noise = max(1e-4 * self.scale, float(np.sqrt(np.mean(rest**2))))
            if np.abs(step[:knots]).max() < 1e-5:
                break
        asked = np.zeros((len(self.wanted) + 1, knots + 1))
        asked[:-1, :knots], asked[-1, -1] = self.wanted, 1.0
        u = self._uncertainty(bordered.solve(asked.T), asked, away, t, rest, noise)
        return FieldFit(
            transmittance=(self.basis @ through).reshape(self.usable.shape),
            means=self.wanted @ through,
            u_means=u[:-1],
            veil=veil,
            u_veil=float(u[-1]),
            rms=noise,
        )

    def _normal(self, veil: float, noise: float) -> Floats:
        zero, one, two = self.moments
        normal = two - 2.0 * veil * one + veil**2 * zero + noise**2 * self.rough_band
        normal[-1] += 1e-9
        return np.asarray(normal)

    def _uncertainty(
        self, pulls: Floats, asked: Floats, away: Floats, t: Floats, rest: Floats, noise: float
    ) -> Floats:
        """Find the uncertainty of each asked sum: from blocks, but not below the model's own."""
        shares = (self.picked @ pulls[:-1]) * away[:, None] + (1.0 - t)[:, None] * pulls[-1]
        sums = np.zeros((int(self.blocks.max()) + 1, len(asked)))
        np.add.at(sums, self.blocks, shares * rest[:, None])
        used = max(2, len(np.unique(self.blocks)))
        by_blocks = np.sqrt((sums**2).sum(axis=0) * used / (used - 1))
        own = noise * np.sqrt(np.maximum(np.einsum("nk,kn->n", asked, pulls), 0.0))
        return np.asarray(np.maximum(by_blocks, own))


@dataclass(frozen=True, slots=True, eq=False)
class _Bordered:
    """A symmetric matrix that is a band but for its last row and column, ready to be solved."""

    factor: Floats  # Cholesky factor of the band
    border: Floats  # (n,)
    pulled: Floats  # (n,) the band's solution for the border
    corner: float  # what the border leaves of the last element

    @classmethod
    def of(cls, band: Floats, border: Floats, corner: float) -> "_Bordered":
        factor = cholesky_banded(band)
        pulled = cho_solve_banded((factor, False), border)
        return cls(factor, border, pulled, corner - float(border @ pulled))

    def solve(self, right: Floats) -> Floats:
        """Solve for columns of right sides, shape (n + 1, k)."""
        inner = cho_solve_banded((self.factor, False), right[:-1])
        last = (right[-1] - self.border @ inner) / self.corner
        return np.vstack([inner - self.pulled[:, None] * last, last])


def _band(matrix: Floats, reach: int) -> Floats:
    """Diagonals of a symmetric matrix up to this far above its own, the furthest first."""
    reach = min(reach, len(matrix) - 1)
    band = np.zeros((reach + 1, len(matrix)))
    for k in range(reach + 1):
        band[reach - k, k:] = np.diagonal(matrix, k)
    return band


def _splines(n: int, spacing: float) -> Floats:
    """Cubic B-splines over n pixels, shape (n, knots)."""
    pieces = max(1, round((n - 1) / spacing))
    x = np.arange(n) / max(1, n - 1) * pieces
    away = np.abs(x[:, None] - np.arange(-1, pieces + 2)[None, :])
    inner = 2 / 3 - away**2 + away**3 / 2
    outer = (2 - away) ** 3 / 6
    return np.where(away < 1, inner, np.where(away < 2, outer, 0.0))


def _roughness(shape: tuple[int, int]) -> Floats:
    """Sum of squared second differences of the knots along both axes, as a matrix."""
    rows, columns = (np.diff(np.eye(n), 2, axis=0) for n in shape)
    return np.kron(rows.T @ rows, np.eye(shape[1])) + np.kron(np.eye(shape[0]), columns.T @ columns)


def _blocks(usable: NDArray[np.bool_], block_px: float) -> NDArray[np.int64]:
    """Tell the square block that each usable pixel lies in."""
    y, x = np.nonzero(usable)
    wide = int(usable.shape[1] / block_px) + 1
    return (y / block_px).astype(np.int64) * wide + (x / block_px).astype(np.int64)
