"""Black, blue or white: what the veil and the spectral slope say about the smoke.

The veil's brightness against white tells soot from mist, the spectral slope tells fine oil mist
from coarse fuel mist and water fog; tint and misfit say how far to trust them. A trained model
(`colour_model.py`) weighs them with their uncertainties. Where its chance of being right is
below 4 in 5, the colour is left open.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smokecase.doubts import COLOUR_CAST, SMOKE_OPEN, TWO_COLOURS, Doubt
from smokecase.measured import Measured
from smokecase.optics.veil import Veil
from smokecase.plume.channel_texture import ChannelTexture
from smokecase.plume.colour_model import COLOURS, ColourModel, ColourWeights, load_colour_model
from smokecase.plume.likely_white import likely_white
from smokecase.plume.spectral import Spectral, fit_spectral
from smokecase.plume.windows import Windows
from smokecase.readings import SmokeColour

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]

GUESSED_WHITE = 0.5  # ln uncertainty from which a white is only a guess
MIXED_FROM, PART_FROM = 0.5, 0.2  # chance of a mixture, and share of a part, for its word
# what a veil's own doubts and those of the slope leave out, on measured clips (`models/`); not less
# where each channel's texture told the slope, for nobody knows where a lossless file came from
U_LN_VEIL_REST, U_SLOPE_REST = 0.35, 0.35
SLOPE_UNKNOWN = (0.9, 1.2, 1.0)  # one picture alone: slope and its doubt; doubt of the level
LEAST_MISFIT = 0.01  # a lossless picture of one smoke fits perfectly
# mist of water or fuel throws back nearly all light (albedo near 1: `optics/droplets.py`); even in
# the car's shade its veil stays above a sixth of a white card, and nothing darker is named white
DARKEST_WHITE = 1.0 / 6.0
# weight from which "no smoke" is said; below, what was read still stands and only that is left open
NO_SMOKE = 0.9
LIKELY_NONE = 0.5  # from which what was found is no smoke to look at; below NO_SMOKE all is open
MAYBE_NONE = 0.3  # from which no colour is sure
OUTSHINES = 1.25  # veil over the brightest things in the view
GLOWING_SOOT, SOOTY_SLOPE, SLOPE_KNOWN = 0.3, 0.5, 0.7
CAST_FROM, CAST_SIGMAS = 0.25, 2.0  # tint across the line from lamp to sky: no light is so
# misfit to one smoke that is told; of a clip, of two stills
TWO_COLOURS_FROM = {True: 2.0, False: 1.25}
# from which no colour is named: up to here the model was taught what a clip's misfit means
TWO_COLOURS_OPEN = {True: 5.0, False: 1.25}
WORDS = {
    ("black",): "black", ("blue",): "blue", ("white",): "white",
    ("black", "blue"): "blue-grey to black", ("black", "white"): "grey",
    ("blue", "white"): "bluish white", ("black", "blue", "white"): "grey",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ColourLook:
    """What the colour is told from."""

    light: Floats  # (3,) of the veil
    u_ln_light: float  # of its logarithm
    spectral: Spectral
    white: Floats  # (3,) light of a white card
    u_ln_white: float
    brightest: float  # luma of the brightest things in the view
    moving: bool = True  # a clip: shake and coding add misfit that a pair of stills has not

    @property
    def u_slope(self) -> float:
        """Standard uncertainty of the slope, with what its own fit leaves out."""
        return float(np.hypot(self.spectral.u_slope, U_SLOPE_REST))

    def features(self) -> Floats:
        """As `colour_model.FEATURES`."""
        spectral = self.spectral
        return np.array([
            np.log(self.light[1] / self.white[1]), np.hypot(self.u_ln_light, self.u_ln_white),
            spectral.slope, self.u_slope, spectral.tint, spectral.u_tint,
            np.log(max(spectral.misfit, LEAST_MISFIT)),
        ])  # fmt: skip


def look_at_smoke(  # noqa: PLR0913 - what is known of the smoke and of the scene, each by name
    veil: Veil | None,
    windows: Windows | None,
    *,
    plate: Picture,
    white: Floats,
    u_ln_white: float,
    brightest: float,
    exit_px: tuple[float, float] | None = None,
    diameter_px: float | None = None,
    moving: bool = True,
    channels: ChannelTexture | None = None,
) -> ColourLook | None:
    """Gather what the colour is told from; None where no smoke was found.

    Parameters
    ----------
    veil, windows : Veil, Windows or None
        As `learn_veil` found them.
    plate : ndarray, shape (h, w, 3)
        Light without smoke.
    white, u_ln_white : ndarray of shape (3,), float
        Light of a white card and the standard uncertainty of its logarithm; where it is only a
        guess by the mean, the brightest things in view stand in.
    brightest : float
        Luma of the brightest things in the view (98th percentile of the plate).
    exit_px, diameter_px : tuple, float or None
        The pipe. [working px]
    moving : bool
        A clip, not a pair of stills.
    channels : ChannelTexture, optional
        Of the windows, where the picture was stored without loss.
    """
    if veil is None:
        return None
    if u_ln_white > GUESSED_WHITE:
        white, u_ln_white = likely_white(plate)
    spectral = fit_spectral(windows, veil.light, veil.slope, white, exit_px, diameter_px, channels)
    if spectral is None:
        return None
    return ColourLook(
        light=veil.light, u_ln_light=float(np.std(np.log(veil.members[:, 1]))), spectral=spectral,
        white=white, u_ln_white=u_ln_white, brightest=brightest, moving=moving,
    )  # fmt: skip


def tell_colour(
    look: ColourLook | None, no_smoke: float, model: ColourModel | None = None
) -> tuple[SmokeColour, frozenset[Doubt]]:
    """Colour weights of one clip, and what is doubtful about them.

    Parameters
    ----------
    look : ColourLook or None
        None where there was no smoke to look at.
    no_smoke : float
        Weight that there is no smoke at all. [0 to 1]
    model : ColourModel, optional
        The one that came with the program, if not given.

    Returns
    -------
    SmokeColour, frozenset of Doubt

    Raises
    ------
    ModelError
        If the model's file is missing or was changed.
    """
    if no_smoke >= LIKELY_NONE or look is None:
        return _without_look(no_smoke)
    model = model or load_colour_model()
    weights = model.weigh(look.features())
    there = 1.0 - no_smoke
    black, blue, white = (share * there for share in weights.shares)
    top = int(np.argmax(weights.shares))
    chance = weights.chances[top]
    doubts = set()
    if _has_cast(look.spectral):
        doubts.add(COLOUR_CAST)
    if look.spectral.misfit > TWO_COLOURS_FROM[look.moving]:
        doubts.add(TWO_COLOURS)
    misfits = look.spectral.misfit > TWO_COLOURS_OPEN[look.moving]
    reflectance = look.light / look.white
    unclear = chance < model.named_from or no_smoke > MAYBE_NONE or misfits or COLOUR_CAST in doubts
    unclear |= COLOURS[top] == "white" and float(reflectance[1]) < DARKEST_WHITE
    u_level = float(np.hypot(look.features()[1], U_LN_VEIL_REST))
    spectral = look.spectral
    colour = SmokeColour(
        black=black, blue=blue, white=white, none=max(1.0 - black - blue - white, 0.0),
        colour_open=unclear,
        word="cannot be told" if unclear else _word(weights),
        chance=chance,
        spectral_slope=Measured(
            value=spectral.slope, u=look.u_slope, unit=""
        ),
        veil_reflectance=tuple(float(x) for x in reflectance),  # type: ignore[arg-type]
        u_veil_reflectance=float(reflectance[1] * u_level),
        lighting=_lighting(float(look.light[1]) / look.brightest, spectral.slope, look.u_slope),
    )  # fmt: skip
    return colour, frozenset(doubts)


def _without_look(no_smoke: float) -> tuple[SmokeColour, frozenset[Doubt]]:
    """No smoke, or something that changes as smoke would and could not be looked at."""
    each = (1.0 - no_smoke) / 3.0
    none = no_smoke >= NO_SMOKE
    colour = SmokeColour(
        black=each, blue=each, white=each, none=1.0 - 3.0 * each, colour_open=not none,
        word="no smoke" if none else "cannot be told",
    )  # fmt: skip
    return colour, frozenset() if none else frozenset({SMOKE_OPEN})


def _has_cast(spectral: Spectral) -> bool:
    """Tell whether the veil is pink or green: no smoke is, and no daylight or lamp."""
    sure = abs(spectral.off_axis) > CAST_SIGMAS * np.hypot(spectral.u_off_axis, 0.05)
    return bool(abs(spectral.off_axis) > CAST_FROM and sure)


def tell_colour_of_light(light: Picture, white: Floats, u_ln_white: float) -> SmokeColour:
    """Rough colour of one picture without its clear view: nothing tells smoke from background.

    Left open always: what looks white may be sky, and what looks black a shadow.

    Parameters
    ----------
    light : ndarray, shape (h, w, 3)
        Linear light.
    white : ndarray, shape (3,)
        Light of a white card.
    u_ln_white : float
        Standard uncertainty of its logarithm.

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
    level = float(np.log(max(reflectance[1], 1e-3)))
    slope, u_slope, u_level = SLOPE_UNKNOWN
    u_level = float(np.hypot(u_level, u_ln_white))
    features = np.array([level, u_level, slope, u_slope, 0.1, 0.4, 0.0])
    weights = load_colour_model().weigh(features)
    black, blue, pale = weights.shares
    return SmokeColour(
        black=black, blue=blue, white=pale, none=1.0 - black - blue - pale,
        colour_open=True, word="cannot be told",
        veil_reflectance=tuple(float(x) for x in reflectance),  # type: ignore[arg-type]
        u_veil_reflectance=float(u_level * reflectance[1]),
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


def _word(weights: ColourWeights) -> str:
    """Plain word: of the mixture where one is likely, else of the colour with most weight."""
    top = int(np.argmax(weights.shares))
    there = tuple(
        colour
        for k, colour in enumerate(COLOURS)
        if k == top or (weights.mixed > MIXED_FROM and weights.shares[k] > PART_FROM)
    )
    return WORDS[there]
