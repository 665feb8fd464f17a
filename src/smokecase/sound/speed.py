"""How fast the engine turns: every reading of the beat is weighed against the lines.

The beat that was followed may be the firing frequency or differ from it by a whole ratio. Each
hypothesis (cylinders n, ratio of firing frequency to beat) says where lines stand: strong ones at
the firing harmonics, weaker ones at the other orders of the engine cycle, none between these.
Each gets the likelihood of the lines that were found, and a prior on idle speeds.

    firing frequency = speed / 60 * cylinders / (strokes / 2)

Public: `speed_per_min`, `Reading`, `weigh_readings`, `Lines`, `lines_at`.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, percentile_filter

from smokecase.sound.orders import OrderSpectrum

Floats = NDArray[np.float64]
RATIOS = (1 / 6, 1 / 5, 1 / 4, 1 / 3, 1 / 2, 2 / 3, 1.0, 3 / 2, 2.0, 3.0, 4.0)
# how often cylinders are met in what people film; common practice, no source
CYLINDERS = {1: 0.08, 2: 0.09, 3: 0.14, 4: 0.38, 5: 0.06, 6: 0.14, 8: 0.11}
# idle speeds, median and spread of the logarithm; common practice, no source
IDLE_PER_MIN, IDLE_SPREAD = 800.0, 0.22
LOWEST_PER_MIN, HIGHEST_PER_MIN = 350.0, 5000.0
LOW_THIRD = 1.35  # mean of such places over their 35th percentile, by simulated noise
# the tracker takes the strongest comb, and that is the firing frequency nine times in ten
RATIO_PRICE = {1.0: 0.0, 2.0: 5.0, 1 / 2: 5.0}  # others
OTHER_RATIO_PRICE = 10.0
TWIN_PRICE = 3.0  # of twice the beat: of two cylinders told, one nearly dead leaves one a cycle
RAGGED_DB = 5.0  # firing harmonics about their own smooth level
DB = 10.0 / np.log(10.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One way to read the beat."""

    cylinders: int
    ratio: float  # firing frequency over beat
    speed_per_min: float
    weight: float  # all readings sum to 1
    fit: float  # log likelihood of the lines, against lines nowhere


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lines:
    """Height of lines at given orders over the floor beside them."""

    order: Floats  # (k,)
    power: Floats  # (k,)
    floor: Floats  # (k,)


def lines_at(spectrum: OrderSpectrum, orders: Floats, *, apart: float) -> Lines:
    """Read lines off a spectrum.

    Parameters
    ----------
    spectrum : OrderSpectrum
    orders : ndarray, shape (k,)
        Where to read.
    apart : float
        Distance of neighbouring lines of the finest comb; the floor is the median over some.
    """
    step = spectrum.order[1]
    at = np.clip(np.rint(orders / step).astype(int), 1, len(spectrum.order) - 2)
    # a line may sit half a step off: the largest of three; the floor is read off the same way, so
    # that a place without line stands at the floor. With lines on every order a third of the
    # places between stays free of them.
    largest = maximum_filter1d(spectrum.power, 3)
    wide = max(9, 2 * round(2.5 * apart / step) + 1)
    floor = percentile_filter(largest, 35, size=wide, mode="reflect") * LOW_THIRD
    return Lines(order=orders, power=largest[at], floor=floor[at] + 1e-300)


def speed_per_min(firing_hz: float, cylinders: int, strokes: int) -> float:
    """Engine speed [1/min] at which `cylinders` fire `firing_hz` times a second together.

    Examples
    --------
    >>> speed_per_min(25.0, 4, 4)
    750.0
    """
    return firing_hz * 60.0 * (strokes / 2) / cylinders


def weigh_readings(
    spectra: list[OrderSpectrum],
    beat_hz: float,
    *,
    cylinders: int | None,
    strokes: int,
) -> list[Reading]:
    """Weigh all readings of the beat, likeliest first.

    Raises
    ------
    ValueError
        If `strokes` is neither 2 nor 4, or `cylinders` is below 1.
    """
    if strokes not in (2, 4):
        msg = f"strokes must be 2 or 4 (got {strokes})"
        raise ValueError(msg)
    if cylinders is not None and cylinders < 1:
        msg = f"cylinders must be 1 or more (got {cylinders})"
        raise ValueError(msg)
    counts = {cylinders: 1.0} if cylinders else CYLINDERS
    found: list[tuple[int, float, float, float, float]] = []
    for count, prior in counts.items():
        for ratio in RATIOS:
            speed = speed_per_min(beat_hz * ratio, count, strokes)
            if not LOWEST_PER_MIN <= speed <= HIGHEST_PER_MIN:
                continue
            twin = cylinders == 2 and ratio == 2.0
            price = TWIN_PRICE if twin else RATIO_PRICE.get(ratio, OTHER_RATIO_PRICE)
            fit = sum(_fit(s, ratio, count) for s in spectra)
            found.append(
                (count, ratio, speed, fit, fit - price + np.log(prior) + _idle_prior(speed))
            )
    if not found:
        return []
    top = max(f[4] for f in found)
    weights = np.exp(np.array([f[4] for f in found]) - top)
    weights /= weights.sum()
    readings = [
        Reading(cylinders=c, ratio=r, speed_per_min=s, fit=fit, weight=float(w))
        for (c, r, s, fit, _), w in zip(found, weights, strict=True)
    ]
    return sorted(readings, key=lambda r: -r.weight)


def _idle_prior(speed_per_min: float) -> float:
    off = np.log(speed_per_min / IDLE_PER_MIN)
    # engines idle faster than usual more often than slower
    near, far = (IDLE_SPREAD, 0.6) if off > 0 else (0.75 * IDLE_SPREAD, 0.3)
    return float(
        np.log(
            0.9 * np.exp(-0.5 * (off / near) ** 2) / near
            + 0.1 * np.exp(-0.5 * (off / far) ** 2) / far
        )
    )


def _fit(spectrum: OrderSpectrum, ratio: float, count: int) -> float:
    """Log likelihood of the lines against none, tempered: neighbours are not independent."""
    finest = ratio / count
    top = spectrum.order[-2]
    # a fixed set of places for all hypotheses would be huge; instead each is charged for the
    # places it leaves empty and for those where it promises a line
    k = np.arange(1, int(top / finest) + 1)
    if len(k) < 2 * count:  # fewer than two firing harmonics to be heard: no reading
        return -1e3
    places: Floats = np.asarray(k * finest, dtype=np.float64)
    on = lines_at(spectrum, places, apart=finest)
    between = lines_at(spectrum, places - 0.5 * finest, apart=finest)
    height = DB * np.log(np.maximum(on.power / on.floor, 1e-3))
    empty = DB * np.log(np.maximum(between.power / between.floor, 1e-3))
    firing = k % count == 0
    level = _smooth(height[firing], places[firing], places, ratio * 1.5)
    noise = 10.0 / np.log(10.0) / np.sqrt(spectrum.windows)
    score = 0.0
    # firing harmonics: a ragged row around its own smooth level, against floor
    score += _gain(height[firing], np.maximum(level[firing], 6.0), RAGGED_DB, noise).sum()
    if (~firing).any():
        drops = np.array([3.0, 6.0, 10.0, 15.0, 20.0, 26.0, 32.0, 80.0])  # 80: evenly firing
        tries = [
            _gain(height[~firing], _over_floor(level[~firing] - d), 4.0, noise).sum() for d in drops
        ]
        score += float(np.logaddexp.reduce(0.5 * np.array(tries)) / 0.5 - np.log(len(drops)))
    # lines that the hypothesis says are not there
    score -= np.clip(empty - 2.0 - 2 * noise, 0, 12).sum() / 3.0
    return 0.5 * float(score)


def _over_floor(db: Floats) -> Floats:
    """Height of line plus floor over the floor."""
    return np.asarray(DB * np.log1p(np.exp(db / DB)), dtype=np.float64)


def _gain(height: Floats, expected: Floats, spread: float, noise: float) -> Floats:
    """Log likelihood ratio of a line of about the expected height to none."""
    wide = np.hypot(spread * np.clip(expected / 6.0, 0.0, 1.0), noise)
    with_line = -0.5 * ((height - expected) / wide) ** 2 - np.log(wide)
    without = -0.5 * (height / noise) ** 2 - np.log(noise)
    return np.asarray(np.clip(with_line - without, -4.0, 4.0), dtype=np.float64)


def _smooth(height: Floats, at: Floats, wanted: Floats, width: float) -> Floats:
    weights = np.exp(-0.5 * ((wanted[:, np.newaxis] - at) / width) ** 2) + 1e-6
    return np.asarray((weights * height).sum(axis=1) / weights.sum(axis=1), dtype=np.float64)
