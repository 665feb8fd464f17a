"""Smoke or not: whether what changes hangs at the pipe and flickers there, or is everywhere.

Smoke leaves the pipe: the view right beyond the exit changes more than the rest of the view, and
flickers from moment to moment. Rain, snow, mist, moving leaves and an exposure that jumps change
the rest as much; a shadow or someone walking by is at the pipe for a moment only. Two ranks say
so: the share of the rest that changes as much, and that flickers as much. Ranks know no threshold
of change: thin smoke before a quiet wall stands out as dense smoke does in the rain.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smokecase.optics.light import DARK_FLOOR
from smokecase.plume.cone import outflow_cone
from smokecase.plume.section import PipeExit

Floats = NDArray[np.float64]
Blocks = NDArray[np.float32]

NEAR_DIAMETERS = 4.0  # beyond the exit
FEWEST_DIAMETER_BLOCKS = 1.2  # a thinner pipe is taken so wide, or no block would lie near it
FEWEST_FRAMES = 5
UPPER_PERCENT = 75.0  # of the blocks at the exit: smoke rarely fills all of them
# log-odds of smoke: offset; per -ln of each share. Logistic regression at even odds on computed
# clips, made by `models/fit_smoke_or_not.py`, which says how often it is right
ODDS = (-6.73, 1.38, 1.33)
LEAST_SHARE = 0.01  # below it nothing more is said


@dataclass(frozen=True, slots=True, kw_only=True)
class AtPipe:
    """What changes at the pipe, beside the rest of the view."""

    change_rank: float  # share of the rest that changes as much as the view right beyond the exit
    flicker_rank: float  # share of the rest that flickers as much, the typical moment counting

    @property
    def smoke(self) -> float:
        """Weight that it is smoke, 0 to 1."""
        shares = np.array([self.change_rank, self.flicker_rank])
        odds = ODDS[0] - np.log(shares + LEAST_SHARE) @ ODDS[1:]
        return float(1.0 / (1.0 + np.exp(-odds)))


def look_at_pipe(
    blocks: Blocks, plate: Blocks, shape: tuple[int, ...], pipe: PipeExit
) -> AtPipe | None:
    """Compare what changes at the exit with the rest of the view.

    Parameters
    ----------
    blocks : ndarray, shape (n, by, bx, 3)
        Mean light of the blocks of sampled pictures, in order of time, exposure taken out.
    plate : ndarray, shape (by, bx, 3)
        The same without smoke.
    shape : tuple of int
        Rows and columns of the picture that the blocks were cut from.
    pipe : PipeExit
        In pixels of that picture.

    Returns
    -------
    AtPipe or None
        None without an exit, or with too few pictures to tell.
    """
    if pipe.exit_px is None or pipe.diameter_px is None or pipe.direction_deg is None:
        return None
    if len(blocks) < FEWEST_FRAMES:
        return None
    rows, columns = plate.shape[:2]
    side = shape[0] / rows
    small = PipeExit(
        exit_px=(pipe.exit_px[0] / side, pipe.exit_px[1] / side), u_exit_px=pipe.u_exit_px / side,
        diameter_px=max(pipe.diameter_px / side, FEWEST_DIAMETER_BLOCKS),
        u_diameter_px=pipe.u_diameter_px / side, direction_deg=pipe.direction_deg,
        u_direction_deg=pipe.u_direction_deg, doubts=pipe.doubts,
    )  # fmt: skip
    near = outflow_cone((rows, columns), small, reach=NEAR_DIAMETERS)
    rest = ~outflow_cone((rows, columns), small)
    if not near.any() or not rest.any():
        return None
    level = plate.max(axis=-1) + DARK_FLOOR
    away = (blocks - plate) / level[..., None]
    steady = np.median(np.stack([away[:-2], away[1:-1], away[2:]]), axis=0)  # a fleck is gone
    change = np.abs(steady).max(axis=-1).mean(axis=0)
    light = np.log((blocks.mean(axis=-1) + DARK_FLOOR) / (plate.mean(axis=-1) + DARK_FLOOR))
    flicker = np.median(np.abs(light[1:-1] - 0.5 * (light[:-2] + light[2:])), axis=0)
    return AtPipe(
        change_rank=float(np.mean(change[rest] >= np.percentile(change[near], UPPER_PERCENT))),
        flicker_rank=float(np.mean(flicker[rest] >= np.percentile(flicker[near], UPPER_PERCENT))),
    )
