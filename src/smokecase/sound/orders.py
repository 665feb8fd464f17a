"""The sound against the turning of the engine: lines at orders instead of frequencies.

Time is stretched so that every beat lasts equally long; what hangs on the turning then stands in
sharp lines, and what does not spreads into a floor. The beat's track is first sharpened by the
phase that its own harmonics gain from one short window to the next.

Public: `Stretch` (a stretch of steady running), `sharpen`,
`OrderSpectrum`, `order_spectrum`.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.signal import resample_poly

from smokecase.sound.periods import RATE_HZ, TOP_HZ, Beats

Floats = NDArray[np.float64]
PER_BEAT = 128  # samples per beat after stretching: harmonics up to 60 are kept
SPAN_S = 1.6  # of one window of the order spectrum
PHASE_STEP_S = 0.064
PHASE_SPAN_S = 0.256


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stretch:
    """Some seconds of running, with the beat's rate at every sample."""

    begin: int  # first sample of the pulse
    end: int
    beat_hz: Floats  # (end - begin,)
    u_beat: float  # relative standard uncertainty of the mean rate
    wander: Floats  # (w,) relative changes of the beat's rate found while sharpening
    settled: bool  # the run-up is over
    coherence: float  # how well the phases of neighbouring windows agree [0 to 1]

    @property
    def duration_s(self) -> float:
        """Length. [s]."""
        return (self.end - self.begin) / RATE_HZ


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OrderSpectrum:
    """Power over order, order 1 being the beat."""

    order: Floats  # (k,)
    power: Floats  # (k,) mean over the windows
    windows: float  # how many independent ones


def sharpen(beats: Beats, stretch: Stretch, *, turns: int = 3) -> Stretch:
    """Follow the beat's rate more closely, by the phases of its harmonics.

    For windows i and i + 1, `step` apart, the product of harmonic h turns by
    ``2 pi h (true - assumed) step``; the shift that lines all harmonics up is searched.
    """
    rate = stretch.beat_hz.copy()
    n = len(rate)
    size, hop = round(PHASE_SPAN_S * RATE_HZ), round(PHASE_STEP_S * RATE_HZ)
    if n < 4 * size:
        return stretch
    signals = [s[stretch.begin : stretch.end] for s in (beats.pulse, beats.swell)]
    shifts = np.linspace(-1.0, 1.0, 201)
    middle = np.arange((n - size) // hop) * hop + size / 2 + hop / 2
    agree = 0.0
    for turn in range(turns):
        phase = np.concatenate([[0.0], np.cumsum(rate[:-1])]) / RATE_HZ
        mean_hz = float(rate.mean())
        harmonics = np.arange(1, max(2, min(8, int(TOP_HZ / mean_hz))) + 1)
        reach = min(0.03 * mean_hz, 0.45 / (PHASE_STEP_S * harmonics[min(3, len(harmonics) - 1)]))
        total = np.zeros((len(middle), len(shifts)))
        norm = np.zeros(len(middle))
        for x in signals:
            for h in harmonics:
                z = x * np.exp(-2j * np.pi * h * phase)
                rows = np.lib.stride_tricks.sliding_window_view(z, size)[::hop]
                part = (rows * np.hanning(size)).sum(axis=1)
                product = part[1:] * np.conj(part[:-1])
                product = product[: len(middle)]
                product /= np.sqrt(np.abs(product)) + 1e-9  # strong lines must not rule alone
                turning = np.exp(-2j * np.pi * h * shifts * reach * PHASE_STEP_S)
                total += np.real(product[:, np.newaxis] * turning)
                norm += np.abs(product)
        # neighbouring windows share their vote: an engine's speed does not jump
        total = gaussian_filter1d(total, 1.5 if turn else 3.0, axis=0)
        best = total.argmax(axis=1)
        found = _peak(total, best) * (shifts[1] - shifts[0]) * reach + shifts[best] * reach
        agree = float(np.mean(total.max(axis=1) / (gaussian_filter1d(norm, 1.5) + 1e-9)))
        rate = rate + np.interp(np.arange(n), middle, gaussian_filter1d(found, 1.0))
    wander = np.interp(middle, np.arange(n), rate) / rate.mean() - 1.0
    return Stretch(
        begin=stretch.begin, end=stretch.end, beat_hz=rate,
        u_beat=_u_mean(wander, n / RATE_HZ), wander=wander, coherence=agree,
        settled=stretch.settled,
    )  # fmt: skip


def _u_mean(wander: Floats, duration_s: float) -> float:
    """Relative standard uncertainty of the mean rate as the idle's, the run-up being over.

    The speed wanders over about a second, so a short stretch is one sample of it.
    """
    drift, spread = _drift(wander)
    return float(np.sqrt(0.0007**2 + spread**2 / duration_s + (0.15 * drift) ** 2))


def _drift(wander: Floats) -> tuple[float, float]:
    """Relative change from the first to the last window by a straight line, spread about it."""
    at = np.linspace(-0.5, 0.5, len(wander))
    drift = float(12.0 * np.mean(at * wander))
    return drift, float(np.std(wander - drift * at))


def _peak(rows: Floats, best: NDArray[np.int64]) -> Floats:
    """Fraction of a step by which the parabola through three points peaks off the middle."""
    inside = np.clip(best, 1, rows.shape[1] - 2)
    i = np.arange(len(rows))
    left, mid, right = rows[i, inside - 1], rows[i, inside], rows[i, inside + 1]
    bend = left - 2 * mid + right
    part = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, 1.0), 0.0)
    return np.where(best == inside, np.clip(part, -0.5, 0.5), 0.0)


def stretched(x: Floats, stretch: Stretch) -> Floats:
    """`x` over the stretch, resampled to `PER_BEAT` samples a beat."""
    phase = np.concatenate([[0.0], np.cumsum(stretch.beat_hz[:-1])]) / RATE_HZ
    at = np.arange(0.0, phase[-1], 1.0 / PER_BEAT)
    # the signal is band-limited well below half its rate, yet straight lines between samples
    # would dull its top: go to four times the rate first
    fine = resample_poly(x[stretch.begin : stretch.end], 4, 1)
    when = np.interp(at, phase, np.arange(len(phase)))
    return np.asarray(np.interp(when * 4, np.arange(len(fine)), fine), dtype=np.float64)


def order_spectrum(x: Floats, stretch: Stretch, *, span_s: float = SPAN_S) -> OrderSpectrum:
    """Averaged power of `x` over orders of the beat.

    Windows overlap by half; each is scaled so that a sine of amplitude 1 gives 1/2 at its peak.
    """
    y = stretched(x, stretch)
    beats = max(6, round(span_s * float(stretch.beat_hz.mean())))
    size = min(beats * PER_BEAT, len(y))
    hop = max(1, size // 2)
    rows = np.lib.stride_tricks.sliding_window_view(y, size)[::hop]
    window = np.hanning(size)
    power = np.abs(np.fft.rfft(rows * window, 2 * size)) ** 2 * 2.0 / window.sum() ** 2
    order: Floats = np.asarray(np.fft.rfftfreq(2 * size, 1.0 / PER_BEAT), dtype=np.float64)
    keep = order <= min(PER_BEAT / 2, TOP_HZ / float(stretch.beat_hz.mean()))
    return OrderSpectrum(
        order=order[keep], power=power.mean(axis=0)[keep],
        windows=1.0 + 0.75 * (len(rows) - 1),  # half-overlapping Hann windows share a little
    )  # fmt: skip
