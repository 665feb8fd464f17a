"""Peaks of free accelerations through the published low-pass filter, and whether they count.

    Y_i = Y_(i-1) + E (S_i + 2 S_(i-1) + S_(i-2) - 4 Y_(i-2)) + K (Y_(i-1) - Y_(i-2))

with E and K from the cut-off frequency ``fc``, which is driven until a step rises from 10 to 90 %
within the wanted time. What is filtered is the optical depth, as a smoke meter's k is, and the
peaks come back as opacity. On a camera's opacity all of it is indicative.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smokecase.measured import Measured
from smokecase.trace import SmokeTrace

Floats = NDArray[np.float64]

D = 0.618034  # Bessel constant, 2005/55/EC annex III app. 1, 6
FREE_ACCELERATION_S = 0.5  # overall response, SAE J1667 (from memory)
LOAD_RESPONSE_S = 1.0  # overall response, UN R49 and 2005/55/EC
LOWEST_RATE_HZ = 20.0  # 2005/55/EC
PRELIMINARY = 3  # accelerations that do not count; WAC 173-422-075, SAE J1667 (from memory)
IN_A_ROW = 3  # SAE J1667 (from memory)
LARGEST_SPREAD_PCT = 5.0  # SAE J1667 (from memory)
LEAST_IDLE_S, LONGEST_IDLE_S = 10.0, 45.0  # WAC 173-422-075
SUCCESSIVE = 4  # UN R24 (from memory)
BAND_OF_MEAN = 0.25  # UN R24 (from memory)
DENSEST_PCT = 99.5  # opacity beyond which the optical depth is not followed: a camera sees no more


@dataclass(frozen=True, slots=True, kw_only=True)
class LowPass:
    """The filter's coefficients for one sampling rate."""

    rate_hz: float
    cut_off_hz: float
    e: float
    k: float
    t10_s: float  # a step from 0 at time 0 reaches 10 % then
    t90_s: float

    def apply(self, signal: NDArray[np.float64]) -> Floats:
        """Filter an evenly sampled signal that was 0 before it began, shape (n,)."""
        from scipy.signal import lfilter

        e, k = self.e, self.k
        return np.asarray(lfilter([e, 2 * e, e], [1.0, -(1 + k), 4 * e + k], signal))


def design_low_pass(
    rate_hz: float,
    *,
    overall_response_s: float = FREE_ACCELERATION_S,
    physical_response_s: float = 0.0,
    electrical_response_s: float = 0.0,
    within: float = 1e-9,
    pi: float = math.pi,
) -> LowPass:
    """Design the filter that gives a meter the wanted overall response.

    Parameters
    ----------
    rate_hz : float
        Sampling rate. [1/s]
    overall_response_s, physical_response_s, electrical_response_s : float
        Rise times, 10 to 90 %: wanted, and those the meter has already. [s]
    within : float
        Share of the wanted rise time at which the search stops; the regulations stop at 0.01.
    pi : float
        The regulation's example was worked with 3.1415.

    Raises
    ------
    ValueError
        If the meter is slower than the wanted response, or the rate is too low for it.

    Source
    ------
    1999/96/EC, 2005/55/EC annex III app. 1, 6, and UN R49: equations from memory, confirmed by
    reproducing every published digit of the worked example.
    """
    left = overall_response_s**2 - physical_response_s**2 - electrical_response_s**2
    if left <= 0:
        msg = f"overall_response_s must exceed that of the meter (got {overall_response_s})"
        raise ValueError(msg)
    wanted_s = math.sqrt(left)
    if rate_hz * wanted_s < 4:
        msg = f"rate_hz must be at least {4 / wanted_s:.0f} for this response (got {rate_hz:g})"
        raise ValueError(msg)
    cut_off_hz = pi / (10 * wanted_s)
    for _ in range(200):
        found = _with_cut_off(rate_hz, cut_off_hz, wanted_s, pi)
        rise_s = found.t90_s - found.t10_s
        if abs(rise_s - wanted_s) <= within * wanted_s:
            return found
        cut_off_hz *= 1 + (rise_s - wanted_s) / rise_s
        if within >= 0.001:  # the regulation's own way of working: six digits
            cut_off_hz = round(cut_off_hz, 6)
    msg = f"no filter found for rate_hz {rate_hz:g} and a rise of {wanted_s:g} s"
    raise ValueError(msg)


def _with_cut_off(rate_hz: float, cut_off_hz: float, wanted_s: float, pi: float) -> LowPass:
    omega = 1.0 / math.tan(pi * cut_off_hz / rate_hz)
    e = 1.0 / (1.0 + omega * math.sqrt(3 * D) + D * omega**2)
    k = 2 * e * (D * omega**2 - 1) - 1
    found = LowPass(rate_hz=rate_hz, cut_off_hz=cut_off_hz, e=e, k=k, t10_s=0.0, t90_s=0.0)
    step = found.apply(np.ones(math.ceil(6 * wanted_s * rate_hz) + 4))
    t10_s, t90_s = (_crossing(step, level) / rate_hz for level in (0.1, 0.9))
    return LowPass(rate_hz=rate_hz, cut_off_hz=cut_off_hz, e=e, k=k, t10_s=t10_s, t90_s=t90_s)


def _crossing(step: Floats, level: float) -> float:
    """Index, with its fraction, where a rising step first reaches a level."""
    i = int(np.argmax(step >= level))
    before = step[i - 1] if i else 0.0
    return float(i - 1 + (level - before) / (step[i] - before))


@dataclass(frozen=True, slots=True, kw_only=True)
class Peak:
    """One acceleration's highest filtered opacity."""

    time_s: float
    opacity: Measured  # [%]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One published condition, and whether the accelerations meet it."""

    words: str
    source: str
    held: bool | None  # None: too few accelerations to tell
    found: str


def filter_opacity(trace: SmokeTrace, *, low_pass: LowPass | None = None) -> tuple[Floats, Floats]:
    """Filter the opacity at the measuring section, brought to even steps.

    Returns
    -------
    time_s, opacity_pct : ndarray, shape (m,)
        Empty where fewer than half of the frames gave a reading.

    Raises
    ------
    ValueError
        If there are fewer pictures a second than the filter may be used with.
    """
    readable = np.isfinite(trace.opacity_pct)
    if readable.sum() < max(2, len(trace) / 2):
        return np.empty(0), np.empty(0)
    time_s = trace.time_s[readable]
    rate_hz = picture_rate(trace)
    if rate_hz < LOWEST_RATE_HZ - 0.5:  # 19.98 pictures a second are meant as 20
        msg = (
            f"trace must have at least {LOWEST_RATE_HZ:g} pictures a second for this filter "
            f"(got {rate_hz:.1f})"
        )
        raise ValueError(msg)
    even_s = np.arange(time_s[0], time_s[-1], 1 / rate_hz)
    opacity = np.interp(even_s, time_s, trace.opacity_pct[readable])
    depth = -np.log1p(-np.minimum(opacity, DENSEST_PCT) / 100.0)
    chosen = low_pass or design_low_pass(rate_hz)
    filtered = chosen.apply(depth - depth[0]) + depth[0]  # it stood at its first value before
    return even_s, -100.0 * np.expm1(-filtered)


def picture_rate(trace: SmokeTrace) -> float:
    """Tell the pictures a second, from the median step [1/s]; 0 for less than two."""
    return 1.0 / float(np.median(np.diff(trace.time_s))) if len(trace) > 1 else 0.0


def find_peaks_of(trace: SmokeTrace, *, least_pct: float = 5.0) -> list[Peak]:
    """Find each acceleration's peak in the filtered opacity.

    A peak stands at least `least_pct` above the valleys beside it and 3 s from a higher one (common
    practice, no source). Its interval is that of the frames in the half second before it, which
    the filter weighs.

    Raises
    ------
    ValueError
        If there are too few pictures a second.
    """
    from scipy.signal import find_peaks

    time_s, filtered = filter_opacity(trace)
    if not time_s.size:
        return []
    apart = max(1, round(3.0 / float(time_s[1] - time_s[0])))
    padded = np.concatenate([[filtered.min()], filtered, [filtered.min()]])
    places, _ = find_peaks(padded, prominence=least_pct, distance=apart)
    return [_peak(trace, float(time_s[i - 1]), float(filtered[i - 1])) for i in places]


def _peak(trace: SmokeTrace, at_s: float, opacity_pct: float) -> Peak:
    near = (trace.time_s > at_s - FREE_ACCELERATION_S) & (trace.time_s <= at_s + 1e-9)
    near &= np.isfinite(trace.opacity_pct)
    below = float(np.mean(trace.opacity_pct[near] - trace.opacity_low_pct[near]))
    above = float(np.mean(trace.opacity_high_pct[near] - trace.opacity_pct[near]))
    opacity = Measured(
        value=opacity_pct, u=max(below, above) / 1.96, unit="%",
        low=opacity_pct - max(below, 0.0), high=opacity_pct + max(above, 0.0),
    )  # fmt: skip
    return Peak(time_s=at_s, opacity=opacity)


def check_accelerations(peaks_pct: Sequence[float], times_s: Sequence[float]) -> list[Rule]:
    """Check a run of accelerations against the published conditions.

    Parameters
    ----------
    peaks_pct, times_s : sequence of float
        Filtered peak of each acceleration in their order [%], and when [s].
    """
    return [
        _preliminary(len(peaks_pct)),
        _spread(peaks_pct),
        _within_band(peaks_pct),
        _not_falling(peaks_pct),
        _pauses(times_s),
    ]


def _preliminary(count: int) -> Rule:
    needed = PRELIMINARY + IN_A_ROW
    return Rule(
        words=f"at least {PRELIMINARY} accelerations to clear the pipe, then {IN_A_ROW} that count",
        source="WAC 173-422-075; SAE J1667 (from memory)",
        held=count >= needed,
        found=f"{count} in this clip",
    )


def _spread(peaks_pct: Sequence[float]) -> Rule:
    last = list(peaks_pct[-IN_A_ROW:])
    known = len(last) == IN_A_ROW
    spread = max(last) - min(last) if known else math.nan
    return Rule(
        words=f"the last {IN_A_ROW} lie within {LARGEST_SPREAD_PCT:g} % opacity of one another",
        source="SAE J1667 (from memory)",
        held=spread <= LARGEST_SPREAD_PCT if known else None,
        found=f"they spread over {spread:.1f} %" if known else "too few accelerations",
    )


def _within_band(peaks_pct: Sequence[float]) -> Rule:
    last = np.array(peaks_pct[-SUCCESSIVE:])
    known = last.size == SUCCESSIVE
    off = float(np.max(np.abs(last - last.mean())) / max(abs(last.mean()), 1e-9)) if known else 0.0
    return Rule(
        words=f"{SUCCESSIVE} in a row lie within {100 * BAND_OF_MEAN:g} % of their mean",
        source="UN R24 (from memory)",
        held=off <= BAND_OF_MEAN + 1e-12 if known else None,
        found=f"the furthest is {100 * off:.0f} % off the mean"
        if known
        else "too few accelerations",
    )


def _not_falling(peaks_pct: Sequence[float]) -> Rule:
    last = np.array(peaks_pct[-SUCCESSIVE:])
    known = last.size == SUCCESSIVE
    falling = bool(known and np.all(np.diff(last) < 0))
    return Rule(
        words=f"the last {SUCCESSIVE} do not fall from one to the next",
        source="UN R24 (from memory)",
        held=not falling if known else None,
        found=("they fall" if falling else "they do not") if known else "too few accelerations",
    )


def _pauses(times_s: Sequence[float]) -> Rule:
    pauses = np.diff(np.array(times_s, dtype=np.float64))
    known = pauses.size > 0
    right = bool(known and pauses.min() >= LEAST_IDLE_S and pauses.max() <= LONGEST_IDLE_S)
    return Rule(
        words=f"from one peak to the next {LEAST_IDLE_S:g} to {LONGEST_IDLE_S:g} s",
        source="WAC 173-422-075 (there counted as idle between accelerations)",
        held=right if known else None,
        found=f"{pauses.min():.0f} to {pauses.max():.0f} s" if known else "too few accelerations",
    )
