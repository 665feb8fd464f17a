"""Smoke or not: whether what changes hangs at the pipe and flickers there, or is everywhere.

Smoke leaves the pipe: the view right beyond the exit changes for much of the time, more often
than the rest of the view, and flickers from moment to moment. Rain, snow, mist, shadows, moving
leaves and an exposure that jumps change the rest as much; someone walking by is at the pipe for
a moment only. Three numbers, all free of any model of smoke, go into one weight.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smokecase.plume.cone import outflow_cone
from smokecase.plume.section import PipeExit

Floats = NDArray[np.float64]
Blocks = NDArray[np.float32]

NEAR_DIAMETERS = 4.0  # beyond the exit
FEWEST_DIAMETER_BLOCKS = 1.2  # a thinner pipe is taken so wide, or no block would lie near it
CHANGED = 0.05  # relative change that counts
DARK_FLOOR = 0.03  # linear light: darker blocks are judged as if they were this bright
FEWEST_FRAMES = 5
# log-odds of smoke: offset; per 0.1 of the time that the view at the exit is changed; per ln of
# that over the rest; per ln of the flicker over that of the rest. Logistic regression on 69
# computed clips (27 without smoke, most with rain, mist, shadows or people); by itself it is
# right in 86 % of them (ten-fold cross-validation), so it is weighed with a plume that was found
ODDS = (-2.8, 0.61, 0.58, 0.65)
MOST_NEAR, LN_RANGE = 0.6, 2.5  # beyond these nothing more is said


@dataclass(frozen=True, slots=True, kw_only=True)
class AtPipe:
    """What changes at the pipe, beside the rest of the view."""

    near: float  # share of time and blocks right beyond the exit that differ from the plate
    far: float  # the same outside the outflow
    flicker_near: float  # mean change of ln light from a sampled picture to its neighbours
    flicker_far: float

    @property
    def smoke(self) -> float:
        """Weight that it is smoke, 0 to 1."""
        offset, per_near, per_far, per_flicker = ODDS
        more = np.log((self.near + 0.02) / (self.far + 0.02))
        livelier = np.log((self.flicker_near + 5e-4) / (self.flicker_far + 5e-4))
        odds = (
            offset
            + per_near * min(self.near, MOST_NEAR) / 0.1
            + per_far * float(np.clip(more, -LN_RANGE, LN_RANGE))
            + per_flicker * float(np.clip(livelier, -LN_RANGE, LN_RANGE))
        )
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
    changed = np.abs(blocks - plate).max(axis=-1) / level > CHANGED
    light = np.log((blocks.mean(axis=-1) + DARK_FLOOR) / (plate.mean(axis=-1) + DARK_FLOOR))
    flicker = np.abs(light[1:-1] - 0.5 * (light[:-2] + light[2:])).mean(axis=0)
    return AtPipe(
        near=float(changed[:, near].mean()),
        far=float(changed[:, rest].mean()),
        flicker_near=float(flicker[near].mean()),
        flicker_far=float(np.median(flicker[rest])),
    )
