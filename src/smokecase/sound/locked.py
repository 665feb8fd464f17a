"""What in a sound hangs on the engine's turning: lines whose phase keeps step with the cycle.

The sound is cut into engine cycles of equal length. A line at a whole order of the cycle that the
engine makes has the same phase in every block of cycles; noise, voices, tunes and hum have any
phase. So the mean of ``z_i conj(z_j)`` over pairs of blocks far enough apart is the power of the
engine alone, whatever the noise is; half-way between the orders, where no engine sounds, the same
mean shows how far chance carries it.

Public: `LockedLines`, `locked_lines`, `steps_kept`, `cut_cycles`, `PER_CYCLE`.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import resample_poly

from smokecase.sound.orders import Stretch
from smokecase.sound.periods import RATE_HZ, TOP_HZ

Floats = NDArray[np.float64]
PER_CYCLE = 512  # samples: orders up to 128, and at 350 1/min 330 1/s is order 113
TOP_ORDER = 120
BLOCK = 4  # cycles; with a Hann window nothing leaks half an order away
APART = 2  # blocks overlap by half: the nearest pairs that share no sound
FEWEST_BLOCKS = 4
BESIDE = 5  # orders on either side whose gaps tell the chance


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LockedLines:
    """Lines at the orders 1, 2, .. of the engine cycle."""

    order: NDArray[np.int64]  # (k,)
    power: Floats  # (k,) that keeps step with the cycle; noise may carry it below zero
    u_power: Floats  # (k,)
    loose: Floats  # (k,) power that does not keep step: noise, and firing that varies
    mean: NDArray[np.complex128]  # (k,) amplitude, phase counted from the first cycle
    blocks: int


def cut_cycles(x: Floats, stretch: Stretch, cycles_per_beat: float) -> Floats:
    """`x` over the whole cycles of the stretch; (cycles, PER_CYCLE)."""
    beats = np.concatenate([[0.0], np.cumsum(stretch.beat_hz[:-1])]) / RATE_HZ
    cycles = beats * cycles_per_beat
    whole = int(cycles[-1])
    at = np.arange(whole * PER_CYCLE) / PER_CYCLE
    # straight lines between samples would dull the top of the band: go to four times the rate
    fine = resample_poly(x[stretch.begin : stretch.end], 4, 1)
    when = np.interp(at, cycles, np.arange(len(cycles)))
    y = np.interp(when * 4, np.arange(len(fine)), fine)
    return np.asarray(y, dtype=np.float64).reshape(whole, PER_CYCLE)


def locked_lines(x: Floats, stretch: Stretch, cycles_per_beat: float) -> LockedLines | None:
    """Find the lines of `x` that keep step with the cycle.

    Parameters
    ----------
    x : ndarray, shape (n,)
        Pulse or swell.
    stretch : Stretch
        Sharpened.
    cycles_per_beat : float
        Engine cycles in one beat.

    Returns
    -------
    LockedLines or None
        None where the stretch is too short.
    """
    y = cut_cycles(x, stretch, cycles_per_beat)
    size = BLOCK * PER_CYCLE
    count = (len(y) - BLOCK) // (BLOCK // 2) + 1
    if count < FEWEST_BLOCKS:
        return None
    rows = np.lib.stride_tricks.sliding_window_view(y.ravel(), size)[:: size // 2]
    window = np.hanning(size)
    # a sine of amplitude 1 has the power 1/2
    z = np.fft.rfft(rows * window, axis=1) * (np.sqrt(2.0) / window.sum())
    cycle_hz = float(stretch.beat_hz.mean()) * cycles_per_beat
    order = np.arange(1, min(TOP_ORDER, int(TOP_HZ / cycle_hz)) + 1)
    power = _in_step(z)
    at, gap = BLOCK * order, BLOCK * order + BLOCK // 2
    gaps = power[gap]
    chance = np.array([np.mean(gaps[max(0, i - BESIDE) : i + BESIDE] ** 2) for i in range(len(at))])
    loose = np.maximum((np.abs(z[:, at]) ** 2).mean(axis=0) - power[at], 0.0)
    # a strong line is uncertain by what varies about it; half-overlapping blocks share a quarter
    own = 2.0 * np.maximum(power[at], 0.0) * loose / (0.75 * len(z))
    return LockedLines(
        order=order, power=power[at], u_power=np.sqrt(chance + own), loose=loose,
        mean=z[:, at].mean(axis=0), blocks=len(z),
    )  # fmt: skip


def steps_kept(lines: LockedLines, cylinders: int) -> float:
    """How far the firing harmonics together stand out of chance, in its standard deviations."""
    firing = lines.order % cylinders == 0
    if not firing.any():
        return 0.0
    return float(lines.power[firing].sum() / np.hypot.reduce(lines.u_power[firing]))


def _in_step(z: NDArray[np.complex128]) -> Floats:
    """Mean of ``Re z_i conj(z_j)`` over all pairs of blocks `APART` or more apart."""
    n = len(z)
    total = np.abs(z.sum(axis=0)) ** 2 - (np.abs(z) ** 2).sum(axis=0)
    near = 2.0 * np.real(z[1:] * np.conj(z[:-1])).sum(axis=0)
    return np.asarray((total - near) / (n * (n - 1) - 2 * (n - 1)), dtype=np.float64)
