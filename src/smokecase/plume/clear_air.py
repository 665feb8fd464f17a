"""Tells clear air from what looks like it, and smoke from what looks like that: shadows."""

import numpy as np
from numpy.typing import NDArray

from smokecase.doubts import SATURATED, TOO_DARK, Doubt
from smokecase.measured import COVERAGE
from smokecase.optics.light import DIM_LIGHT
from smokecase.optics.veil import Veil
from smokecase.plume.activity import codes
from smokecase.plume.smoke_or_not import AtPipe
from smokecase.plume.windows import PlateTexture, blur

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]

# upper bound of a frame's opacity that makes it clearer than clear, and share of such frames
CLEARER_PCT, CLEARER_SHARE = -2.0, 0.05
FAR_BELOW_PCT = -6.0  # clear air reads within 2 % of nothing
U_CLEAR_PCT = 2.0  # standard uncertainty of a section that shows no smoke: thin smoke escapes
EVEN_CODES, EVEN_PX = 0.45, 4.0  # texture of less than half a step of 8-bit codes is none; how fine
GREY_SLOPE = 0.6  # soot blocks blue more than red; a shadow takes all alike
MOSTLY_BLOWN = 0.5  # share of the view
SHADOW_VEIL, AT_PIPE = 0.25, 0.5  # veil over white below which; weight that it is smoke


def clearer_than_clear(opacity_pct: Floats, high_pct: Floats) -> bool:
    """Tell whether frames are clearer than what was taken for clear: then it was smoky.

    Few frames that surely are will do, or as many that read far below what clear air does and
    by more than their standard uncertainty.

    Parameters
    ----------
    opacity_pct, high_pct : ndarray, shape (n,)
        Opacities and their upper 95 % bounds; NaN where there is none.
    """
    opacity, high = np.asarray(opacity_pct), np.asarray(high_pct)
    surely = np.mean(high < CLEARER_PCT)
    # a veil in doubt reads far below nothing, too: only what lies beyond its own doubt counts
    far = np.mean((opacity < FAR_BELOW_PCT) & (opacity < (opacity - high) / COVERAGE))
    return bool(max(surely, far) > CLEARER_SHARE)


def unseen_pct(plate: Picture, section: tuple[float, float, float, float] | None) -> float:
    """Opacity that could hide before this plate without a trace, as a standard uncertainty [%].

    Smoke of just the plate's colour shows only in the texture that it takes away: before a plate
    without any, any amount could hide, and the doubt is infinite.
    """
    if section is None:
        return U_CLEAR_PCT
    texture = PlateTexture(plate)
    x0, y0, x1, y1 = (round(v) for v in section)
    here = (slice(max(y0, 0), max(y1, 0)), slice(max(x0, 0), max(x1, 0)))
    inside = np.zeros(plate.shape[:2], bool)
    inside[here] = True
    windows = texture.cut(plate, inside, 0, None, None)
    if not len(windows):
        return 4.0 * U_CLEAR_PCT
    level = codes(plate)
    fine = np.abs(level - blur(level, EVEN_PX))[here]
    if fine.size and np.median(fine) < EVEN_CODES:
        return np.inf
    best = float(np.median(windows.u_slope.min(axis=1)))
    return float(np.clip(100.0 * best / 4.0, U_CLEAR_PCT, 5.0 * U_CLEAR_PCT))


def hides_smoke(plate: Picture, blown: NDArray[np.bool_]) -> Doubt | None:
    """Why smoke could hide all over this view: it is black, or blown out. None where it is neither.

    Parameters
    ----------
    plate : ndarray, shape (h, w, 3)
        Linear light without smoke.
    blown : ndarray of bool, shape (h, w)
        Blown-out pixels.
    """
    if float(np.median(plate)) < DIM_LIGHT:
        return TOO_DARK
    return SATURATED if float(np.mean(blown)) > MOSTLY_BLOWN else None


def is_shadow(veil: Veil, white: Floats, at_pipe: AtPipe | None) -> bool:
    """Tell a shadow from soot: it is no likelier at the pipe than elsewhere.

    A shadow adds no light, like soot; but it takes all colours alike, crosses the picture and
    does not start at the pipe.
    """
    if veil.light[1] > SHADOW_VEIL * white[1] or veil.slope > GREY_SLOPE:
        return False
    return at_pipe is None or at_pipe.smoke < AT_PIPE
