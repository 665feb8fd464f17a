"""Tells by the first moments whether the clip begins clear, smoky, or clear for one picture."""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from smokecase.optics.light import DARK_FLOOR
from smokecase.plume.cone import outflow_cone
from smokecase.plume.learn_veil import FEWEST_TOLD, THREADS
from smokecase.plume.section import PipeExit
from smokecase.plume.windows import PlateTexture

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]

ONSET_DIAMETERS = 5.0  # smoke shows here first
CLEARER = 1.12  # texture over the plate's that shows that the plate was smoky
SURE = 2.0  # in standard uncertainties: billows look like texture now and then
MOSTLY = 0.5  # share of places that must say so
START_S, RESTLESS = 1.0, 0.2  # first moments; share of blocks at the exit that change in them
# smoke from the first moments: relative change of the livelier blocks at the exit, share of the
# rest that may change as much, by when; and how much more than the rest they change before that
STIRS, STIRS_RANK, STIRS_S, STIRS_EARLIER, STIRS_EARLIER_S = 0.02, 0.02, 0.8, 1.5, 0.5
LIVELIER_PERCENT = 75.0
# the first picture alone: blocks at the exit that leave it by more than so much, and than this
# percent of the rest; share of those that it must part from all later pictures, and share above
# that of the rest, which drifting light parts as well; share of it that is there within `START_S`
LEFT, LEFT_PERCENT, LONE, LONE_OVER_REST, SOON = 0.02, 90.0, 0.6, 0.25, 0.4
FEWEST_LATER = 12
USUAL = (0.05, 0.95)  # quantiles between which the later pictures lie


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


def first_is_clear(times_s: Floats, blocks: Picture, near: NDArray[np.bool_]) -> bool:
    """Tell whether the first picture alone was taken before the smoke came.

    Smoke that is there already makes a block now brighter, now darker than in any one picture.
    Smoke that comes at once changes it one way, and for good: the first picture then lies outside
    all that the later ones show, and what parts it from them is there within a second.

    Parameters
    ----------
    times_s : ndarray, shape (n,)
        Times of pictures spread over the clip, in order. [s]
    blocks : ndarray, shape (n, by, bx)
        Their light, exposure taken out.
    near : ndarray of bool, shape (by, bx)
        Blocks near the exit.
    """
    if near.all() or not near.any() or len(blocks) < FEWEST_LATER:
        return False
    first, later = blocks[0], blocks[1:]
    left = np.abs(later - first).mean(axis=0) / (first + DARK_FLOOR)
    lively = near & (left > max(LEFT, float(np.percentile(left[~near], LEFT_PERCENT))))
    if not lively.any():
        return False
    low, high = np.quantile(later, USUAL, axis=0)
    lone = (first < low) | (first > high)
    share = float(lone[lively].mean())
    away = ((later - first) * np.sign(np.median(later, axis=0) - first))[:, lively].mean(axis=1)
    soon = away[times_s[1:] <= times_s[0] + START_S]
    if not len(soon) or soon.mean() < SOON * away.mean():
        return False
    return share > LONE and share > float(lone[~near].mean()) + LONE_OVER_REST
