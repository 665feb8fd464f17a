"""The invented engine's story: cranking, start, speed, and how much smoke it gives when."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ENVELOPES = ("clear", "persist", "puffs", "snap", "grow", "rough")
STEP_S = 1 / 240  # of the emission trace; a puff at 8 Hz lasts about thirty steps


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Engine:
    """What the engine does over the clip."""

    crank_s: float  # the starter begins to turn; negative: it ran before the clip
    start_s: float  # runs by itself from here
    idle_rpm: float
    crank_rpm: float
    cylinders: int
    weak_cylinder: bool
    snaps_s: tuple[float, ...]  # begin of each snap acceleration
    overshoot: float  # of the speed after the start, share of idle
    curve: tuple[Floats, Floats] | None = None  # times and speeds, where a sound was made of it

    def speed_rpm(self, time_s: Floats) -> Floats:
        """Speed at each time, in turns per minute."""
        t = np.asarray(time_s, dtype=np.float64)
        if self.curve is not None:
            return np.asarray(np.interp(t, *self.curve), np.float64)
        since = np.maximum(t - self.start_s, 0)
        running = self.idle_rpm * (
            1 - np.exp(-since / 0.25) + self.overshoot * since / 0.5 * np.exp(1 - since / 0.5)
        )
        for snap in self.snaps_s:
            s = np.maximum(t - snap, 0)
            running += self.idle_rpm * 1.9 * (1 - np.exp(-s / 0.25)) * np.exp(-s / 0.9)
        cranking = self.crank_rpm * (1 - np.exp(-np.maximum(t - self.crank_s, 0) / 0.15))
        return np.where(t < self.start_s, cranking, np.maximum(running, self.crank_rpm))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Emission:
    """How much smoke leaves the pipe over time."""

    envelope: str
    onset_s: float
    decay_s: float | None
    puff_hz: float | None
    tau0_green: float  # nominal peak optical depth at the mouth
    level: Floats  # (n,) share of tau0 at each STEP_S
    seconds_part: Floats  # (n,) factor on the second part of a mixture, from 1 on

    def at(self, time_s: Floats) -> tuple[Floats, Floats]:
        """Level, and factor of the second part, at each time."""
        grid = np.arange(len(self.level)) * STEP_S
        return np.interp(time_s, grid, self.level), np.interp(time_s, grid, self.seconds_part)


def draw_engine(
    rng: np.random.Generator, seconds: float, envelope: str, *, running: bool
) -> Engine:
    """Draw an engine that starts early enough, or runs from before."""
    clear_s = rng.uniform(0.15, 0.32) * min(seconds, 9.0)
    crank = -20.0 if running else clear_s
    start = -19.0 if running else clear_s + rng.uniform(0.4, 1.3)
    snaps: tuple[float, ...] = ()
    if envelope == "snap":
        first = max(start, 0.0) + rng.uniform(0.7, 1.3) + (clear_s if running else 0.0)
        snaps = tuple(float(t) for t in np.arange(first, seconds - 0.8, rng.uniform(1.8, 2.8)))
    return Engine(
        crank_s=float(crank),
        start_s=float(start),
        idle_rpm=float(rng.uniform(620, 1050)),
        crank_rpm=float(rng.uniform(170, 260)),
        cylinders=int(rng.choice([2, 3, 4, 4, 4, 5, 6])),
        weak_cylinder=envelope in ("puffs", "rough"),
        snaps_s=snaps,
        overshoot=float(rng.uniform(0.0, 0.7)),
    )


def draw_emission(
    rng: np.random.Generator, engine: Engine, seconds: float, envelope: str, tau0_green: float
) -> Emission:
    """Draw a trace of emission for this engine.

    `clear` dies away, `persist` stays, `puffs` comes with every second turn, `snap` with each
    snap acceleration, `grow` gets denser, `rough` dies away to puffs that stay.
    """
    t: Floats = np.arange(int(seconds / STEP_S) + 2, dtype=np.float64) * STEP_S
    begins = (
        engine.crank_s + rng.uniform(0.15, 0.6)
        if rng.random() < 0.4
        else (engine.start_s + rng.uniform(0.0, 0.5))
    )
    if envelope == "snap" and engine.snaps_s:
        begins = engine.snaps_s[0]
    s = t - begins
    on = 1 - np.exp(-np.maximum(s, 0) / rng.uniform(0.06, 0.3))
    decay, puff_hz = None, None
    if envelope in ("clear", "rough"):
        decay = float(rng.uniform(0.7, 2.6))
        rest = float(rng.uniform(0.15, 0.4)) if envelope == "rough" else 0.0
        on *= rest + (1 - rest) * np.exp(-np.maximum(s, 0) / decay)
    if envelope == "rough":
        puff_hz = engine.idle_rpm / 120
        fade_in = 1 - np.exp(-np.maximum(s, 0) / (2 * float(decay or 1)))
        on *= 1 - fade_in * (1 - _puffs(rng, engine, t))
    elif envelope == "grow":
        on *= 0.15 + 0.85 * np.clip(s / (0.6 * seconds), 0, 1)
    elif envelope == "puffs":
        puff_hz = engine.idle_rpm / 120
        on *= _puffs(rng, engine, t)
    elif envelope == "snap":
        on = np.full_like(t, rng.uniform(0.0, 0.06)) * (s > 0)
        for snap in engine.snaps_s:
            a = np.maximum(t - snap - 0.08, 0)
            on += (1 - np.exp(-a / 0.08)) * np.exp(-a / rng.uniform(0.25, 0.7))
    flicker = np.exp(_wander(rng, len(t), rng.uniform(0.04, 0.3)) * rng.uniform(0.05, 0.35))
    second = np.exp(np.clip(s / seconds, 0, 1) * rng.uniform(-1.2, 0.8))
    return Emission(
        envelope=envelope,
        onset_s=float(begins),
        decay_s=decay,
        puff_hz=puff_hz,
        tau0_green=tau0_green,
        level=np.clip(on * flicker, 0, None),
        seconds_part=second,
    )


def no_emission(seconds: float) -> Emission:
    """Give no smoke at all."""
    n = int(seconds / STEP_S) + 2
    return Emission(
        envelope="none",
        onset_s=float("nan"),
        decay_s=None,
        puff_hz=None,
        tau0_green=0.0,
        level=np.zeros(n),
        seconds_part=np.ones(n),
    )


def _puffs(rng: np.random.Generator, engine: Engine, t: Floats) -> Floats:
    turns = np.cumsum(engine.speed_rpm(t)) / 120 * STEP_S  # work cycles of four strokes
    phase = turns - np.floor(turns)
    width = rng.uniform(0.10, 0.17)
    pulse = np.exp(-0.5 * ((phase - 0.4) / width) ** 2)
    floor = rng.uniform(0.0, 0.35)
    strength = rng.uniform(0.75, 1.25, size=int(turns[-1]) + 2)  # no two firings are alike
    return floor + (1 - floor) * pulse * strength[np.floor(turns).astype(np.int64)]


def _wander(rng: np.random.Generator, n: int, memory_s: float) -> Floats:
    """Noise of unit variance that forgets itself after `memory_s`."""
    keep = float(np.exp(-STEP_S / memory_s))
    shocks = rng.standard_normal(n) * np.sqrt(1 - keep**2)
    wander = np.empty(n)
    value = rng.standard_normal()
    for i in range(n):
        value = keep * value + shocks[i]
        wander[i] = value
    return wander
