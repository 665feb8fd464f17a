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

from smokecase.optics.tone import CURVE_GRID, U_BEND, Bend

Floats = NDArray[np.float64]

# red, green, blue [um]: centres of camera channels (common practice, no source); only their
# ratios matter
WAVELENGTHS_UM = np.array([0.61, 0.545, 0.46])
LUMA = np.array([0.2126, 0.7152, 0.0722])

# kinds of smoke that the fit starts from: ln of veil over white and its spread, weight before
# seeing. Soot 0.02 to 0.12, pale mists 0.7 to 1.2, mixtures in between, back-lit above
PRIORS = {
    "dark": (np.log(0.05), 0.5, 0.3),
    "mixed": (np.log(0.35), 0.5, 0.35),
    "pale": (np.log(0.9), 0.2, 0.3),
    "glowing": (np.log(2.0), 0.5, 0.05),
}
# ln of the veil's channel ratios against the light's own: sun and sky differ in colour, and a
# camera's white is off by this (common practice, no source)
U_CHROMA = 0.12
SLOPE_PRIOR = (1.0, 1.2)  # centre and spread of a over all smokes
BOUNDS_VEIL, BOUNDS_SLOPE = (1e-4, 12.0), (-1.5, 4.0)
# a window's mean misses the model by about this (gain, veil that varies): absolute, relative
U_MEAN = (0.003, 0.012)
U_SLOPE_COMMON = 0.04  # slopes of all windows may be off together: noise reduction, compression
U_GAIN_COMMON = 0.006  # and their light: exposure
BOUNDS_BEND, BOUNDS_SHOULDER = (-0.2, 0.6), (-0.3, 0.85)
# cameras press highlights together (common practice, no source). A curve that flattens takes
# texture from a brightened plate as smoke does: before pale smoke this is the largest doubt
USUAL_BEND = Bend(0.05, 0.1)
U_SHOULDER = 0.14
FEWEST_WINDOWS = 16
MOST_WINDOWS = 1500  # more add cost, not knowledge: they are strongly correlated
WINDOWS_PER_FACT = 6.0  # correlated windows that count as one independent look
DOUBTFUL_GAIN = 0.012  # ln: beyond it, fits are tried with the light off either way
OFFS = ((0.0, 0.5), (-1.3, 0.25), (1.3, 0.25))  # in standard uncertainties; weight
FAIR_CHI2 = 1.0  # misfit beyond which the model itself is in doubt, and the windows count less
DEPTHS = (-0.3, 5.0)  # between which a window's optical depth is sought
# of a fit: steps, the longest of them, and relative change of cost and parameters that ends it
MOST_STEPS, LONGEST_STEP, CLOSE = 20, 2.0, (1e-5, 1e-4)
U_FLOOR = 0.05  # of ln J: how far a veil may lie below smoke that was seen blown out


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Veil:
    """The fitted veil and its ensemble of m members."""

    light: Floats  # (3,) J as recorded, in the plate's linear light
    slope: float  # a
    members: Floats  # (m, 3) J
    slopes: Floats  # (m,)
    bends: tuple[Bend, ...]  # m tone curves
    kind: str  # which start won
    chi2: float  # mean squared misfit of the windows, robust
    windows: int

    def __post_init__(self) -> None:
        for name in ("light", "members", "slopes"):
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


_WHOLE = ("weight", "floor")  # what `pick` does not pick from


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Looks:
    """Arrays of the windows with their weights."""

    light: Floats
    plate: Floats
    slope: Floats
    u_slope: Floats
    u_common: Floats
    share: Floats
    weight: Floats
    floor: Floats  # (3,) light that smoke was seen to exceed, 0 where none was blown out

    def pick(self, chosen: NDArray[np.intp], weight: Floats) -> "_Looks":
        rest = {n: getattr(self, n)[chosen] for n in self.__slots__ if n not in _WHOLE}
        return _Looks(**rest, weight=weight, floor=self.floor)

    def only(self, bands: NDArray[np.intp]) -> "_Looks":
        """With the texture of some bands alone, which count for all."""
        return replace(
            self, slope=self.slope[:, bands], u_slope=self.u_slope[:, bands],
            u_common=self.u_common[:, bands], share=self.share[:, bands],
        )  # fmt: skip

    def stretched(self, *, slopes: Floats, light: float) -> "_Looks":
        """Slopes (by band, in units of their common doubt) and light off together everywhere."""
        off = slopes * np.hypot(0.5 * self.u_common, U_SLOPE_COMMON)
        return replace(self, slope=self.slope + off, light=self.light * light)


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
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
    def of(cls, looks: "_HasLooks", weight: Floats) -> "_Rows":
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

    def straight(self, bend: Bend) -> "_Rows":
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

    def turned(self, rows: _Rows) -> tuple[Floats, Floats]:
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


def _profile(rows: _Rows, veil: Floats, slope: float) -> _Profile:
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

    rows: _Rows
    prior: tuple[Floats, Floats]  # misfits are the matrix (4, 4) times the parameters, less these
    ln_floor: Floats  # (3,)

    def at(self, p: Floats) -> tuple[float, _Profile]:
        """Half the squared misfit, and the looks there."""
        seen = _profile(self.rows, np.exp(p[:3]), float(p[3]))
        away = self.prior[0] @ p - self.prior[1]
        short = np.maximum(self.ln_floor - p[:3], 0.0) / U_FLOOR
        # robust per misfit, by the square root of a soft absolute value; priors stay square
        data = sum(
            float(np.sum(_soft_square(m) @ self.rows.weight)) for m in (seen.means, seen.slopes)
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


def _fit(
    looks: _Looks,
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
        rows=_Rows.of(looks, looks.weight).straight(bend),
        prior=(matrix / spread[:, None], wanted / spread),
        ln_floor=np.log(np.maximum(bend.straight(looks.floor), BOUNDS_VEIL[0])),
    )
    p, cost, seen = _least(aim, start)
    chi2 = float(np.mean(_soft_square(seen.means))) + float(np.mean(_soft_square(seen.slopes)))
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


def _soft_square(miss: Floats) -> Floats:
    """Let misfits beyond one sigma count less than their square: a leg or a leaf hardly pulls."""
    return np.asarray(2.0 * (np.sqrt(1.0 + miss**2) - 1.0))


def fit_veil(  # noqa: PLR0913 - the windows' columns, each by name
    *,
    light: Floats,
    plate: Floats,
    slope: Floats,
    u_slope: Floats,
    u_common: Floats,
    share: Floats,
    place: Floats,
    trust: Floats,
    white: Floats,
    u_white: float,
    floor: Floats,
    u_gain: float,
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
    place : ndarray, shape (n, 3)
        x, y and frame of each window: neighbours err together and are drawn together.
    trust : ndarray, shape (n,)
        How much a window counts (those near the section more). [0 to 1]
    white : ndarray, shape (3,)
        Light of a white card in this scene, in the plate's unit.
    u_white : float
        Standard uncertainty of its logarithm.
    floor : ndarray, shape (3,)
        Light of smoke that was seen blown out: pale smoke before a darker plate is never brighter
        than its veil. 0 where none was.
    u_gain : float
        Standard uncertainty of ln exposure that all windows share.
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
        share, place, trust = share[some], place[some], trust[some]
    weight = trust / WINDOWS_PER_FACT
    whole = _Looks(
        light=light,
        plate=plate,
        slope=slope,
        u_slope=u_slope,
        u_common=u_common,
        share=share,
        weight=weight,
        floor=floor,
    )
    u_light = float(np.hypot(U_GAIN_COMMON, u_gain))
    fits = _fit_kinds(whole, white, u_white, u_light)
    worse = min(fit.chi2 for fit in fits) / FAIR_CHI2
    if worse > 1.0:
        weight = weight / worse**2
        whole = replace(whole, weight=weight)
        fits = _fit_kinds(whole, white, u_white, u_light)
    cost = np.array([fit.cost for fit in fits])
    odds = np.exp(cost.min() - cost)
    odds /= odds.sum()
    kinds = {
        name: float(sum(odds[i] for i, f in enumerate(fits) if f.kind == name)) for name in PRIORS
    }
    kind = max(kinds, key=lambda name: kinds[name])
    best = next(fit for fit in fits if fit.kind == kind and fit.off == 0.0)
    drawn, bends = [best.found], [USUAL_BEND]
    even = (place - place.mean(axis=0)) / (place.std(axis=0) + 1e-9)
    for _ in range(members - 1):
        fit = fits[int(rng.choice(len(fits), p=odds))]
        chosen, bands = _half(even, rng), rng.permutation(slope.shape[1])[:1]
        off = fit.off + rng.normal(0.0, u_light if len(fits) == len(PRIORS) else 0.5 * u_light)
        looks = (
            whole.pick(chosen, weight[chosen])
            .only(bands)
            .stretched(
                slopes=np.asarray(rng.normal() + 0.5 * rng.normal(size=len(bands))),
                light=float(np.exp(off)),
            )
        )
        shift = rng.normal(0.0, [fit.prior[1], U_CHROMA, U_CHROMA, SLOPE_PRIOR[1]])
        bends.append(_drawn_bend(rng))
        drawn.append(_fit(looks, white, fit.prior, shift, fit.found, bends[-1])[0])
    veils = np.array([b.recorded(np.exp(p[:3])) for b, p in zip(bends, drawn, strict=True)])
    return Veil(
        light=veils[0],
        slope=float(best.found[3]),
        members=veils,
        slopes=np.array([p[3] for p in drawn]),
        bends=tuple(bends),
        kind=kind,
        chi2=best.chi2,
        windows=len(light),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _KindFit:
    """One fit that starts from one kind of smoke, with the light off by so much."""

    kind: str
    off: float  # ln light
    prior: tuple[float, float]
    found: Floats
    cost: float  # with what the prior says
    chi2: float


def _fit_kinds(whole: _Looks, white: Floats, u_white: float, u_light: float) -> list[_KindFit]:
    """Fit from each kind of smoke; where the exposure is in doubt, with the light off either way.

    Thin smoke changes the light by a few percent: with a gain in doubt by as much it may be
    darker or brighter than the plate.
    """
    offs = OFFS if u_light > DOUBTFUL_GAIN else ((0.0, 1.0),)
    fits = []
    for z, share in offs:
        looks = replace(whole, light=whole.light * np.exp(z * u_light))
        for name, (ln_reflectance, spread, before) in PRIORS.items():
            prior = (ln_reflectance, float(np.hypot(spread, u_white)))
            start = np.array([*np.log(white * np.exp(ln_reflectance)), SLOPE_PRIOR[0]])
            found, cost, chi2 = _fit(looks, white, prior, np.zeros(4), start, USUAL_BEND)
            fits.append(
                _KindFit(
                    kind=name, off=z * u_light, prior=prior, found=found,
                    cost=cost - float(np.log(before * share)) + float(np.log(prior[1])), chi2=chi2,
                )
            )  # fmt: skip
    return fits


def _drawn_bend(rng: np.random.Generator) -> Bend:
    share = np.clip(rng.normal(USUAL_BEND.share, U_BEND), *BOUNDS_BEND)
    shoulder = np.clip(rng.normal(USUAL_BEND.shoulder, U_SHOULDER), *BOUNDS_SHOULDER)
    return Bend(float(share), float(shoulder))


def _half(even: Floats, rng: np.random.Generator) -> NDArray[np.intp]:
    """Draw the windows to one side of a plane through place and time, about half of them."""
    side = even @ rng.normal(size=3)
    return np.nonzero(side >= np.quantile(side, rng.uniform(0.4, 0.6)))[0]


def window_cost(windows: "_HasLooks", veil: Veil, scale: float) -> Floats:
    """Half the robust squared misfit of each window with the veil scaled, shape (n,)."""
    bend = veil.bends[0]
    rows = _Rows.of(windows, np.ones(len(windows.light))).straight(bend)
    seen = _profile(rows, bend.straight(veil.light * scale), veil.slope)
    return np.asarray(
        0.5 * sum(np.sum(_soft_square(miss), axis=0) for miss in (seen.means, seen.slopes))
    )


def _telling(light: Floats, plate: Floats, u_slope: Floats) -> Floats:
    """How much each window can tell, as shares: changed, and with texture that is well known.

    From the change of the mean and the doubt of the slope, never from the slope itself.
    """
    change = np.abs(light - plate).max(axis=1) / (plate.max(axis=1) + 0.02)
    share = np.minimum(change, 1.0) ** 2 / (u_slope.min(axis=1) ** 2 + 0.1**2)
    return np.asarray(share / share.sum())


def depth_by_veil(
    top: NDArray[np.floating], below: NDArray[np.floating], slope: float | Floats
) -> NDArray[np.floating]:
    """Green optical depth from least-squares sums over neighbouring pixels.

    Per channel ``T = sum (I - J)(B - J) / sum (B - J)^2``; the channels' optical depths are
    averaged, weighted by how well each is known.

    Parameters
    ----------
    top, below : ndarray, shape (..., 3)
        The two sums (any common factor), per channel, in single or double precision.
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
    above: NDArray[np.floating] | float = 0.0
    under: NDArray[np.floating] | float = 1e-12
    for c in range(3):  # one at a time: summing along so short an axis is slow
        t = np.asarray(top[..., c] / (below[..., c] + 1e-7))
        np.clip(t, 0.01, 3.0, out=t)
        # near T = 0 the logarithm explodes: a channel counts with its own T squared
        weight = np.asarray(np.clip(t, 0.05, 1.0))
        weight *= weight
        weight *= below[..., c]
        weight *= powers[..., c]
        np.log(t, out=t)
        t *= weight
        weight *= powers[..., c]
        above, under = above - t, under + weight
    return np.asarray(above / under)
