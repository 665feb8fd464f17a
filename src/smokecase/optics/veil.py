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

from smokecase.optics.tone import CURVE_GRID, U_BEND, U_SHOULDER, Bend

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
USUAL_BEND = Bend(0.05, 0.05)
FEWEST_WINDOWS = 16
MOST_WINDOWS = 1500  # more add cost, not knowledge: they are strongly correlated
WINDOWS_PER_FACT = 6.0  # correlated windows that count as one independent look
DOUBTFUL_GAIN = 0.012  # ln: beyond it, fits are tried with the light off either way
OFFS = ((0.0, 0.5), (-1.3, 0.25), (1.3, 0.25))  # in standard uncertainties; weight
FAIR_CHI2 = 1.0  # misfit beyond which the model itself is in doubt, and the windows count less
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
    root_weight: Floats  # (n,)
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
            root_weight=np.sqrt(weight),
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


def _profile(rows: _Rows, veil: Floats, slope: float) -> tuple[Floats, Floats]:
    """Misfits of means (3, n) and slopes (b, n) at the best optical depth of each window."""
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
        depth = np.clip(depth + top / below, -0.3, 5.0)
    t = np.exp(-depth * r)
    return light - t * away, rows.slope - rows.mixed(t)


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
    rows = _Rows.of(looks, looks.weight).straight(bend)
    ln_white = np.log(bend.straight(np.minimum(white, 1.0)) * np.maximum(white, 1.0))
    ln_floor = np.log(np.maximum(bend.straight(looks.floor), BOUNDS_VEIL[0]))

    def misfit(p: Floats) -> Floats:
        miss_m, miss_s = _profile(rows, np.exp(p[:3]), float(p[3]))
        tint = p[[0, 2]] - p[1] - (ln_white[[0, 2]] - ln_white[1]) - centre[1:3]
        priors = np.concatenate(
            [
                [(p[1] - ln_white[1] - ln_reflectance - centre[0]) / u_reflectance],
                tint / U_CHROMA,
                [(p[3] - SLOPE_PRIOR[0] - centre[3]) / SLOPE_PRIOR[1]],
            ]
        )
        # robust per misfit, by the square root of a soft absolute value; priors stay square
        data = [(_soft(miss) * rows.root_weight).ravel() for miss in (miss_m, miss_s)]
        short = np.maximum(ln_floor - p[:3], 0.0) / U_FLOOR
        return np.concatenate([*data, priors, short])

    bounds = [np.log(BOUNDS_VEIL)] * 3 + [BOUNDS_SLOPE]
    low, high = np.array(bounds, np.float64).T
    start = np.clip(start, low + 1e-6, high - 1e-6)
    # to a hundredth of what the members differ by: closer costs time and tells nothing
    found = least_squares(
        misfit, start, bounds=(low, high), max_nfev=20, x_scale=0.3, ftol=1e-5, xtol=1e-4
    )
    p = found.x
    miss_m, miss_s = _profile(rows, np.exp(p[:3]), float(p[3]))
    chi2 = float(np.mean(_soft(miss_m) ** 2)) + float(np.mean(_soft(miss_s) ** 2))
    return p, float(found.cost), chi2


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
    miss_m, miss_s = _profile(rows, bend.straight(veil.light * scale), veil.slope)
    return np.asarray(
        0.5 * (np.sum(_soft(miss_m) ** 2, axis=0) + np.sum(_soft(miss_s) ** 2, axis=0))
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
        t = np.clip(top[..., c] / (below[..., c] + 1e-7), 0.01, 3.0)
        # near T = 0 the logarithm explodes: a channel counts with its own T squared
        weight = below[..., c] * np.clip(t, 0.05, 1.0) ** 2 * powers[..., c]
        above = above - weight * np.log(t)
        under = under + weight * powers[..., c]
    return np.asarray(above / under)
