"""When no opacity is given: the reason in words, and the trace without what is no reading."""

from collections import Counter
from collections.abc import Sequence, Set
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from smokecase.doubts import (
    EXIT_NOT_FOUND,
    EXPOSURE_UNCHECKED,
    MOVING_CAMERA,
    NO_CLEAN_PLATE,
    NO_TEXTURE,
    SATURATED,
    SHAKY,
    SMOKE_OPEN,
    TOO_DARK,
    VEIL_LIKE_PLATE,
    Doubt,
)
from smokecase.measured import COVERAGE
from smokecase.plume.kind import LIKELY_NONE
from smokecase.scene import Scene
from smokecase.trace import SmokeTrace

Floats = NDArray[np.float64]

MOSTLY_BLANK = 0.8  # share of frames without an answer, where no smoke was seen: nothing was read
MOSTLY_UNSEEN = 0.5  # share of frames that were blown out, black or without texture
MOST_LOST = 0.3  # share of frames that could not be laid: smoke may have come in those
# share of the clip with visible smoke beyond which there was no gap; where smoke was there from the
# start and none is seen, the clearest moments hold as much as all others
MOSTLY_VISIBLE = 0.7


def refuse(
    scene: Scene,
    trace: SmokeTrace,
    visible: NDArray[np.bool_],
    doubts: set[Doubt],
    *,
    share: float,
    u_pct: float,
) -> tuple[str | None, SmokeTrace]:
    """Tell why no opacity is given, and leave out the readings that are none.

    Parameters
    ----------
    scene : Scene
    trace : SmokeTrace
        Of n frames.
    visible : ndarray of bool, shape (n,)
        Where the plume is visible.
    doubts : set of Doubt
        Of the whole clip.
    share : float
        Of the smoky frames without an answer, beyond which the clip is refused. [0 to 1]
    u_pct : float
        Standard uncertainty beyond which a reading is no answer. [% opacity]

    Returns
    -------
    str or None, SmokeTrace
        The reason in words, None where opacity is given; each emptied reading carries its doubt.
    """
    half = (trace.opacity_high_pct - trace.opacity_low_pct) / (2.0 * COVERAGE)
    open_side = ~np.isfinite(half)
    wide = ~open_side & (half > u_pct)
    blank = wide | ~np.isfinite(trace.opacity_pct)
    smoky = visible if visible.any() else np.ones(len(trace), bool)
    why: str | None = None
    lost = np.mean([SHAKY in of_frame for of_frame in trace.doubts]) > MOST_LOST
    if {MOVING_CAMERA, SHAKY} <= doubts or ((unsteady(doubts) or lost) and not visible.any()):
        why = SHAKY.words
    elif NO_CLEAN_PLATE in doubts and not scene.open_above:
        why = NO_CLEAN_PLATE.words  # some frames are clearer than what was taken for clear
    elif SMOKE_OPEN in doubts and (hidden := _why_hidden(scene, trace, blank, doubts)):
        why = hidden.words
    elif scene.pipe is None:
        why = EXIT_NOT_FOUND.words if visible.any() else None
    elif scene.open_above and not 0.0 < visible.mean() <= MOSTLY_VISIBLE:
        why = NO_CLEAN_PLATE.words  # no gap between puffs that could have stood in for it
    elif blank[smoky].mean() > (share if visible.any() else MOSTLY_BLANK):
        counts = Counter(d for i in np.nonzero(smoky & blank)[0] for d in trace.doubts[i])
        why = (counts.most_common(1)[0][0] if counts else VEIL_LIKE_PLATE).words
    if why is None and not wide.any():
        return None, trace
    gone = np.ones(len(trace), bool) if why else wide
    cause = frozenset({VEIL_LIKE_PLATE})
    # an empty cell always says why, whatever else is in doubt there
    said = [d | cause if wide[i] or not d else d for i, d in enumerate(trace.doubts)]
    return why, without_readings(trace, gone, said)


def _why_hidden(
    scene: Scene, trace: SmokeTrace, blank: NDArray[np.bool_], doubts: Set[Doubt]
) -> Doubt | None:
    """Tell why there may be more smoke than the section shows, where it is open if there is any.

    The view hides it, or the camera was moved, or smoke is likelier than not and yet no plume was
    found: zero with a narrow interval would be the worst answer. Otherwise what was read stands,
    and only whether it is smoke stays open.
    """
    likely = scene.at_pipe is None or scene.at_pipe.smoke > 1.0 - LIKELY_NONE
    unseen = _why_unseen(trace, blank, doubts)
    return unseen or (SMOKE_OPEN if likely or MOVING_CAMERA in doubts else None)


def _why_unseen(trace: SmokeTrace, blank: NDArray[np.bool_], doubts: Set[Doubt]) -> Doubt | None:
    """Name what hides smoke in the whole view or in most frames; it has a remedy of its own."""
    everywhere = [doubt for doubt in (TOO_DARK, SATURATED) if doubt in doubts]
    if everywhere:
        return everywhere[0]
    hiding = {SATURATED, TOO_DARK, NO_TEXTURE}
    counts = Counter(d for i in np.nonzero(blank)[0] for d in trace.doubts[i] & hiding)
    for doubt, frames in counts.most_common(1):
        if frames > MOSTLY_UNSEEN * len(trace):
            return doubt
    return None


def unsteady(doubts: Set[Doubt]) -> bool:
    """Tell whether the pictures lie so badly on one another that even clear parts seem changed."""
    return EXPOSURE_UNCHECKED in doubts and not doubts.isdisjoint({MOVING_CAMERA, SHAKY})


def without_readings(
    trace: SmokeTrace, gone: NDArray[np.bool_], doubts: Sequence[frozenset[Doubt]]
) -> SmokeTrace:
    """Empty the readings of some frames, which carry these doubts instead.

    Parameters
    ----------
    trace : SmokeTrace
        Of n frames.
    gone : ndarray of bool, shape (n,)
        Frames to empty.
    doubts : sequence of frozenset of Doubt
        One for each frame; those of the emptied ones are taken.
    """

    def without(column: Floats) -> Floats:
        return np.where(gone if column.ndim == 1 else gone[:, None], np.nan, column)

    return replace(
        trace,
        opacity_pct=without(trace.opacity_pct),
        opacity_low_pct=without(trace.opacity_low_pct),
        opacity_high_pct=without(trace.opacity_high_pct),
        centre_line_pct=without(trace.centre_line_pct),
        transmittance=without(trace.transmittance),
        u_transmittance=without(trace.u_transmittance),
        doubts=tuple(doubts[i] if gone[i] else d for i, d in enumerate(trace.doubts)),
    )
