"""Tells clear air from what looks like it, and smoke from what looks like that: shadows."""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from smokecase.doubts import SATURATED, TOO_DARK, Doubt
from smokecase.measured import COVERAGE
from smokecase.optics.light import DARK_FLOOR, DIM_LIGHT
from smokecase.optics.veil import Veil
from smokecase.plume.activity import codes
from smokecase.plume.cone import outflow_cone
from smokecase.plume.learn_veil import FEWEST_TOLD, THREADS
from smokecase.plume.section import PipeExit
from smokecase.plume.smoke_or_not import AtPipe
from smokecase.plume.windows import PlateTexture, blur

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]

ONSET_DIAMETERS = 5.0  # smoke shows here first
CLEARER = 1.12  # texture over the plate's that shows that the plate was smoky
SURE = 2.0  # in standard uncertainties: billows look like texture now and then
# upper bound of a frame's opacity that makes it clearer than clear, and share of such frames
CLEARER_PCT, CLEARER_SHARE = -2.0, 0.05
FAR_BELOW_PCT = -6.0  # clear air reads within 2 % of nothing
START_S, RESTLESS = 1.0, 0.2  # first moments; share of blocks at the exit that change in them
# smoke from the first moments: relative change of the livelier blocks at the exit, share of the
# rest that may change as much, by when; and how much more than the rest they change before that
STIRS, STIRS_RANK, STIRS_S, STIRS_EARLIER, STIRS_EARLIER_S = 0.02, 0.02, 0.8, 1.5, 0.5
LIVELIER_PERCENT = 75.0
MOSTLY = 0.5  # share of places that must say so
U_CLEAR_PCT = 2.0  # standard uncertainty of a section that shows no smoke: thin smoke escapes
EVEN_CODES, EVEN_PX = 0.45, 4.0  # texture of less than half a step of 8-bit codes is none; how fine
GREY_SLOPE = 0.6  # soot blocks blue more than red; a shadow takes all alike
MOSTLY_BLOWN = 0.5  # share of the view
SHADOW_VEIL, AT_PIPE = 0.25, 0.5  # veil over white below which; weight that it is smoke


def smoky_at_start(lights: Sequence[Picture], plate: Picture, pipe: PipeExit) -> bool:
    """Tell whether the plate already lay behind smoke: later frames then show more texture.

    Only near the exit, and only where many windows say so: light that changes can do it to a few.
    """
    texture = PlateTexture(plate)
    cone = outflow_cone(plate.shape[:2], pipe, reach=ONSET_DIAMETERS)
    with ThreadPoolExecutor(THREADS) as pool:  # frames do not wait for one another
        cuts = list(pool.map(lambda x: texture.cut(x, cone, 0, None, None, bands=1), lights))
    if not cuts or not len(cuts[0]):
        return False
    # (n, windows), the same places in each
    slopes = np.stack([c.slope[:, 0] - SURE * c.u_slope[:, 0] for c in cuts])
    known = np.median([c.u_slope[:, 0] for c in cuts], axis=0) < 0.15
    if known.sum() < FEWEST_TOLD // 2:
        return False
    strongest = np.percentile(slopes[:, known], 90, axis=0)
    return bool(np.mean(strongest > CLEARER) > MOSTLY)


def restless_at_start(times_s: Floats, changed: NDArray[np.bool_], near: NDArray[np.bool_]) -> bool:
    """Tell whether something flickers at the exit from the first moment, and only there.

    Parameters
    ----------
    times_s : ndarray, shape (n,)
        Times of a sample of frames. [s]
    changed : ndarray of bool, shape (n, by, bx)
        Blocks that left the mean of the first moments.
    near : ndarray of bool, shape (by, bx)
        Blocks near the exit.
    """
    early = times_s <= times_s[0] + START_S
    if near.all() or not near.any() or early.sum() < 3:
        return False
    at_exit = float(changed[early][:, near].mean())
    elsewhere = float(changed[early][:, ~near].mean())
    return at_exit > RESTLESS and at_exit > 4.0 * elsewhere


def stirs_at_start(times_s: Floats, blocks: Picture, near: NDArray[np.bool_]) -> bool:
    """Tell whether the view at the exit changes or flickers at once as hardly any other part does.

    Thin smoke before a quiet wall changes little, but more than nearly all the rest of the view.

    Parameters
    ----------
    times_s : ndarray, shape (n,)
        Times of the first frames. [s]
    blocks : ndarray, shape (n, by, bx)
        Their light, exposure taken out.
    near : ndarray of bool, shape (by, bx)
        Blocks near the exit.
    """
    if near.all() or not near.any():
        return False
    soon, later = (_stir(blocks[times_s <= times_s[0] + s]) for s in (STIRS_EARLIER_S, STIRS_S))
    for before, after in zip(soon, later, strict=True):
        level = np.percentile(after[near], LIVELIER_PERCENT)
        rank = np.mean(after[~near] >= level)
        at_exit, elsewhere = (np.percentile(before[w], LIVELIER_PERCENT) for w in (near, ~near))
        if level > STIRS and rank < STIRS_RANK and at_exit > STIRS_EARLIER * elsewhere:
            return True
    return False


def _stir(blocks: Picture) -> tuple[Picture, Picture]:
    """Flicker of blocks, and how far they moved from how they began; each (by, bx), relative."""
    if len(blocks) < 3:
        return np.zeros_like(blocks[0]), np.zeros_like(blocks[0])
    flicker = np.median(np.abs(blocks[2:] - blocks[:-2]), axis=0)
    begin, end = (
        np.median(blocks[:2], axis=0),
        np.median(blocks[-max(2, len(blocks) // 3) :], axis=0),
    )
    return (
        flicker / (blocks.mean(axis=0) + DARK_FLOOR),
        np.abs(end - begin) / (blocks[0] + DARK_FLOOR),
    )


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
