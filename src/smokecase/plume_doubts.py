"""What is doubtful about a plume that was measured."""

import math

import numpy as np
from numpy.typing import NDArray

from smokecase.doubts import (
    BACK_LIT,
    COLOUR_OPEN,
    DETACHED_PLUME,
    PLUME_LEAVES_PICTURE,
    PUFF_RATE_OPEN,
    Doubt,
)
from smokecase.readings import SmokeColour, SmokeTiming
from smokecase.trace import SmokeTrace
from smokecase.walk import Walk

Floats = NDArray[np.float64]

AT_EDGE = 0.2  # share of the pictures in which the plume reaches the picture's edge
NEARLY_CLEAR = 0.35  # of the plume's densest part: less in the section, and it begins elsewhere


def doubts_of_plume(
    walk: Walk,
    trace: SmokeTrace,
    visible: NDArray[np.bool_],
    colour: SmokeColour,
    timing: SmokeTiming,
) -> set[Doubt]:
    """Tell what is doubtful about a plume that was seen.

    Parameters
    ----------
    walk : Walk
        Walk 2, done.
    trace : SmokeTrace
        Of n frames.
    visible : ndarray of bool, shape (n,)
        Where the plume is visible; in one frame at the least.
    colour : SmokeColour
    timing : SmokeTiming

    Returns
    -------
    set of Doubt
    """
    doubts: set[Doubt] = set()
    if colour.colour_open:
        doubts.add(COLOUR_OPEN)
    if colour.lighting == "back_lit":
        doubts.add(BACK_LIT)
    if walk.at_edge > AT_EDGE * max(1, walk.maps):
        doubts.add(PLUME_LEAVES_PICTURE)
    section = _median(trace.opacity_pct[visible])
    plume = _median(trace.plume_p95_pct[visible])
    if section < NEARLY_CLEAR * plume and timing.onset_s is not None:
        doubts.add(DETACHED_PLUME)
    if timing.puff_hz is None:
        doubts.add(PUFF_RATE_OPEN)
    return doubts


def doubt_of_veil(walk: Walk) -> dict[str, float] | None:
    """Tell what hangs on the smoke's brightness, for comparing; None where it was not needed."""
    doubt = walk.reader.veil_doubt() if walk.reader and not walk.contrast else None
    if doubt is None:
        return None
    scene = walk.scene
    return doubt | {"ln_white": float(np.log(scene.white[1])), "u_ln_white": scene.u_ln_white}


def _median(column: Floats) -> float:
    known = column[np.isfinite(column)]
    return float(np.median(known)) if len(known) else math.nan
