"""The veil: the colour that an endlessly thick plume would have in this light.

Model, per channel c and window:  ``I = T B + (1 - T) J``,  ``T_c = T_G ** r_c`` with
``r_c = (lambda_c / lambda_G) ** -a``. One veil J and one spectral slope a serve the whole clip;
each window has its own T_G. The means of a window tie T to J, its texture tells T alone; both
stand in one likelihood, from which J and a follow. Knowing J, every pixel whose plate differs
from it tells T by least squares over the channels.

How well J is known is carried by an ensemble: each member is a fit to windows drawn anew in
blocks (neighbours err together), with the tone curve bent within its doubt and the prior's
centre drawn from the prior, so that where the picture says nothing the spread is the prior's.
"""

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

Floats = NDArray[np.float64]

# red, green, blue [um]: centres of camera channels (common practice, no source); only their
# ratios matter
WAVELENGTHS_UM = np.array([0.61, 0.545, 0.46])
LUMA = np.array([0.2126, 0.7152, 0.0722])

# kinds of smoke that the fit starts from: ln of veil over white and its spread, weight before
# seeing. Soot 0.02 to 0.12, pale mists 0.7 to 1.2, mixtures in between, back-lit above
PRIORS = {
    "dark": (np.log(0.05), 0.5, 0.35),
    "mixed": (np.log(0.4), 0.5, 0.2),
    "pale": (np.log(0.9), 0.2, 0.4),
    "glowing": (np.log(2.0), 0.5, 0.05),
}
U_CHROMA = 0.08  # ln of the veil's channel ratios against the light's own
SLOPE_PRIOR = (1.0, 1.2)  # centre and spread of a over all smokes
BOUNDS_VEIL, BOUNDS_SLOPE = (1e-4, 12.0), (-1.5, 4.0)
# a window's mean misses the model by about this (gain, veil that varies): absolute, relative
U_MEAN = (0.003, 0.012)
U_SLOPE_COMMON = 0.02  # slopes of all windows may be off together: noise reduction, compression
U_GAIN_COMMON = 0.006  # and their light: exposure
U_TONE = 0.05  # exponent on linear light that a camera's tone curve may amount to
FEWEST_WINDOWS = 16
MOST_WINDOWS = 1500  # more add cost, not knowledge: they are strongly correlated
WINDOWS_PER_FACT = 6.0  # correlated windows that count as one independent look


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Veil:
    """The fitted veil and its ensemble of m members."""

    light: Floats  # (3,) J in the plate's linear light
    slope: float  # a
    members: Floats  # (m, 3) J
    slopes: Floats  # (m,)
    tones: Floats  # (m,) exponent put on linear light for this member
    kind: str  # which start won
    chi2: float  # mean squared misfit of the windows, robust
    windows: int

    def __post_init__(self) -> None:
        for name in ("light", "members", "slopes", "tones"):
            getattr(self, name).setflags(write=False)


def channel_powers(slope: float | Floats) -> Floats:
    """``r_c``: optical depth of each channel over that of green, shape (..., 3)."""
    ratio = np.log(WAVELENGTHS_UM / WAVELENGTHS_UM[1])
    return np.asarray(np.exp(-np.asarray(slope)[..., None] * ratio))


class _HasLooks(Protocol):
    """Anything with the windows' columns."""

    @property
    def light(self) -> Floats: ...
    @property
    def plate(self) -> Floats: ...
    @property
    def slope(self) -> Floats: ...
    @property
    def u_slope(self) -> Floats: ...
    @property
    def u_common(self) -> Floats: ...
    @property
    def share(self) -> Floats: ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Looks:
    """Arrays of the windows, bent by one tone exponent, with their weights."""

    light: Floats
    plate: Floats
    slope: Floats
    u_slope: Floats
    u_common: Floats
    share: Floats
    weight: Floats

    def pick(self, chosen: NDArray[np.intp], weight: Floats) -> "_Looks":
        rest = {n: getattr(self, n)[chosen] for n in self.__slots__ if n != "weight"}
        return _Looks(**rest, weight=weight)

    def bent(self, tone: float) -> "_Looks":
        """As if linear light had been recorded to the power `tone`.

        The slope of a texture changes with the curve's local steepness: I'/B' = (I/B)^(tone-1).
        """
        if tone == 1.0:
            return self
        i, b = np.maximum(self.light, 1e-4), np.maximum(self.plate, 1e-4)
        steep = ((i @ LUMA) / (b @ LUMA)) ** (tone - 1.0)
        return _Looks(
            light=i**tone, plate=b**tone, slope=self.slope * steep[:, None],
            u_slope=self.u_slope * steep[:, None], u_common=self.u_common, share=self.share,
            weight=self.weight,
        )  # fmt: skip

    def stretched(self, *, slopes: Floats, light: float) -> "_Looks":
        """Slopes (by band, in units of their common doubt) and light off together everywhere."""
        off = slopes * np.hypot(0.5 * self.u_common, U_SLOPE_COMMON)
        return replace(self, slope=self.slope + off, light=self.light * light)


def _profile(looks: _Looks, veil: Floats, slope: float) -> tuple[Floats, Floats, Floats]:
    """Best optical depth of each window at this veil; misfits of means (n, 3), slopes (n, b)."""
    r = channel_powers(slope)
    away = looks.plate - veil
    safe = np.where(np.abs(away) > 0.02, away, 1.0)
    by_mean = np.where(np.abs(away) > 0.02, (looks.light - veil) / safe, looks.slope[:, :1])
    start = np.clip(by_mean, 0.03, 1.3)
    trust = away**2 + 1e-4
    depth = np.sum(trust * -np.log(start) / r, axis=1) / np.sum(trust, axis=1)
    u_mean = U_MEAN[0] + U_MEAN[1] * looks.light
    for _ in range(3):
        t = np.exp(-depth[:, None] * r)
        dt = -r * t
        miss_m = (looks.light - veil - t * away) / u_mean
        grow_m = dt * away / u_mean
        miss_s = (looks.slope - np.einsum("nbc,nc->nb", looks.share, t)) / looks.u_slope
        grow_s = np.einsum("nbc,nc->nb", looks.share, dt) / looks.u_slope
        top = np.sum(miss_m * grow_m, axis=1) + np.sum(miss_s * grow_s, axis=1)
        below = np.sum(grow_m**2, axis=1) + np.sum(grow_s**2, axis=1) + 1e-6
        depth = np.clip(depth + top / below, -0.3, 5.0)
    t = np.exp(-depth[:, None] * r)
    miss_m = (looks.light - veil - t * away) / u_mean
    miss_s = (looks.slope - np.einsum("nbc,nc->nb", looks.share, t)) / looks.u_slope
    return miss_m, miss_s, depth


def _fit(
    looks: _Looks,
    white: Floats,
    prior: tuple[float, float],
    centre: tuple[float, float, float, float],
    start: Floats,
) -> tuple[Floats, float, float]:
    """One fit; parameters (ln J_r, ln J_g, ln J_b, a), cost, mean squared misfit."""
    ln_reflectance, u_reflectance = prior
    scale = np.sqrt(looks.weight)[:, None]

    def misfit(p: Floats) -> Floats:
        miss_m, miss_s, _ = _profile(looks, np.exp(p[:3]), float(p[3]))
        tint = p[[0, 2]] - p[1] - np.log(white[[0, 2]] / white[1]) - centre[1:3]
        priors = np.concatenate(
            [
                [(p[1] - np.log(white[1]) - ln_reflectance - centre[0]) / u_reflectance],
                tint / U_CHROMA,
                [(p[3] - SLOPE_PRIOR[0] - centre[3]) / SLOPE_PRIOR[1]],
            ]
        )
        # robust per misfit, by the square root of a soft absolute value; priors stay square
        data = np.concatenate([(_soft(miss_m) * scale).ravel(), (_soft(miss_s) * scale).ravel()])
        return np.concatenate([data, priors])

    low = np.array([np.log(BOUNDS_VEIL[0])] * 3 + [BOUNDS_SLOPE[0]])
    high = np.array([np.log(BOUNDS_VEIL[1])] * 3 + [BOUNDS_SLOPE[1]])
    start = np.clip(start, low + 1e-6, high - 1e-6)
    found = least_squares(misfit, start, bounds=(low, high), max_nfev=25, x_scale=0.3)
    miss_m, miss_s, _ = _profile(looks, np.exp(found.x[:3]), float(found.x[3]))
    chi2 = float(np.mean(_soft(miss_m) ** 2)) + float(np.mean(_soft(miss_s) ** 2))
    return found.x, float(found.cost), chi2


def _soft(miss: Floats) -> Floats:
    """Let misfits beyond one sigma grow with the root only: a leg or a leaf hardly pulls."""
    return np.asarray(np.sign(miss) * np.sqrt(2 * (np.sqrt(1 + miss**2) - 1)))


def fit_veil(  # noqa: PLR0913 - the windows' columns, each by name
    *,
    light: Floats,
    plate: Floats,
    slope: Floats,
    u_slope: Floats,
    u_common: Floats,
    share: Floats,
    block: NDArray[np.intp],
    trust: Floats,
    white: Floats,
    u_white: float,
    members: int,
    rng: np.random.Generator,
) -> Veil | None:
    """Fit the veil and the spectral slope to smoky windows.

    Parameters
    ----------
    light, plate : ndarray, shape (n, 3)
        Mean light of each window, with smoke and without. [linear]
    slope, u_slope : ndarray, shape (n, b)
        Luma texture over the plate's, per band; its standard uncertainty.
    u_common : ndarray, shape (n, b)
        The part of that which all windows share.
    share : ndarray, shape (n, b, 3)
        Share of each channel in the plate's luma texture.
    block : ndarray of int, shape (n,)
        Windows of one block err together and are drawn together.
    trust : ndarray, shape (n,)
        How much a window counts (those near the section more). [0 to 1]
    white : ndarray, shape (3,)
        Light of a white card in this scene, in the plate's unit.
    u_white : float
        Standard uncertainty of its logarithm.
    members : int
        Size of the ensemble.
    rng : numpy.random.Generator
        Chance.

    Returns
    -------
    Veil or None
        None where there are too few windows to fit anything.
    """
    if len(light) < FEWEST_WINDOWS:
        return None
    if len(light) > MOST_WINDOWS:
        some = np.sort(
            rng.choice(len(light), MOST_WINDOWS, replace=False, p=_telling(light, plate, u_slope))
        )
        light, plate, slope, u_slope = light[some], plate[some], slope[some], u_slope[some]
        u_common = u_common[some]
        share, block, trust = share[some], block[some], trust[some]
    weight = trust / WINDOWS_PER_FACT
    whole = _Looks(
        light=light,
        plate=plate,
        slope=slope,
        u_slope=u_slope,
        u_common=u_common,
        share=share,
        weight=weight,
    )
    still = (0.0, 0.0, 0.0, 0.0)
    fits = {}
    for name, (ln_reflectance, spread, before) in PRIORS.items():
        prior = (ln_reflectance, float(np.hypot(spread, u_white)))
        start = np.array([*np.log(white * np.exp(ln_reflectance)), SLOPE_PRIOR[0]])
        found, cost, chi2 = _fit(whole, white, prior, still, start)
        fits[name] = (found, cost - np.log(before) + np.log(prior[1]), chi2, prior)
    lowest = min(cost for _, cost, _, _ in fits.values())
    odds = {name: float(np.exp(lowest - cost)) for name, (_, cost, _, _) in fits.items()}
    total = sum(odds.values())
    best = max(odds, key=lambda name: odds[name])
    drawn = [(fits[best][0], 1.0)]
    names = list(odds)
    blocks = np.unique(block)
    rows = {b: np.nonzero(block == b)[0] for b in blocks}
    for _ in range(members - 1):
        name = str(rng.choice(names, p=[odds[n] / total for n in names]))
        found, _, _, prior = fits[name]
        chosen = np.concatenate([rows[b] for b in rng.choice(blocks, len(blocks))])
        tone = float(np.exp(rng.normal(0.0, U_TONE)))
        looks = (
            whole.pick(chosen, weight[chosen])
            .bent(tone)
            .stretched(
                slopes=np.asarray(rng.normal() + 0.5 * rng.normal(size=slope.shape[1])),
                light=float(np.exp(rng.normal(0.0, U_GAIN_COMMON))),
            )
        )
        shift = tuple(rng.normal(0.0, s) for s in (prior[1], U_CHROMA, U_CHROMA, SLOPE_PRIOR[1]))
        member, _, _ = _fit(looks, white**tone, prior, shift, found)  # type: ignore[arg-type]
        drawn.append((member, tone))
    found, _, chi2, _ = fits[best]
    return Veil(
        light=np.exp(found[:3]),
        slope=float(found[3]),
        members=np.array([np.exp(p[:3]) for p, _ in drawn]),
        slopes=np.array([p[3] for p, _ in drawn]),
        tones=np.array([tone for _, tone in drawn]),
        kind=best,
        chi2=chi2,
        windows=len(light),
    )


def window_cost(windows: "_HasLooks", veil: Veil, scale: float) -> Floats:
    """Half the robust squared misfit of each window with the veil scaled, shape (n,)."""
    looks = _Looks(
        light=windows.light, plate=windows.plate, slope=windows.slope, u_slope=windows.u_slope,
        u_common=windows.u_common,
        share=windows.share, weight=np.ones(len(windows.light)),
    )  # fmt: skip
    miss_m, miss_s, _ = _profile(looks, veil.light * scale, veil.slope)
    return np.asarray(
        0.5 * (np.sum(_soft(miss_m) ** 2, axis=1) + np.sum(_soft(miss_s) ** 2, axis=1))
    )


def _telling(light: Floats, plate: Floats, u_slope: Floats) -> Floats:
    """How much each window can tell, as shares: changed, and with texture that is well known.

    From the change of the mean and the doubt of the slope, never from the slope itself.
    """
    change = np.abs(light - plate).max(axis=1) / (plate.max(axis=1) + 0.02)
    share = np.minimum(change, 1.0) ** 2 / (u_slope.min(axis=1) ** 2 + 0.1**2)
    return np.asarray(share / share.sum())


def depth_by_veil(top: Floats, below: Floats, slope: float | Floats) -> Floats:
    """Green optical depth from least-squares sums over neighbouring pixels.

    Per channel ``T = sum (I - J)(B - J) / sum (B - J)^2``; the channels' optical depths are
    averaged, weighted by how well each is known.

    Parameters
    ----------
    top, below : ndarray, shape (..., 3)
        The two sums (any common factor), per channel.
    slope : float or ndarray
        Spectral slope; broadcast against the leading axes.

    Returns
    -------
    ndarray, shape (...)
        Optical depth in green. Negative where noise makes clear air brighter than the plate.

    Source
    ------
    Least squares on the picture model at the head of this file.
    """
    powers = channel_powers(slope).astype(np.result_type(top, below))
    above: Floats | float = 0.0
    under: Floats | float = 1e-12
    for c in range(3):  # one at a time: summing along so short an axis is slow
        t = np.clip(top[..., c] / (below[..., c] + 1e-7), 0.01, 3.0)
        # near T = 0 the logarithm explodes: a channel counts with its own T squared
        weight = below[..., c] * np.clip(t, 0.05, 1.0) ** 2 * powers[..., c]
        above = above - weight * np.log(t)
        under = under + weight * powers[..., c]
    return np.asarray(above / under)
