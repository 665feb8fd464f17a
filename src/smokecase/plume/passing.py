"""Tells when someone or something passes by: the view beside the outflow changes for a while.

Smoke stays in its cone, and where a thick puff leaves it, it does so from the pipe outwards. A
person, a car or their shadow comes from further away: while they are at the pipe, what is seen
there is not the plate with smoke before it.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label

from smokecase.optics.light import DARK_FLOOR
from smokecase.optics.spectrum import LUMA
from smokecase.plume.cone import outflow_cone
from smokecase.plume.section import PipeExit

Floats = NDArray[np.float64]
Blocks = NDArray[np.float32]
Box = tuple[float, float, float, float]

REACHES = (4.0, 6.0, 8.0)  # diameters around the section; the first that holds enough blocks
FEWEST_BLOCKS = 8
FEWEST_DIAMETER_BLOCKS = 1.2  # a thinner pipe is taken so wide
CHANGED = 0.15  # relative change of brightness: less is mist, drifting light, haze of the plume
PASSING, OVER_USUAL = 0.12, 3.0  # share of blocks, and times its usual value, that tell
# before, in which it is seen to move further away, and after: it comes and goes quickly, while
# smoke that drifts out of its cone does so little by little and stays
COMING_S = 1.0
FEWEST_SEEN = 2.5  # moments in that time
CLEAR_OF_IT = 0.04  # share of the near blocks before and after
FAR_BLOCKS = 4  # that it takes up or lets go of there at the least


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Beside:
    """Blocks that no smoke of the pipe reaches before it has filled its cone."""

    near: NDArray[np.bool_]  # (by, bx) around the section
    far: NDArray[np.bool_]  # (by, bx) the rest outside the cone

    def changed(self, blocks: Blocks, plate: Blocks) -> tuple[float, float]:
        """Share of the near blocks, and number of the far ones, that differ from the plate.

        Parameters
        ----------
        blocks, plate : ndarray, shape (by, bx, 3)
            Mean light, exposure taken out. [linear]

        Returns
        -------
        float, float
            0 to 1, and a count of blocks.
        """
        clear = plate @ LUMA
        changed = np.abs(blocks @ LUMA - clear) / (clear + DARK_FLOOR) > CHANGED
        return float(changed[self.near].mean()), float(changed[self.far].sum())


def beside_outflow(
    shape: tuple[int, ...], pipe: PipeExit, section: Box | None, block_px: float
) -> Beside | None:
    """Find the blocks beside the outflow; None where they are too few to tell anything.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns of blocks.
    pipe : PipeExit
        In working pixels.
    section : tuple of float or None
        x0, y0, x1, y1. [working px]
    block_px : float
        Side of a block. [working px]
    """
    if section is None or pipe.exit_px is None or pipe.diameter_px is None:
        return None
    diameter = max(pipe.diameter_px / block_px, FEWEST_DIAMETER_BLOCKS)
    exit_px = (pipe.exit_px[0] / block_px, pipe.exit_px[1] / block_px)
    outside = ~outflow_cone(shape, replace(pipe, exit_px=exit_px, diameter_px=diameter))
    y, x = np.mgrid[: shape[0], : shape[1]] + 0.5
    middle_x = (section[0] + section[2]) / 2.0 / block_px
    middle_y = (section[1] + section[3]) / 2.0 / block_px
    away = np.hypot(x - middle_x, y - middle_y) / diameter
    for reach in REACHES:
        near = outside & (away < reach)
        if near.sum() >= FEWEST_BLOCKS:
            return Beside(near=near, far=outside & ~near)
    return None


def tell_passing(
    time_s: Floats, near: Floats, far: Floats, smoky: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Tell the moments in which something passes.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        In order. [s]
    near, far : ndarray, shape (n,)
        Of `Beside.changed`.
    smoky : ndarray of bool, shape (n,)
        Moments that may show smoke: what changes in most of them is weather or the smoke itself.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    passing = np.zeros(len(time_s), bool)
    if not len(time_s):
        return passing
    usual = float(np.median(near[smoky])) if smoky.any() else 0.0
    step_s = float(np.median(np.diff(time_s))) if len(time_s) > 1 else 0.0
    around_s = max(COMING_S, FEWEST_SEEN * step_s)
    spells, count = label(near > max(PASSING, OVER_USUAL * usual))
    for k in range(1, count + 1):
        here = np.nonzero(spells == k)[0]
        begin, end = time_s[here[0]], time_s[here[-1]]
        before = (time_s < begin) & (time_s >= begin - around_s)
        after = (time_s > end) & (time_s <= end + around_s)
        passing[here] = (
            before.any()
            and after.any()
            and near[before].min() < CLEAR_OF_IT
            and near[after].min() < CLEAR_OF_IT
            and float(np.ptp(far[before])) >= FAR_BLOCKS
        )
    return passing
