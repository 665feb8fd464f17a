"""Opacity over a span of time, with its 95 % interval."""

import math

import numpy as np

from smokecase.readings import Examination

LEAST_READ = 0.5  # of a span's pictures: where fewer could be read, they do not speak for it
PEAK_HALF_WIDTH_S = 0.15  # the peak's interval is the mean over this time around it


def span_at_peak(examination: Examination) -> tuple[float, float, float] | None:
    """Opacity at the peak with its 95 % bounds; nan where one is open. [% opacity].

    None where it could not be read.
    """
    timing = examination.timing
    if timing.peak_s is None:
        return None
    told = (timing.peak_low_pct, timing.peak_high_pct)
    if timing.peak_pct is not None and told != (None, None) and not examination.refused:
        low, high = (math.nan if bound is None else bound for bound in told)
        return timing.peak_pct, low, high
    near = (timing.peak_s - PEAK_HALF_WIDTH_S, timing.peak_s + PEAK_HALF_WIDTH_S)
    return bounds_over(examination, timing.peak_pct, near)


def bounds_over(
    examination: Examination, value_pct: float | None, span: tuple[float, float]
) -> tuple[float, float, float] | None:
    """Value with the mean interval of a time span; None where too little was read. [% opacity].

    The span goes from one time to another [s]; without a value, its mean stands for it. The errors
    of neighbouring frames are not independent, so the interval of a mean is taken as wide as that
    of one frame.
    """
    trace = examination.trace
    inside = (trace.time_s >= span[0]) & (trace.time_s <= span[1])
    read = inside & np.isfinite(trace.opacity_pct)
    if not read.any() or read.sum() < LEAST_READ * inside.sum():
        return None
    inside = read
    middle = trace.opacity_pct[inside]
    value = float(middle.mean()) if value_pct is None else value_pct
    bounds = []
    for column, sign in ((trace.opacity_low_pct, -1), (trace.opacity_high_pct, 1)):
        reach = np.abs(column[inside] - middle)
        known = reach[np.isfinite(reach)]
        bounds.append(value + sign * known.mean() if known.size == reach.size else math.nan)
    return value, bounds[0], bounds[1]
