"""Black, blue or white: what the veil and the spectral slope say about the smoke.

Every mixture of soot, oil mist and pale mist (fuel, water) has a veil reflectance and a spectral
slope that follow from its shares; how well a mixture explains what was measured, with all its
uncertainty, gives its weight, and the mean over mixtures gives the colour weights.
"""

import itertools

import numpy as np
from numpy.typing import NDArray

from smokecase.measured import Measured
from smokecase.optics.veil import Veil, channel_powers
from smokecase.readings import SmokeColour

Floats = NDArray[np.float64]

STEPS = 10  # shares in tenths
# per pure smoke: veil over white and ln spread, slopes that occur. Soot: albedo 0.2 to 0.3 gives a
# veil of 0.02 to 0.12; mists of hardly absorbing droplets 0.7 to 1.2; slopes by droplet size,
# tests/optics/test_droplets.py
BLACK, BLUE, WHITE = 0, 1, 2
VEILS = np.array([0.05, 0.7, 0.8])
U_LN_VEIL = np.array([0.5, 0.4, 0.4])
SLOPES = ((0.8, 1.0, 1.3), (1.4, 1.9, 2.4, 2.9), (-0.4, 0.0, 0.4))
PURE = 0.35  # Dirichlet exponent below 1: smokes are more often nearly pure than evenly mixed
OPEN_BELOW = 0.55  # largest weight below which the colour is left open
U_LN_VEIL_REST = 0.15  # veil model against real light, over all
U_SLOPE_REST = 0.5  # camera colour mixing bends the slope
SLOPE_UNKNOWN = (1.0, 1.5)  # spectral slope when nothing is known of it
OUTSHINES = 1.25  # veil over the brightest things in the view
GLOWING_SOOT, SOOTY_SLOPE, SLOPE_KNOWN = 0.3, 0.5, 0.7
WORDS = {
    (BLACK,): "black", (BLUE,): "blue", (WHITE,): "white",
    (BLACK, BLUE): "blue-grey to black", (BLACK, WHITE): "grey", (BLUE, WHITE): "bluish white",
    (BLACK, BLUE, WHITE): "grey",
}  # fmt: skip


def tell_colour(
    veil: Veil | None, white: Floats, u_ln_white: float, no_smoke: float, brightest: float
) -> SmokeColour:
    """Colour weights of one clip.

    Parameters
    ----------
    veil : Veil or None
        The fit with its ensemble; None where there was no smoke to fit.
    white : ndarray, shape (3,)
        Light of a white card, in the plate's unit.
    u_ln_white : float
        Standard uncertainty of its logarithm.
    no_smoke : float
        Weight that there is no smoke at all. [0 to 1]
    brightest : float
        Luma of the brightest things in the view (98th percentile of the plate).

    Returns
    -------
    SmokeColour
    """
    if veil is None or no_smoke >= 0.95:
        return SmokeColour(
            black=0.0, blue=0.0, white=0.0, none=1.0, colour_open=False, word="no smoke"
        )
    reflectance = veil.light / white
    grown = veil.members / (white ** veil.tones[:, None])
    ln_j = np.log(grown[:, 1])
    u_ln_j = float(np.sqrt(np.var(ln_j) + u_ln_white**2 + U_LN_VEIL_REST**2))
    slope = float(np.median(veil.slopes))
    u_slope = float(np.hypot(np.std(veil.slopes), U_SLOPE_REST))
    ln_centre = float(np.median(ln_j))
    shares, likelihood = _mixtures(ln_centre, u_ln_j, slope, u_slope)
    weights = shares.T @ likelihood / likelihood.sum()
    there = 1.0 - no_smoke
    black, blue, pale = (float(w) * there for w in weights)
    largest = float(weights.max())
    # the word needs a mixture that is itself likely, not only a mean of unlike ones
    spread = np.sqrt(np.maximum((shares**2).T @ likelihood / likelihood.sum() - weights**2, 0))
    unclear = largest < OPEN_BELOW and bool(spread.max() > 0.25)
    return SmokeColour(
        black=black,
        blue=blue,
        white=pale,
        none=1.0 - black - blue - pale,
        colour_open=unclear or 0.3 < no_smoke < 0.95,
        word="cannot be told" if unclear else _word(weights),
        spectral_slope=Measured(value=slope, u=u_slope, unit=""),
        veil_reflectance=tuple(float(x) for x in reflectance),  # type: ignore[arg-type]
        u_veil_reflectance=float(reflectance[1] * u_ln_j),
        lighting=_lighting(float(veil.light[1]) / brightest, slope, u_slope),
    )


def tell_colour_of_light(light: NDArray[np.float32], white: Floats) -> SmokeColour:
    """Rough colour of one picture without its clear view: nothing tells smoke from background.

    Left open always: what looks white may be sky, and what looks black a shadow.

    Parameters
    ----------
    light : ndarray, shape (h, w, 3)
        Linear light.
    white : ndarray, shape (3,)
        Light of a white card, guessed.

    Returns
    -------
    SmokeColour
    """
    # the smoothest tenth of the picture is the likeliest to be smoke: it blurs what is behind it
    luma = light.mean(axis=-1)
    rough = np.abs(np.gradient(luma)[0]) + np.abs(np.gradient(luma)[1])
    relative = rough / (luma + 0.02)
    smooth = relative <= np.quantile(relative, 0.1)
    reflectance = np.median(light[smooth], axis=0) / white
    ln_j = float(np.log(max(reflectance[1], 1e-3)))
    shares, likelihood = _mixtures(ln_j, 0.9, SLOPE_UNKNOWN[0], SLOPE_UNKNOWN[1])
    weights = shares.T @ likelihood / likelihood.sum()
    return SmokeColour(
        black=float(weights[0]), blue=float(weights[1]), white=float(weights[2]),
        none=float(1.0 - weights.sum()), colour_open=True, word="cannot be told",
        veil_reflectance=tuple(float(x) for x in reflectance),  # type: ignore[arg-type]
        u_veil_reflectance=float(0.9 * reflectance[1]),
    )  # fmt: skip


def _lighting(over_brightest: float, slope: float, u_slope: float) -> str:
    """Tell whether the smoke may be lit from behind.

    Pale smoke then outshines all else in the view, and soot, whose slope stays near 1, glows far
    above its own darkness. Without a white card both have an innocent reading too (a dark yard; a
    mixture), so this is a doubt and no finding.
    """
    if over_brightest > OUTSHINES:
        return "back_lit"
    sooty = abs(slope - 1.0) < SOOTY_SLOPE and u_slope < SLOPE_KNOWN
    return "back_lit" if sooty and over_brightest > GLOWING_SOOT else "front"


def _mixtures(ln_j: float, u_ln_j: float, slope: float, u_slope: float) -> tuple[Floats, Floats]:
    """Shares (n, 3) of all mixtures and how well each explains the measurement."""
    shares, likelihood = [], []
    for i, j in itertools.product(range(STEPS + 1), repeat=2):
        if i + j > STEPS:
            continue
        share = np.array([i, j, STEPS - i - j]) / STEPS
        before = float(np.prod((share + 0.05) ** (PURE - 1.0)))
        veil = float(share @ VEILS)
        u_veil = float(np.sqrt(np.sum((share * VEILS * U_LN_VEIL) ** 2)) / veil)
        s_j = np.hypot(u_ln_j, u_veil)
        of_veil = np.exp(-0.5 * ((ln_j - np.log(veil)) / s_j) ** 2) / s_j
        of_slope = 0.0
        sets = [SLOPES[k] if share[k] > 0 else (0.0,) for k in range(3)]
        for pure in itertools.product(*sets):
            mixed = _mixed_slope(share, np.array(pure))
            of_slope += np.exp(-0.5 * ((slope - mixed) / u_slope) ** 2)
        of_slope /= np.prod([len(s) for s in sets])
        shares.append(share)
        likelihood.append(before * of_veil * of_slope)
    return np.array(shares), np.array(likelihood)


def _mixed_slope(share: Floats, slopes: Floats) -> float:
    """Slope of a mixture: through the summed optical depths in red and blue."""
    powers = channel_powers(slopes)  # (3, 3)
    total = share @ powers
    reach = channel_powers(1.0)
    return float(np.log(total[2] / total[0]) / np.log(reach[2] / reach[0]))


def _word(weights: Floats) -> str:
    there = tuple(int(k) for k in np.nonzero(weights >= 0.25)[0])
    return WORDS.get(there, "grey")
