"""The sound of an invented engine to go with its picture: same speed, same weak cylinder."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from smokecase.demo import engine_note as note
from smokecase.demo.engine import Engine
from smokecase.demo.sound_scene import Scene, recorded

RATE_HZ = 48_000
WEAK = 0.25  # strength of the weak cylinder's firings over the others'


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Heard:
    """What the microphone gets, and what is true about it."""

    sound: NDArray[np.float32]  # (n,) mono, -1 to 1
    rate_hz: int
    fires_s: float
    firing_hz: float | None


def make_heard(engine: Engine, seconds: float, seed: int) -> tuple[Engine, Heard]:
    """Give the engine that runs at the sound's speed, and its sound."""
    started = engine.crank_s < 0
    fires = engine.start_s - 0.2
    source = note.Engine(
        cylinders=engine.cylinders, duration_s=seconds,
        crank_s=None if started else engine.crank_s, fires_s=None if started else fires,
        runs_s=None if started else engine.start_s, crank_per_min=engine.crank_rpm,
        idle_per_min=engine.idle_rpm, flare=0.25 * engine.overshoot, snaps_s=engine.snaps_s,
        weak={1: WEAK} if engine.weak_cylinder else {},
        burn_spread=0.16 if engine.weak_cylinder else 0.06,
    )  # fmt: skip
    made = note.engine_note(source, seed=seed, rate_hz=RATE_HZ)
    scene = Scene(noise="wind", snr_db=22.0, aac_bit_rate=None)  # the clip's own file is coded
    sound = recorded(made.sound, scene, rate_hz=RATE_HZ, seed=seed)
    idle = made.idle_per_min or engine.idle_rpm
    curve = (np.asarray(made.time_s), np.asarray(made.speed_per_min))
    heard = Heard(sound=np.asarray(sound, np.float32), rate_hz=RATE_HZ, fires_s=fires,
                  firing_hz=made.firing_hz)  # fmt: skip
    return replace(engine, curve=curve, idle_rpm=idle), heard
