"""Which beats repeat in a sound, and how fast, over time.

An engine is heard in two ways: its exhaust pulses are sound themselves (below some 500 1/s), and
they swell and ebb its hiss and clatter (above). Both are short-time spectra here, each line taken
against the noise floor beside it; a comb of equally spaced teeth slides over them, and the path of
best combs that moves no faster than an engine can is the beat's track.

Public: `Beats` (the spectra), `hear_beats`, `BeatTrack`, `follow_beat`.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter, uniform_filter1d
from scipy.signal import butter, decimate, sosfiltfilt

Floats = NDArray[np.float64]
RATE_HZ = 1000.0  # of pulse and swell
WINDOW_S = 0.512
HOP_S = 0.064
TOP_HZ = 330.0  # highest tooth
LOWEST_HZ, HIGHEST_HZ = 6.0, 200.0  # of the beat that is followed
LOUDEST = 12.0  # of a burst over the mean; a knock at the microphone must not rule
STEP = 1.01  # ratio of neighbouring candidates


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Beats:
    """The two signals an engine is heard in, and their short-time spectra."""

    pulse: Floats  # (n,) low sound, loudness evened out, at RATE_HZ
    swell: Floats  # (n,) envelope of the high sound, likewise
    # the same, not compressed: bursts as strong as they are, each band over its mean, less 1
    bands: Floats  # (3, n) lowest first
    time_s: Floats  # (m,) middle of each window, from the first sample
    frequency_hz: Floats  # (k,)
    excess: Floats  # (m, k) log of line over floor, both signals added, none below 0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BeatTrack:
    """The beat followed through the clip; one of a family that differ by whole ratios."""

    time_s: Floats  # (m,)
    beat_hz: Floats  # (m,)
    strength: Floats  # (m,) teeth against gaps; about 0 +/- `scatter` where nothing repeats
    scatter: float


def hear_beats(samples: NDArray[np.float32], rate_hz: int) -> Beats:
    """Split a sound into pulse and swell and take their spectra.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Mono sound, at least a second.
    rate_hz : int
        Its rate, a whole multiple of 1000. [1/s]

    Raises
    ------
    ValueError
        If the rate is no whole multiple of 1000 or the sound is shorter than a second.
    """
    factor = round(rate_hz / RATE_HZ)
    if factor * RATE_HZ != rate_hz or len(samples) < rate_hz:
        msg = (
            f"samples must last a second at a multiple of 1000 1/s (got {len(samples)}, {rate_hz})"
        )
        raise ValueError(msg)
    x = samples.astype(np.float64)
    pulse = _even(decimate(x, factor, ftype="fir"))
    swell, bands = np.zeros(len(pulse)), []
    for low, high in ((400.0, 1000.0), (1000.0, 2000.0), (2000.0, 3600.0)):
        band = sosfiltfilt(butter(2, (low, high), "band", fs=rate_hz, output="sos"), x)
        hull = np.maximum(decimate(np.abs(band), factor, ftype="fir"), 0.0)
        floor = 1e-3 * float(hull.mean()) + 1e-9
        swell += np.log(hull + floor) - uniform_filter1d(np.log(hull + floor), 300)
        bands.append(np.minimum(hull / (uniform_filter1d(hull, 400) + floor), LOUDEST) - 1.0)
    swell = np.clip(swell, -6, 6)
    time_s, frequency, first = _spectra(pulse)
    _, _, second = _spectra(swell)
    keep = frequency <= TOP_HZ + 10
    excess = _excess(first[:, keep]) + _excess(second[:, keep])
    return Beats(
        pulse=pulse,
        swell=swell,
        bands=np.stack(bands),
        time_s=time_s,
        frequency_hz=frequency[keep],
        excess=excess,
    )


def _even(x: Floats) -> Floats:
    """Low sound without what is below 12 1/s, each 0.4 s as loud as the next."""
    x = sosfiltfilt(butter(2, 12.0, "high", fs=RATE_HZ, output="sos"), x)
    loud = np.sqrt(np.maximum(uniform_filter1d(x**2, 400), 0.0))
    return np.asarray(x / (loud + 1e-2 * float(loud.mean()) + 1e-9), dtype=np.float64)


def _spectra(x: Floats) -> tuple[Floats, Floats, Floats]:
    size, hop = round(WINDOW_S * RATE_HZ), round(HOP_S * RATE_HZ)
    rows = np.lib.stride_tricks.sliding_window_view(x, size)[::hop]
    power = np.abs(np.fft.rfft(rows * np.hanning(size), 2 * size)) ** 2
    time_s = (np.arange(len(rows)) * hop + size / 2) / RATE_HZ
    frequency_hz: Floats = np.asarray(np.fft.rfftfreq(2 * size, 1 / RATE_HZ), dtype=np.float64)
    return np.asarray(time_s, dtype=np.float64), frequency_hz, np.asarray(power, dtype=np.float64)


def _excess(power: Floats) -> Floats:
    """Log of each line over the median of its neighbourhood, between 0 and 3."""
    floor = median_filter(power, size=(1, 61), mode="nearest")  # 60 1/s wide
    floor = np.maximum(floor, 1e-9 * float(power.max()) + 1e-300)
    return np.asarray(np.clip(np.log(power / floor), 0.0, 3.0), dtype=np.float64)


def candidates_hz() -> Floats:
    """All beats that are tried. [1/s]."""
    count = int(np.log(HIGHEST_HZ / LOWEST_HZ) / np.log(STEP)) + 1
    return np.asarray(LOWEST_HZ * STEP ** np.arange(count), dtype=np.float64)


def comb_strength(beats: Beats) -> Floats:
    """Mean of the teeth less mean of the gaps, for every window and candidate; (m, c)."""
    out = np.empty((len(beats.time_s), len(candidates_hz())))
    step = beats.frequency_hz[1]
    for j, f in enumerate(candidates_hz()):
        count = max(2, min(12, int(TOP_HZ / f)))
        teeth = f * np.arange(1, count + 1)
        teeth = teeth[teeth <= TOP_HZ]
        teeth = teeth[teeth >= 10.0]
        gaps = teeth - f / 2
        on, off = np.rint(teeth / step).astype(int), np.rint(gaps / step).astype(int)
        level = beats.excess[:, on].mean(axis=1) - beats.excess[:, off].mean(axis=1)
        # few teeth scatter more: weigh by the square root of their number, with a ceiling
        out[:, j] = level * np.sqrt(min(len(teeth), 8) / 8.0)
    return out


def follow_beat(beats: Beats) -> BeatTrack:
    """Follow the path of strongest combs that an engine could take.

    Viterbi over windows; the beat may change by some 10 % between windows 64 ms apart at a price
    that grows with the change, and jump at a high fixed price.
    """
    strength = comb_strength(beats)
    steps = np.arange(-10, 11)
    price = 0.04 * np.abs(steps)
    jump = 1.2
    m, c = strength.shape
    best = strength[0].copy()
    came = np.zeros((m, c), dtype=np.int32)
    for i in range(1, m):
        padded = np.pad(best, 10, constant_values=-np.inf)
        moved = np.lib.stride_tricks.sliding_window_view(padded, 21) - price
        from_ = moved.argmax(axis=1)
        value = moved[np.arange(c), from_]
        top = int(best.argmax())
        leap = best[top] - jump > value
        came[i] = np.where(leap, top, np.arange(c) + from_ - 10)
        best = np.where(leap, best[top] - jump, value) + strength[i]
    path = np.empty(m, dtype=np.int64)
    path[-1] = int(best.argmax())
    for i in range(m - 1, 0, -1):
        path[i - 1] = came[i, path[i]]
    chosen = strength[np.arange(m), path]
    scatter = float(np.median(np.abs(strength)) / 0.6745)
    return BeatTrack(
        time_s=beats.time_s, beat_hz=candidates_hz()[path], strength=chosen, scatter=scatter
    )
