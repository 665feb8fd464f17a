"""What sound and picture say together: puffs against cycles, smoke while cranking and with speed.

Public: `lay_together`, `cycles_hz`.
"""

import math

import numpy as np
from numpy.typing import NDArray

from smokecase.measured import Measured
from smokecase.readings import SmokeTiming, SoundReading, Together
from smokecase.trace import SmokeTrace

ONE_A_CYCLE = 0.06  # a puff rate this close to one a cycle, by share, is taken for it
LEAST_SPEED_CHANGE = 0.15  # of the mean: less is wander and tells nothing of smoke
LATEST_S, LATER_BY_S = 0.8, 0.1  # how late smoke may follow the speed, and the steps tried
ALIKE_S = 0.5  # opacity half a second apart is taken as independent
PLAIN = 3.0  # uncertainties from which smoke and speed are said to go together
U_MEAN_PCT = 1.0  # a mean opacity over part of a second is not known better


def lay_together(
    trace: SmokeTrace, timing: SmokeTiming, sound: SoundReading | None, *, strokes: int = 4
) -> Together:
    """Compare smoke and sound.

    Parameters
    ----------
    trace, timing
        Of the picture.
    sound : SoundReading or None
        Of the same clip, on the same clock; None and missing figures leave fields None.
    strokes : int
        4 or 2.

    Source
    ------
    A four-stroke cylinder fires every second turn: speed / 120 a second per cylinder.
    """
    if sound is None:
        return Together()
    puffs = _puffs(timing, sound, strokes)
    one = None
    said = []
    if puffs is not None:
        one = _is_one(puffs)
        said.append(
            "The smoke comes once per engine cycle, as from one cylinder."
            if one
            else f"The smoke comes {puffs} times per engine cycle."
        )
    likelier = _speed_by_puffs(timing, sound, strokes)
    if likelier is not None:
        said.append(
            f"Of both readings of the speed {likelier} is the likelier: then the smoke comes once "
            "per engine cycle, as from one cylinder."
        )
    rise = _rise(trace, sound)
    if rise is not None and rise.low > 0:
        said.append(f"Smoke rises by {rise} while the starter turns the engine.")
    with_speed = _with_speed(trace, sound)
    if with_speed is not None and abs(with_speed.value) > PLAIN * with_speed.u:
        goes = "rises" if with_speed.value > 0 else "falls"
        said.append(f"Smoke {goes} with the speed: {with_speed} for every 100 1/min more.")
    return Together(
        puffs_per_cycle=puffs, one_puff_a_cycle=one, cranking_smoke=rise,
        smoke_with_speed=with_speed, words=" ".join(said),
    )  # fmt: skip


def cycles_hz(sound: SoundReading, strokes: int) -> float | None:
    """Working cycles per second at idle, as heard; None where the speed is not sure."""
    if sound.idle_speed is None or sound.other_idle_speed is not None:
        return None
    return _cycles_hz(sound.idle_speed, strokes)


def _cycles_hz(speed: Measured, strokes: int) -> float:
    return speed.value / 60.0 / (strokes / 2)


def _puffs(timing: SmokeTiming, sound: SoundReading, strokes: int) -> Measured | None:
    if sound.idle_speed is None or sound.other_idle_speed is not None:
        return None
    return _per_cycle(timing, sound.idle_speed, strokes)


def _per_cycle(timing: SmokeTiming, speed: Measured, strokes: int) -> Measured | None:
    if timing.puff_hz is None:
        return None
    value = timing.puff_hz / _cycles_hz(speed, strokes)
    relative = math.hypot((timing.u_puff_hz or 0.0) / timing.puff_hz, speed.u / speed.value)
    return Measured(value=value, u=value * relative, unit="")


def _is_one(puffs: Measured) -> bool:
    return puffs.low < 1 < puffs.high and abs(puffs.value - 1) < ONE_A_CYCLE


def _speed_by_puffs(timing: SmokeTiming, sound: SoundReading, strokes: int) -> Measured | None:
    """Of two readings of the speed the one at which the smoke comes once a cycle, if just one."""
    if sound.idle_speed is None or sound.other_idle_speed is None:
        return None
    fits = []
    for speed in (sound.idle_speed, sound.other_idle_speed):
        puffs = _per_cycle(timing, speed, strokes)
        if puffs is not None and _is_one(puffs):
            fits.append(speed)
    return fits[0] if len(fits) == 1 else None


def _rise(trace: SmokeTrace, sound: SoundReading) -> Measured | None:
    begin, end = sound.cranking_starts_s, sound.first_firing_s
    if begin is None or end is None:
        return None
    good = np.isfinite(trace.opacity_pct)
    before = good & (trace.time_s < begin)
    # smoke needs a moment to leave the pipe
    during = good & (trace.time_s >= begin + 0.2) & (trace.time_s <= end)
    if before.sum() < 5 or during.sum() < 5:
        return None
    a, b = trace.opacity_pct[during], trace.opacity_pct[before]
    # neighbouring frames are alike: some five make one independent reading
    u = math.sqrt(a.var() / max(1.0, len(a) / 5) + b.var() / max(1.0, len(b) / 5) + U_MEAN_PCT**2)
    return Measured(value=float(a.mean() - b.mean()), u=u, unit="%")


def _with_speed(trace: SmokeTrace, sound: SoundReading) -> Measured | None:
    """Slope of opacity over engine speed, the smoke following by what fits best.

    A smoke that clears after the start while the flare dies away goes with time as well: a
    straight line over time is fitted beside it.
    """
    if len(sound.speed_time_s) < 8 or sound.other_idle_speed is not None:
        return None
    time_s, speed = np.array(sound.speed_time_s), np.array(sound.speed_per_min)
    if speed.max() - speed.min() < LEAST_SPEED_CHANGE * speed.mean():
        return None
    fits = [_slope(trace, time_s + late, speed) for late in np.arange(0, LATEST_S, LATER_BY_S)]
    found = [f for f in fits if f is not None]
    if not found:
        return None
    slope, u, _ = min(found, key=lambda f: f[2])
    # the lag was chosen where it fits best: how far the slopes of near lags differ counts too
    near = [f[0] for f in found if f[2] < 1.1 * min(f[2] for f in found)]
    u = math.hypot(u, float(np.std(near)))
    return Measured(value=100 * slope, u=100 * u, unit="%")


def _slope(
    trace: SmokeTrace, time_s: NDArray[np.float64], speed: NDArray[np.float64]
) -> tuple[float, float, float] | None:
    """Slope, its standard uncertainty, and the residual's standard deviation."""
    nearest = np.abs(trace.time_s[:, np.newaxis] - time_s).min(axis=1)
    use = np.isfinite(trace.opacity_pct) & (nearest < 0.2)
    t = trace.time_s[use]
    if len(t) < 20 or t[-1] - t[0] < 4 * ALIKE_S:
        return None
    x = np.stack([np.interp(t, time_s, speed), t - t.mean(), np.ones(len(t))], axis=1)
    x[:, 0] -= x[:, 0].mean()
    y = trace.opacity_pct[use]
    found, *_ = np.linalg.lstsq(x, y, rcond=None)
    rest = y - x @ found
    sd = float(np.sqrt((rest**2).sum() / max(1, len(y) - 3)))
    each = max(1.0, ALIKE_S / float(np.median(np.diff(t))))
    inverse = np.linalg.pinv(x.T @ x)
    return float(found[0]), sd * math.sqrt(float(inverse[0, 0]) * each), sd
