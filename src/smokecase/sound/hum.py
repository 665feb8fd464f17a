"""Takes mains hum out of a sound: a lamp, a charger or a pump beside the engine.

Hum stands at whole multiples of 50 or 60 1/s and keeps its phase through the whole clip. No
engine does: a speed that wanders by 0.2 % loses its phase at 50 1/s within seconds. So only lines
whose phase holds from beginning to end are taken out, and nothing else of their frequency.

Public: `without_hum`.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter, uniform_filter1d
from scipy.signal import decimate

Floats = NDArray[np.float64]
MAINS_HZ = (50.0, 60.0)  # nominal; a grid holds it within 0.2 % (EN 50160: 1 % in 99.5 % of a year)
OFF = 0.002
HARMONICS = 16
SHORTEST_S = 4.0  # a shorter sound cannot tell a held phase from chance
STEP_S = 0.25
HELD = 0.9  # length of the mean amplitude over the mean length, all steps of the clip
PLAIN = 30.0  # power of a line of the whole clip over its neighbours


def without_hum(samples: NDArray[np.float32], rate_hz: int) -> NDArray[np.float32]:
    """Give the sound without mains hum; the same samples where there is none.

    Parameters
    ----------
    samples : ndarray, shape (n,)
    rate_hz : int
        A whole multiple of 1000. [1/s]
    """
    if len(samples) < SHORTEST_S * rate_hz:
        return samples
    low = decimate(samples.astype(np.float64), rate_hz // 1000, ftype="fir")
    out: Floats | None = None
    for nominal in MAINS_HZ:
        base_hz = _base(low, nominal)
        if base_hz is None:
            continue
        before = samples if out is None else out
        out = _taken_out(np.asarray(before, dtype=np.float64), rate_hz, base_hz)
    return samples if out is None else out.astype(np.float32)


def _base(low: Floats, nominal_hz: float) -> float | None:
    """Frequency near the nominal one whose multiples stand out most; None where none does."""
    # each quarter second as loud as the next: hum is heard best before the engine runs
    low = low / np.sqrt(
        uniform_filter1d(low**2, round(STEP_S * 1000)) + 1e-6 * float(np.mean(low**2)) + 1e-18
    )
    size = 4 * len(low)
    power = np.abs(np.fft.rfft(low * np.hanning(len(low)), size)) ** 2
    step = 1000.0 / size
    best, base_hz = np.log(PLAIN), None
    lines = np.arange(1, int(450.0 / nominal_hz))
    beside = round(1.5 / step)
    middles = np.rint(lines * nominal_hz / step).astype(int)
    floors = np.array([np.median(power[m - beside : m + beside]) for m in middles])
    for hz in np.arange(nominal_hz * (1 - OFF), nominal_hz * (1 + OFF), step / len(lines)):
        at = np.rint(lines * hz / step).astype(int)
        score = float(np.mean(np.log1p(power[at] / floors)))
        # one strong line may be the engine's; several at exact multiples are not
        if score > best:
            best, base_hz = score, float(hz)
    return base_hz


def _taken_out(x: Floats, rate_hz: int, base_hz: float) -> Floats:
    t = np.arange(len(x)) / rate_hz
    step = round(STEP_S * rate_hz)
    rows = len(x) // step
    loud = x[: rows * step].reshape(rows, step).std(axis=1)
    # an engine would cover a faint hum: the quieter half of the clip tells it
    quiet = loud <= np.median(loud)
    middle, at = (np.arange(rows) + 0.5) * step, np.arange(len(x))
    for h in range(1, HARMONICS + 1):
        carrier = np.exp(-2j * np.pi * h * base_hz * t)
        parts = (x * carrier)[: rows * step].reshape(rows, step).mean(axis=1)
        if _held(parts[quiet]) < HELD:
            continue
        # the phone's automatic gain changes it slowly; under the engine the quiet half must do
        parts = parts if _held(parts) > HELD else np.where(quiet, parts, parts[quiet].mean())
        slow = _slow(parts.real) + 1j * _slow(parts.imag)
        level = np.interp(at, middle, slow.real) + 1j * np.interp(at, middle, slow.imag)
        x = x - 2.0 * np.real(level * np.conj(carrier))
    return x


def _held(parts: NDArray[np.complex128]) -> float:
    """How far all steps have one phase. [0 to 1]."""
    return float(np.abs(parts.mean()) / max(float(np.abs(parts).mean()), 1e-12))


def _slow(x: Floats) -> Floats:
    return np.asarray(uniform_filter1d(median_filter(x, 5), 5), dtype=np.float64)
