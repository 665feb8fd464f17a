"""The veil: the colour that an endlessly thick plume would have in this light.

Model, per channel c and window:  ``I = T B + (1 - T) J``,  ``T_c = T_G ** r_c`` with
``r_c = (lambda_c / lambda_G) ** -a``. One veil J and one spectral slope a serve the whole clip;
each window has its own T_G. The means of a window tie T to J, its texture tells T alone; both
stand in one likelihood, from which J and a follow. Knowing J, every pixel whose plate differs
from it tells T by least squares over the channels.

How well J is known is carried by an ensemble: each member is a fit to windows drawn anew in
blocks (neighbours err together), with a tone curve drawn by how well smoke fits under it (Bayes'
rule on a grid of curves) and the prior's centre drawn from the prior, so that where the picture
says nothing the spread is the prior's.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from smokecase.optics.spectrum import channel_powers
from smokecase.optics.tone import U_BEND, Bend
from smokecase.optics.veil_fit import (
    SLOPE_PRIOR,
    U_CHROMA,
    HasLooks,
    Looks,
    Rows,
    fit_one,
    profile,
    soft_square,
)

Floats = NDArray[np.float64]

# kinds of smoke that the fit starts from: ln of veil over white and its spread, weight before
# seeing. Soot 0.02 to 0.12, pale mists 0.7 to 1.2, mixtures in between, back-lit above
PRIORS = {
    "dark": (np.log(0.05), 0.5, 0.3),
    "mixed": (np.log(0.35), 0.5, 0.35),
    "pale": (np.log(0.9), 0.2, 0.3),
    "glowing": (np.log(2.0), 0.5, 0.05),
}
U_GAIN_COMMON = 0.006  # and their light: exposure
BOUNDS_BEND = (-0.2, 0.6)
USUAL_SHARE = 0.05
# cameras press highlights together (common practice, no source). A curve that flattens takes
# texture from a brightened plate as smoke does: before pale smoke this is the largest doubt, so
# the windows are fitted under each of these shoulders, and tell between them
SHOULDERS = (-0.1, 0.05, 0.2, 0.35, 0.5)
USUAL_SHOULDER, U_SHOULDER = 0.15, 0.2
# a shoulder bends the misfits but a little, and so do a veil that varies and shade: what the
# windows say between shoulders counts half
SHOULDER_TRUST = 0.5
FEWEST_WINDOWS = 16
MOST_WINDOWS = 1500  # more add cost, not knowledge: they are strongly correlated
WINDOWS_PER_FACT = 6.0  # correlated windows that count as one independent look
DOUBTFUL_GAIN = 0.012  # ln: beyond it, fits are tried with the light off either way
OFFS = ((0.0, 0.5), (-1.3, 0.25), (1.3, 0.25))  # in standard uncertainties; weight
FAIR_CHI2 = 1.0  # misfit beyond which the model itself is in doubt, and the windows count less


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
    whole = Looks(
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
    # a lone best fit is a first look, which need not know the tone curve
    shoulders = SHOULDERS if members > 1 else (USUAL_SHOULDER,)
    fits, odds = _fit_shoulders(whole, white, u_white, u_light, shoulders)
    worse = min(fit.chi2 for fit in fits) / FAIR_CHI2
    if worse > 1.0:
        weight = weight / worse**2
        whole = replace(whole, weight=weight)
        fits, odds = _fit_shoulders(whole, white, u_white, u_light, shoulders)
    kinds = {
        name: float(sum(odds[i] for i, f in enumerate(fits) if f.kind == name)) for name in PRIORS
    }
    kind = max(kinds, key=lambda name: kinds[name])
    best = _middle_fit(
        whole, white, [(f, o) for f, o in zip(fits, odds, strict=True) if f.kind == kind]
    )
    drawn, bends = [best.found], [best.bend]
    even = (place - place.mean(axis=0)) / (place.std(axis=0) + 1e-9)
    for _ in range(members - 1):
        fit = fits[int(rng.choice(len(fits), p=odds))]
        chosen, bands = _half(even, rng), rng.permutation(slope.shape[1])[:1]
        off = fit.off + rng.normal(0.0, u_light if u_light <= DOUBTFUL_GAIN else 0.5 * u_light)
        looks = (
            whole.pick(chosen, weight[chosen])
            .only(bands)
            .stretched(
                slopes=np.asarray(rng.normal() + 0.5 * rng.normal(size=len(bands))),
                light=float(np.exp(off)),
            )
        )
        shift = rng.normal(0.0, [fit.prior[1], U_CHROMA, U_CHROMA, SLOPE_PRIOR[1]])
        bends.append(_drawn_bend(rng, fit.bend.shoulder))
        drawn.append(fit_one(looks, white, fit.prior, shift, fit.found, bends[-1])[0])
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
    bend: Bend
    prior: tuple[float, float]
    found: Floats
    cost: float  # with what the prior says
    chi2: float


def _fit_kinds(
    whole: Looks, white: Floats, u_white: float, u_light: float, shoulder: float
) -> list[_KindFit]:
    """Fit from each kind of smoke; where the exposure is in doubt, with the light off either way.

    Thin smoke changes the light by a few percent: with a gain in doubt by as much it may be
    darker or brighter than the plate.
    """
    offs = OFFS if u_light > DOUBTFUL_GAIN else ((0.0, 1.0),)
    bend = Bend(USUAL_SHARE, shoulder)
    fits = []
    for z, share in offs:
        looks = replace(whole, light=whole.light * np.exp(z * u_light))
        for name, (ln_reflectance, spread, before) in PRIORS.items():
            prior = (ln_reflectance, float(np.hypot(spread, u_white)))
            start = np.array([*np.log(white * np.exp(ln_reflectance)), SLOPE_PRIOR[0]])
            found, cost, chi2 = fit_one(looks, white, prior, np.zeros(4), start, bend)
            fits.append(
                _KindFit(
                    kind=name, off=z * u_light, bend=bend, prior=prior, found=found,
                    cost=cost - float(np.log(before * share)) + float(np.log(prior[1])), chi2=chi2,
                )
            )  # fmt: skip
    return fits


def _fit_shoulders(
    whole: Looks, white: Floats, u_white: float, u_light: float, shoulders: tuple[float, ...]
) -> tuple[list[_KindFit], Floats]:
    """Fit every kind under every shoulder; the fits and their odds, summing to 1."""
    fits: list[_KindFit] = []
    ln_odds: list[float] = []
    for shoulder in shoulders:
        some = _fit_kinds(whole, white, u_white, u_light, shoulder)
        cost = np.array([fit.cost for fit in some])
        together = float(cost.min() - np.log(np.sum(np.exp(cost.min() - cost))))
        before = 0.5 * ((shoulder - USUAL_SHOULDER) / U_SHOULDER) ** 2
        fits += some
        ln_odds += list(together - cost - SHOULDER_TRUST * together - before)
    odds = np.exp(np.array(ln_odds) - max(ln_odds))
    return fits, odds / odds.sum()


def _middle_fit(whole: Looks, white: Floats, weighed: list[tuple[_KindFit, float]]) -> _KindFit:
    """Fit one kind under the shoulder that is likely on average, the light as it is."""
    total = sum(odds for _, odds in weighed)
    shoulder = sum(odds * fit.bend.shoulder for fit, odds in weighed) / total
    near = min(
        (fit for fit, _ in weighed if fit.off == 0.0),
        key=lambda fit: abs(fit.bend.shoulder - shoulder),
    )
    bend = Bend(USUAL_SHARE, shoulder)
    found, cost, chi2 = fit_one(whole, white, near.prior, np.zeros(4), near.found, bend)
    return replace(near, bend=bend, found=found, cost=cost, chi2=chi2)


def _drawn_bend(rng: np.random.Generator, shoulder: float) -> Bend:
    """Draw a tone curve whose shoulder lies nearer to this one than to its neighbours."""
    share = np.clip(rng.normal(USUAL_SHARE, U_BEND), *BOUNDS_BEND)
    half = 0.5 * (SHOULDERS[1] - SHOULDERS[0])
    return Bend(float(share), float(shoulder + rng.uniform(-half, half)))


def _half(even: Floats, rng: np.random.Generator) -> NDArray[np.intp]:
    """Draw the windows to one side of a plane through place and time, about half of them."""
    side = even @ rng.normal(size=3)
    return np.nonzero(side >= np.quantile(side, rng.uniform(0.4, 0.6)))[0]


def window_cost(windows: "HasLooks", veil: Veil, scale: float) -> Floats:
    """Half the robust squared misfit of each window with the veil scaled, shape (n,)."""
    bend = veil.bends[0]
    rows = Rows.of(windows, np.ones(len(windows.light))).straight(bend)
    seen = profile(rows, bend.straight(veil.light * scale), veil.slope)
    return np.asarray(
        0.5 * sum(np.sum(soft_square(miss), axis=0) for miss in (seen.means, seen.slopes))
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
