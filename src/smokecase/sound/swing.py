"""How the speed of a settled stretch varies: from cycle to cycle, and in slow swings.

Public: `measure_variation`, `weigh_hunting`.
"""

import numpy as np

from smokecase.measured import COVERAGE, Measured
from smokecase.sound.orders import Stretch
from smokecase.sound.periods import HOP_S


def measure_variation(stretch: Stretch) -> Measured:
    """Measure the speed's standard deviation over quarter seconds, relative to its mean."""
    value = 100.0 * float(np.std(stretch.wander))
    u = value / np.sqrt(2.0 * max(3.0, stretch.duration_s / 0.5)) + 30.0 * stretch.u_beat
    half = COVERAGE * float(u)
    return Measured(
        value=value, u=float(u), unit="%", low=max(0.0, value - half), high=value + half
    )


def weigh_hunting(stretch: Stretch) -> float | None:
    """Weight that the speed swings slowly and regularly; None below 4 s."""
    w = stretch.wander - np.polyval(
        np.polyfit(np.arange(len(stretch.wander)), stretch.wander, 1),
        np.arange(len(stretch.wander)),
    )
    if stretch.duration_s < 4.0:
        return None
    power = np.abs(np.fft.rfft(w * np.hanning(len(w)), 4 * len(w))) ** 2
    f = np.fft.rfftfreq(4 * len(w), HOP_S)
    band = (f > 0.2) & (f < 2.5)
    peak_hz = float(f[band][power[band].argmax()])
    share = power[np.abs(f - peak_hz) < 2.0 / stretch.duration_s].sum() / power.sum()
    swing_pct = 100.0 * np.sqrt(2.0 * share) * float(w.std())
    even = 1 / (1 + np.exp(-(share - 0.6) / 0.07))
    large = 1 / (1 + np.exp(-(swing_pct - 1.5) / 0.3))
    return float(even * large)
