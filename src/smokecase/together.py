"""What sound and picture say together: puffs against the engine's cycles, smoke while cranking.

Public: `Together`, `lay_together`.
"""

import math
from dataclasses import dataclass

import numpy as np

from smokecase.measured import Measured
from smokecase.readings import SmokeTiming, SmokeTrace, SoundReading

ONE_A_CYCLE = 0.06  # a puff rate this close to one a cycle, by share, is taken for it
U_MEAN_PCT = 1.0  # a mean opacity over part of a second is not known better


@dataclass(frozen=True, slots=True, kw_only=True)
class Together:
    """Sound and picture of one clip laid side by side."""

    puffs_per_cycle: Measured | None = None  # puff rate over the rate of the engine's cycles [1]
    one_puff_a_cycle: bool | None = None  # as one weak cylinder would give
    cranking_smoke: Measured | None = None  # opacity while cranking less that before it [%]
    words: str = ""


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
        one = puffs.low < 1 < puffs.high and abs(puffs.value - 1) < ONE_A_CYCLE
        if one:
            said.append("The smoke comes once per engine cycle, as from one cylinder.")
    rise = _rise(trace, sound)
    if rise is not None and rise.low > 0:
        said.append(f"Smoke rises by {rise} while the starter turns the engine.")
    return Together(
        puffs_per_cycle=puffs, one_puff_a_cycle=one, cranking_smoke=rise, words=" ".join(said)
    )


def _puffs(timing: SmokeTiming, sound: SoundReading, strokes: int) -> Measured | None:
    if timing.puff_hz is None or sound.idle_speed is None or sound.other_idle_speed is not None:
        return None
    cycles_hz = sound.idle_speed.value / 60.0 / (strokes / 2)
    value = timing.puff_hz / cycles_hz
    relative = math.hypot(
        (timing.u_puff_hz or 0.0) / timing.puff_hz, sound.idle_speed.u / sound.idle_speed.value
    )
    return Measured(value=value, u=value * relative, unit="")


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
