"""Lays two clips on one clock that begins with the engine's start, in even steps."""

import math
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from smokecase.readings import Examination

Floats = NDArray[np.float64]

STEP_S = 0.1  # of the common clock
CLEAR_PCT = 5.0  # below this the smoke has cleared, as in the visible plume


def lay_on_one_clock(
    clips: tuple[Examination, Examination], starts_s: tuple[float, float]
) -> tuple[Floats, tuple[Floats, Floats]]:
    """Opacity of both over their common time.

    Parameters
    ----------
    clips : tuple of Examination
    starts_s : tuple of float
        Time of the start in each. [s]

    Returns
    -------
    time_s : ndarray, shape (n,)
        From the start.
    curves : two ndarrays, shape (n, 3)
        Opacity with its 95 % bounds, nan where there is no reading. [%]
    """
    ends = [
        c.trace.time_s[-1] - s if len(c.trace) else 0.0
        for c, s in zip(clips, starts_s, strict=True)
    ]
    count = max(0, math.floor(float(min(ends)) / STEP_S))
    time_s = np.asarray((np.arange(count) + 0.5) * STEP_S, dtype=np.float64)
    one, other = (_binned(c, s, count) for c, s in zip(clips, starts_s, strict=True))
    return time_s, (one, other)


def bounded(clip: Examination) -> Floats:
    """Opacity with its bounds, an open side as far as the scale goes, shape (n, 3)."""
    trace = clip.trace
    table = np.stack([trace.opacity_pct, trace.opacity_low_pct, trace.opacity_high_pct], axis=1)
    table[:, 1] = np.where(np.isneginf(table[:, 1]), np.minimum(table[:, 0], 0.0), table[:, 1])
    table[:, 2] = np.where(np.isposinf(table[:, 2]), np.maximum(table[:, 0], 100.0), table[:, 2])
    return table


def _binned(clip: Examination, start_s: float, count: int) -> Floats:
    table = bounded(clip)
    known = np.isfinite(table).all(axis=1)
    at = np.floor((clip.trace.time_s - start_s) / STEP_S).astype(int)
    use = known & (at >= 0) & (at < count)
    total = np.zeros((count, 3))
    weight = np.bincount(at[use], minlength=count).astype(float)
    for j in range(3):
        total[:, j] = np.bincount(at[use], weights=table[use, j], minlength=count)
    with np.errstate(invalid="ignore", divide="ignore"):
        binned = total / weight[:, None]
    return _bridged(binned)


def _bridged(binned: Floats) -> Floats:
    """Fill gaps of one or two steps, as a slow camera leaves them, from their neighbours."""
    known = np.flatnonzero(np.isfinite(binned[:, 0]))
    for left, right in pairwise(known):
        if 1 < right - left <= 3:
            for i in range(left + 1, right):
                share = (i - left) / (right - left)
                binned[i] = (1 - share) * binned[left] + share * binned[right]
    return binned


def last_above(time_s: Floats, opacity: Floats) -> float:
    """Last time the opacity, smoothed over half a second, is above the clear level; 0 if never."""
    known = np.isfinite(opacity)
    if not known.any():
        return 0.0
    even = np.interp(time_s, time_s[known], opacity[known])
    wide = round(0.5 / STEP_S)
    smooth = np.convolve(even, np.ones(wide) / wide, mode="same")
    above = np.flatnonzero(smooth > CLEAR_PCT)
    return float(time_s[above[-1]]) if above.size else 0.0
