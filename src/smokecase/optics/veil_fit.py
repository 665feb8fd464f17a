"""Fits one veil and one spectral slope to windows: the sums and steps behind `veil.py`.

Each window takes the optical depth that suits it best; veil and slope are sought by damped
Gauss-Newton steps with the depths following.
"""

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from smokecase.optics.spectrum import LUMA, WAVELENGTHS_UM, channel_powers
from smokecase.optics.tone import CURVE_GRID, Bend

Floats = NDArray[np.float64]

# ln of the veil's channel ratios against the light's own: sun and sky differ in colour, and a
# camera's white is off by this (common practice, no source)
U_CHROMA = 0.12
SLOPE_PRIOR = (1.0, 1.2)  # centre and spread of a over all smokes
BOUNDS_VEIL, BOUNDS_SLOPE = (1e-4, 12.0), (-1.5, 4.0)
# a window's mean misses the model by about this (gain, veil that varies): absolute, relative
U_MEAN = (0.003, 0.012)
U_SLOPE_COMMON = 0.04  # slopes of all windows may be off together: noise reduction, compression
DEPTHS = (-0.3, 5.0)  # between which a window's optical depth is sought
# of a fit: steps, the longest of them, and relative change of cost and parameters that ends it
MOST_STEPS, LONGEST_STEP, CLOSE = 20, 2.0, (1e-5, 1e-4)
U_FLOOR = 0.05  # of ln J: how far a veil may lie below smoke that was seen blown out


class HasLooks(Protocol):
    """Anything with the windows' columns."""

    @property
    def light(self) -> Floats:
        """Mean light with smoke, shape (n, 3)."""
        ...

    @property
    def plate(self) -> Floats:
        """Mean light without smoke, shape (n, 3)."""
        ...

    @property
    def slope(self) -> Floats:
        """Luma texture over the plate's, shape (n, b)."""
        ...

    @property
    def u_slope(self) -> Floats:
        """Its standard uncertainty, shape (n, b)."""
        ...

    @property
    def u_common(self) -> Floats:
        """The part of that which all windows share, shape (n, b)."""
        ...

    @property
    def share(self) -> Floats:
        """Share of each channel in the plate's luma texture, shape (n, b, 3)."""
        ...


_WHOLE = ("weight", "floor")  # what `pick` does not pick from


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Looks:
    """Arrays of the windows with their weights."""

    light: Floats
    plate: Floats
    slope: Floats
    u_slope: Floats
    u_common: Floats
    share: Floats
    weight: Floats
    floor: Floats  # (3,) light that smoke was seen to exceed, 0 where none was blown out

    def pick(self, chosen: NDArray[np.intp], weight: Floats) -> "Looks":
        """Pick some of the windows, with other weights."""
        rest = {n: getattr(self, n)[chosen] for n in self.__slots__ if n not in _WHOLE}
        return Looks(**rest, weight=weight, floor=self.floor)

    def only(self, bands: NDArray[np.intp]) -> "Looks":
        """With the texture of some bands alone, which count for all."""
        return replace(
            self, slope=self.slope[:, bands], u_slope=self.u_slope[:, bands],
            u_common=self.u_common[:, bands], share=self.share[:, bands],
        )  # fmt: skip

    def stretched(self, *, slopes: Floats, light: float) -> "Looks":
        """Slopes (by band, in units of their common doubt) and light off together everywhere."""
        off = slopes * np.hypot(0.5 * self.u_common, U_SLOPE_COMMON)
        return replace(self, slope=self.slope + off, light=self.light * light)


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """The looks as the fit reads them: channels or bands first, slopes in standard uncertainties.

    Sums over channels then run along the windows, many times quicker than across them.
    """

    light: Floats  # (3, n)
    plate: Floats  # (3, n)
    u_mean: Floats  # (3, n)
    slope: Floats  # (b, n)
    share: Floats  # (b, 3, n)
    first_slope: Floats  # (1, n) as it is
    weight: Floats  # (n,)
    luma: Floats  # (2, n) of light and plate

    @classmethod
    def of(cls, looks: HasLooks, weight: Floats) -> "Rows":
        """Turn the columns of windows into rows; weight of shape (n,)."""
        light = np.ascontiguousarray(looks.light.T)
        slope, u_slope = np.ascontiguousarray(looks.slope.T), looks.u_slope.T
        return cls(
            light=light,
            plate=np.ascontiguousarray(looks.plate.T),
            u_mean=U_MEAN[0] + U_MEAN[1] * light,
            slope=slope / u_slope,
            share=np.ascontiguousarray(looks.share.transpose(1, 2, 0)) / u_slope[:, None, :],
            first_slope=slope[:1],
            weight=weight,
            luma=np.stack([looks.light @ LUMA, looks.plate @ LUMA]),
        )

    def straight(self, bend: Bend) -> "Rows":
        """As the lens saw it. Texture changes with the curve's local steepness."""
        out, steep = bend.table()
        grown = np.interp(self.luma, CURVE_GRID, steep)
        kept = grown[0] / grown[1]
        return replace(
            self,
            light=np.interp(self.light, CURVE_GRID, out),
            plate=np.interp(self.plate, CURVE_GRID, out),
            u_mean=self.u_mean * np.interp(self.light, CURVE_GRID, steep),
            share=self.share / kept,
            first_slope=self.first_slope * kept,
        )

    def mixed(self, channels: Floats) -> Floats:
        """Luma slopes of channels (3, n), shape (b, n), in standard uncertainties."""
        red, green, blue = (self.share[:, c] * channels[c] for c in range(3))
        return np.asarray(red + green + blue)


@dataclass(frozen=True, slots=True, eq=False)
class _Profile:
    """The looks at one veil and slope, each window at its own best optical depth."""

    veil: Floats  # (3, 1)
    powers: Floats  # (3, 1)
    depth: Floats  # (n,)
    through: Floats  # (3, n)
    away: Floats  # (3, n) plate over veil, in standard uncertainties of the mean
    means: Floats  # (3, n) misfits
    slopes: Floats  # (b, n)

    def turned(self, rows: Rows) -> tuple[Floats, Floats]:
        """How the misfits turn with ln J (3) and a, the depths following; (4, 3, n), (4, b, n)."""
        falls = self.powers * self.through  # of the transmittance with the depth
        ratio = np.log(WAVELENGTHS_UM / WAVELENGTHS_UM[1])[:, None]
        by_slope = self.depth * ratio * falls
        n = len(self.depth)
        means, slopes = np.zeros((4, 3, n)), np.zeros((4, len(self.slopes), n))
        for c in range(3):
            means[c, c] = (self.through[c] - 1.0) * self.veil[c] / rows.u_mean[c]
        means[3], slopes[3] = -by_slope * self.away, -rows.mixed(by_slope)
        by_depth = falls * self.away, rows.mixed(falls)
        below = np.sum(by_depth[0] ** 2, axis=0) + np.sum(by_depth[1] ** 2, axis=0) + 1e-6
        inside = (self.depth > DEPTHS[0]) & (self.depth < DEPTHS[1])
        for k in range(4):
            top = np.sum(by_depth[0] * means[k], axis=0) + np.sum(by_depth[1] * slopes[k], axis=0)
            follows = np.where(inside, top / below, 0.0)
            means[k] -= by_depth[0] * follows
            slopes[k] -= by_depth[1] * follows
        return means, slopes


def profile(rows: Rows, veil: Floats, slope: float) -> _Profile:
    """Misfits at the best optical depth of each window."""
    r = channel_powers(slope)[:, None]
    j = np.asarray(veil)[:, None]
    away = rows.plate - j
    far = np.abs(away) > 0.02
    by_mean = np.where(far, (rows.light - j) / np.where(far, away, 1.0), rows.first_slope)
    start = np.clip(by_mean, 0.03, 1.3)
    trust = away**2 + 1e-4
    depth = np.sum(trust * -np.log(start) / r, axis=0) / np.sum(trust, axis=0)
    light, away = (rows.light - j) / rows.u_mean, away / rows.u_mean
    for _ in range(3):
        t = np.exp(-depth * r)
        miss_m, miss_s = light - t * away, rows.slope - rows.mixed(t)
        grow_m, grow_s = -r * t * away, rows.mixed(-r * t)
        top = np.sum(miss_m * grow_m, axis=0) + np.sum(miss_s * grow_s, axis=0)
        below = np.sum(grow_m**2, axis=0) + np.sum(grow_s**2, axis=0) + 1e-6
        depth = np.clip(depth + top / below, *DEPTHS)
    t = np.exp(-depth * r)
    return _Profile(j, r, depth, t, away, light - t * away, rows.slope - rows.mixed(t))


@dataclass(frozen=True, slots=True, eq=False)
class _Aim:
    """What one fit makes small: misfits of the looks, and how far it leaves the prior."""

    rows: Rows
    prior: tuple[Floats, Floats]  # misfits are the matrix (4, 4) times the parameters, less these
    ln_floor: Floats  # (3,)

    def at(self, p: Floats) -> tuple[float, _Profile]:
        """Half the squared misfit, and the looks there."""
        seen = profile(self.rows, np.exp(p[:3]), float(p[3]))
        away = self.prior[0] @ p - self.prior[1]
        short = np.maximum(self.ln_floor - p[:3], 0.0) / U_FLOOR
        # robust per misfit, by the square root of a soft absolute value; priors stay square
        data = sum(
            float(np.sum(soft_square(m) @ self.rows.weight)) for m in (seen.means, seen.slopes)
        )
        return 0.5 * (data + float(away @ away) + float(short @ short)), seen

    def normal(self, p: Floats, seen: _Profile) -> tuple[Floats, Floats]:
        """Gradient (4,) and Gauss-Newton matrix (4, 4) of that half square."""
        matrix, centre = self.prior
        short = np.maximum(self.ln_floor - p[:3], 0.0) / U_FLOOR**2
        gradient = matrix.T @ (matrix @ p - centre) - np.append(short, 0.0)
        normal = matrix.T @ matrix + np.diag(np.append((short > 0) / U_FLOOR**2, 0.0))
        for miss, turned in zip((seen.means, seen.slopes), seen.turned(self.rows), strict=True):
            soft = np.sqrt(1.0 + miss**2)
            flat = turned.reshape(4, -1)
            gradient = gradient + flat @ (self.rows.weight * miss / soft).ravel()
            steep = self.rows.weight * (1.0 + soft) / (2.0 * soft**2)
            normal = normal + (flat * steep.ravel()) @ flat.T
        return gradient, normal


def fit_one(
    looks: Looks,
    white: Floats,
    prior: tuple[float, float],
    centre: Floats,
    start: Floats,
    bend: Bend,
) -> tuple[Floats, float, float]:
    """One fit; parameters (ln J_r, ln J_g, ln J_b, a), cost, mean squared misfit.

    J is of light that was straightened by the tone curve.
    """
    ln_reflectance, u_reflectance = prior
    ln_white = np.log(bend.straight(np.minimum(white, 1.0)) * np.maximum(white, 1.0))
    matrix = np.array([[0, 1, 0, 0], [1, -1, 0, 0], [0, -1, 1, 0], [0, 0, 0, 1]], np.float64)
    spread = np.array([u_reflectance, U_CHROMA, U_CHROMA, SLOPE_PRIOR[1]])
    wanted = matrix @ [*ln_white, SLOPE_PRIOR[0]] + centre + [ln_reflectance, 0.0, 0.0, 0.0]
    aim = _Aim(
        rows=Rows.of(looks, looks.weight).straight(bend),
        prior=(matrix / spread[:, None], wanted / spread),
        ln_floor=np.log(np.maximum(bend.straight(looks.floor), BOUNDS_VEIL[0])),
    )
    p, cost, seen = _least(aim, start)
    # as each window counts: what is no smoke must not put the model in doubt
    share = looks.weight / looks.weight.sum()
    chi2 = sum(float(np.mean(soft_square(m) @ share)) for m in (seen.means, seen.slopes))
    return p, cost, chi2


def _least(aim: _Aim, start: Floats) -> tuple[Floats, float, _Profile]:
    """Parameters within their bounds where the aim is least, its value and the looks there.

    Source
    ------
    Levenberg and Marquardt's damped Gauss-Newton steps, cut to the bounds.
    """
    low, high = np.array([np.log(BOUNDS_VEIL)] * 3 + [BOUNDS_SLOPE], np.float64).T
    p = np.clip(start, low + 1e-6, high - 1e-6)
    cost, seen = aim.at(p)
    gradient, normal = aim.normal(p, seen)
    damped = 1e-3
    for _ in range(MOST_STEPS):
        held = ((p <= low) & (gradient > 0)) | ((p >= high) & (gradient < 0))
        free = np.flatnonzero(~held)
        step = np.zeros(4)
        inner = normal[np.ix_(free, free)]
        step[free] = -np.linalg.solve(inner + damped * np.diag(np.diag(inner)), gradient[free])
        step *= min(1.0, LONGEST_STEP / max(float(np.abs(step).max()), 1e-12))
        tried = np.clip(p + step, low, high)
        # to a hundredth of what the members differ by: closer costs time and tells nothing
        near = float(np.linalg.norm(tried - p)) < CLOSE[1] * float(np.linalg.norm(p))
        less, there = aim.at(tried)
        if less < cost:
            near |= cost - less < CLOSE[0] * cost
            p, cost, seen = tried, less, there
            damped = max(damped / 5.0, 1e-9)
            if near:
                break
            gradient, normal = aim.normal(p, seen)
        elif near:
            break
        else:
            damped *= 8.0
    return p, cost, seen


def soft_square(miss: Floats) -> Floats:
    """Let misfits beyond one sigma count less than their square: a leg or a leaf hardly pulls."""
    return np.asarray(2.0 * (np.sqrt(1.0 + miss**2) - 1.0))
