"""Published readings from a trace: 15 s readings, averages, visible spells, seconds above a level.

The arithmetic is that of the published visual methods; the eye is a camera, so every figure is
indicative. Thresholds are the user's own, or those of a named document for information.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from smokecase.measured import Measured
from smokecase.trace import SmokeTrace

Floats = NDArray[np.float64]

INTERVAL_S = 15.0  # US EPA Method 9 (40 CFR 60 App. A-4), 2.4
RESOLUTION_PCT = 5.0  # the same
PER_AVERAGE = 24  # the same, 2.5
GLANCE_S = 0.5  # how long a momentary look lasts; common practice, no source
VISIBLE_PCT = 5.0  # densest part of the plume from which smoke is called visible
LONGEST_GAP_S = 0.5  # a break that a stopwatch cannot tell; Method 22's division (from memory)
LARGEST_ERROR_PCT = 15.0  # on one reading, Method 9, 3.1
LARGEST_MEAN_ERROR_PCT = 7.5  # of each colour, the same


@dataclass(frozen=True, slots=True, kw_only=True)
class MomentaryReading:
    """One reading of the published series."""

    time_s: float
    opacity_pct: float  # to the nearest 5 %, as written down by an observer
    camera: Measured  # what the camera read, unrounded


def read_momentary(
    trace: SmokeTrace, *, interval_s: float = INTERVAL_S, from_s: float | None = None
) -> list[MomentaryReading | None]:
    """Read momentary opacity at even intervals, to the nearest 5 %.

    The first is taken at the first frame, or at `from_s`. A momentary look is the mean over half a
    second; None stands where the camera gave no reading there.

    Raises
    ------
    ValueError
        If the interval is not above zero.

    Source
    ------
    US EPA Method 9 (40 CFR 60 App. A-4), 2.4.
    """
    if not interval_s > 0:
        msg = f"interval_s must be above zero (got {interval_s})"
        raise ValueError(msg)
    if not len(trace):
        return []
    time_s = trace.time_s
    begin = float(time_s[0]) if from_s is None else from_s
    count = int(np.floor((float(time_s[-1]) - begin) / interval_s + 1e-9)) + 1
    return [_glance(trace, begin + n * interval_s) for n in range(max(0, count))]


def _glance(trace: SmokeTrace, at_s: float) -> MomentaryReading | None:
    near = np.abs(trace.time_s - at_s) <= GLANCE_S / 2 + 1e-9
    near &= np.isfinite(trace.opacity_pct)
    if not near.any():
        return None
    # errors of neighbouring frames are shared, so the mean's interval is as wide as one frame's
    value = float(trace.opacity_pct[near].mean())
    low, high = (
        float(trace.opacity_low_pct[near].mean()),
        float(trace.opacity_high_pct[near].mean()),
    )
    half = (high - low) / 2
    camera = Measured(
        value=value, u=half / 1.96, unit="%", low=min(low, value), high=max(high, value)
    )
    return MomentaryReading(time_s=at_s, opacity_pct=round_reading(value), camera=camera)


def round_reading(opacity_pct: float) -> float:
    """Round an opacity [%] to the nearest 5 %, within 0 to 100; halves go up."""
    steps = np.floor(opacity_pct / RESOLUTION_PCT + 0.5)
    return float(np.clip(steps * RESOLUTION_PCT, 0.0, 100.0))


def average_sets(readings_pct: ArrayLike, *, per_average: int = PER_AVERAGE) -> list[float]:
    """Average whole sets [%] that follow one another and never overlap.

    A rest that fills no set is left out; fewer readings than one set give no average.

    Raises
    ------
    ValueError
        If a set would be empty.

    Source
    ------
    US EPA Method 9, 2.5 (24 readings); Methods 203A (8 to 24) and 203C (12 at 5 s, from memory).
    """
    if per_average < 1:
        msg = f"per_average must be at least 1 (got {per_average})"
        raise ValueError(msg)
    values = np.asarray(readings_pct, dtype=np.float64)
    whole = values.size // per_average * per_average
    return [float(m) for m in values[:whole].reshape(-1, per_average).mean(axis=1)]


def minutes_above(
    readings_pct: ArrayLike, level_pct: float, *, interval_s: float = INTERVAL_S
) -> float:
    """Count the time [min] that the readings above a level stand for.

    Source
    ------
    Each reading stands for its interval: Method 9, 2.4; counted as in Method 203B (from memory).
    """
    values = np.asarray(readings_pct, dtype=np.float64)
    return float(np.count_nonzero(values > level_pct)) * interval_s / 60.0


def observer_passes(errors_white_pct: ArrayLike, errors_black_pct: ArrayLike) -> bool:
    """Tell whether white and black readings meet the published accuracy, limits included.

    Parameters
    ----------
    errors_white_pct, errors_black_pct : array_like
        Reading less true opacity, of each plume. [%]

    Source
    ------
    US EPA Method 9, 3.1: no error above 15 %, no mean error of a colour above 7.5 %.
    """
    white = np.abs(np.asarray(errors_white_pct, dtype=np.float64))
    black = np.abs(np.asarray(errors_black_pct, dtype=np.float64))
    return meets_accuracy(
        max(float(white.max()), float(black.max())), float(white.mean()), float(black.mean())
    )


def meets_accuracy(largest_pct: float, mean_white_pct: float, mean_black_pct: float) -> bool:
    """Whether these errors meet the published accuracy, limits included (Method 9, 3.1)."""
    return (
        largest_pct <= LARGEST_ERROR_PCT
        and mean_white_pct <= LARGEST_MEAN_ERROR_PCT
        and mean_black_pct <= LARGEST_MEAN_ERROR_PCT
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Spell:
    """A time without a break."""

    start_s: float
    seconds: float


def longest_visible_spell(trace: SmokeTrace, *, level_pct: float = VISIBLE_PCT) -> Spell | None:
    """Find the longest time in which smoke is visible without a break; None if it never is.

    Smoke is visible where the plume's densest part reaches `level_pct`. Breaks up to half a second
    do not count, frames without a reading do not break a spell of their neighbours.

    Source
    ------
    Purpose of US EPA Method 22 (time that any emission is visible); the level is our own.
    """
    known = np.isfinite(trace.plume_p95_pct) | np.isfinite(trace.opacity_pct)
    time_s = trace.time_s[known]
    densest = np.nan_to_num(trace.plume_p95_pct[known], nan=0.0)
    seen = densest >= level_pct
    best: Spell | None = None
    start, last = None, None
    for at_s, visible in zip(time_s, seen, strict=True):
        if not visible:
            continue
        if start is None or last is None or at_s - last > LONGEST_GAP_S:
            start = at_s
        last = at_s
        if best is None or last - start > best.seconds:
            best = Spell(start_s=float(start), seconds=float(last - start))
    return best


def seconds_above(trace: SmokeTrace, level_pct: float) -> Measured:
    """Count the time [s] for which the opacity at the measuring section is above a level.

    Each frame stands for half the way to its neighbours. The interval spans from the frames whose
    whole 95 % interval lies above the level to those where any of it does.
    """
    weight = frame_seconds(trace.time_s)
    readable = np.isfinite(trace.opacity_pct)
    counts = [
        float(
            weight[readable & (np.nan_to_num(column, nan=-np.inf, posinf=np.inf) > level_pct)].sum()
        )
        for column in (trace.opacity_low_pct, trace.opacity_pct, trace.opacity_high_pct)
    ]
    low, value, high = min(counts[0], counts[1]), counts[1], max(counts[1], counts[2])
    return Measured(value=value, u=(high - low) / (2 * 1.96), unit="s", low=low, high=high)


def frame_seconds(time_s: Floats) -> Floats:
    """Tell the time [s] that each frame stands for: half the way to each neighbour."""
    if time_s.size < 2:
        return np.zeros(time_s.size)
    middles = (time_s[1:] + time_s[:-1]) / 2
    edges = np.concatenate([[time_s[0]], middles, [time_s[-1]]])
    return np.diff(edges)


def known_readings(readings: Sequence[MomentaryReading | None]) -> list[float]:
    """List the rounded readings [%] without those that could not be taken."""
    return [r.opacity_pct for r in readings if r is not None]
