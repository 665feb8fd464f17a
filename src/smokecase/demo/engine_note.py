"""The sound of an invented engine at the end of its exhaust, with its exact truth.

Built from what happens in an engine, and sharing no code with what listens to it: a crank angle
runs on from a speed curve; each cylinder in its turn sends a burst of pressure and of hiss down
the exhaust, whose pipe lengths ring; the starter whines and labours against each compression.
`demo/sound_scene.py` puts a microphone, noise and a file format around it.

Public: `Engine` (what it is and does), `engine_note` (makes the sound), `EngineNote`.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.signal import fftconvolve, lfilter

Floats = NDArray[np.float64]
STEP_S = 0.001  # of the speed curve


@dataclass(frozen=True, slots=True, kw_only=True)
class Engine:
    """What the engine is and what it does; times are on the clip's clock, in seconds."""

    cylinders: int = 4
    strokes: int = 4  # 4 or 2
    duration_s: float = 12.0
    crank_s: float | None = 2.0  # starter engages; None: already running at time 0
    fires_s: float | None = 2.8  # first firing; None: it never fires
    runs_s: float | None = 3.0  # runs by itself; None: it never does
    failed_cranks: tuple[tuple[float, float], ...] = ()  # earlier attempts, from and to
    stalls_s: tuple[float, ...] = ()  # it dies here; it is not started again
    crank_per_min: float = 190.0
    idle_per_min: float = 800.0
    run_up_s: float = 0.8  # until within 5 % of the idle
    flare: float = 0.1  # overshoot after the start, share of idle
    snaps_s: tuple[float, ...] = ()  # snap accelerations
    wander_pct: float = 0.6  # slow random wander of the speed, standard deviation
    burn_spread: float = 0.06  # firing to firing, relative standard deviation of strength
    bore_spread: float = 0.03  # cylinder to cylinder, likewise, fixed for the engine
    weak: dict[int, float] = field(default_factory=dict)  # cylinder (0 is first to fire): strength
    misfire_share: float = 0.0  # of all firings, at random
    hunting_hz: float = 0.0
    hunting_pct: float = 0.0  # amplitude
    uneven_turn_deg: float = 0.0  # every second firing comes this much late (crank degrees)
    clatter: float = 0.3  # diesel-like high-frequency rattle at each firing
    whine: float = 0.15  # belt-driven tone at no whole order
    starter: float = 0.5  # loudness of the starter


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EngineNote:
    """The sound at the pipe and what is true about it."""

    sound: Floats  # (n,), the firing sound of the idle has standard deviation 1
    rate_hz: int
    engine: Engine
    time_s: Floats  # (m,) of the speed curve
    speed_per_min: Floats  # (m,)
    firings_s: Floats  # (k,) every firing that happened, misfires left out
    idle_per_min: float | None  # mean speed once steady
    steady_s: tuple[float, float] | None  # that stretch, before any snap acceleration
    firing_hz: float | None


def engine_note(engine: Engine, *, seed: int, rate_hz: int = 44100) -> EngineNote:
    """Sound and truth of `engine`.

    Parameters
    ----------
    engine : Engine
        What it is and does.
    seed : int
        Everything left to chance: pipe lengths, spreads, wander.
    rate_hz : int
        Sampling rate. [1/s]

    Returns
    -------
    EngineNote
        The same for the same arguments.
    """
    rng = np.random.default_rng(seed)
    time_s = np.arange(0.0, engine.duration_s, STEP_S)
    speed, burning = _speed(engine, time_s, rng)
    turns = np.concatenate([[0.0], np.cumsum(speed[:-1] / 60.0 * STEP_S)])
    cycles = turns / (engine.strokes // 2) + rng.uniform()
    pulses_s, strength = _firings(engine, time_s, cycles, burning, rng)

    n = round(engine.duration_s * rate_hz)
    # the slower it turns, the weaker each blow; fourth-root keeps cranking audible
    at = np.interp(pulses_s, time_s, speed) / max(engine.idle_per_min, 1.0)
    firing = np.interp(pulses_s, time_s, burning) > 0.5
    blow = strength * np.clip(at, 0.05, 4.0) ** 0.7
    exhaust = _exhaust(pulses_s, np.where(firing, blow, 0.0), n, rate_hz, rng)
    level = _level(exhaust, time_s, burning, rate_hz)
    sound = exhaust / level

    sound += engine.clatter * _clatter(pulses_s, np.where(firing, blow, 0.0), n, rate_hz, rng)
    sound += engine.whine * _whine(time_s, turns, speed, n, rate_hz, rng)
    cranking = _cranking(engine, time_s)
    if cranking.any():
        compressions = np.interp(np.arange(n) / rate_hz, time_s, cycles * engine.cylinders)
        sound += engine.starter * _starter(compressions, speed, cranking, n, rate_hz, rng)

    steady = _steady(engine)
    idle = None
    if steady is not None:
        inside = (time_s >= steady[0]) & (time_s <= steady[1])
        idle = float(speed[inside].mean())
    return EngineNote(
        sound=sound, rate_hz=rate_hz, engine=engine, time_s=time_s, speed_per_min=speed,
        firings_s=pulses_s[firing & (strength > 0.02)], idle_per_min=idle, steady_s=steady,
        firing_hz=idle * engine.cylinders / 60.0 / (engine.strokes / 2) if idle else None,
    )  # fmt: skip


def _cranking(engine: Engine, time_s: Floats) -> NDArray[np.bool_]:
    on = np.zeros(len(time_s), dtype=bool)
    for begin, end in engine.failed_cranks:
        on |= (time_s >= begin) & (time_s < end)
    if engine.crank_s is not None:
        end = engine.runs_s if engine.runs_s is not None else engine.duration_s - 1.0
        on |= (time_s >= engine.crank_s) & (time_s < end)
    return on


def _steady(engine: Engine) -> tuple[float, float] | None:
    """Find the stretch of idle: after the run-up, before a snap acceleration or a stall."""
    if engine.runs_s is None and engine.crank_s is not None:
        return None
    begin = (engine.runs_s or 0.0) + (2.0 * engine.run_up_s if engine.crank_s is not None else 0.0)
    end = min([engine.duration_s, *engine.snaps_s, *engine.stalls_s])
    return (begin, end) if end - begin > 0.5 else None


def _speed(engine: Engine, time_s: Floats, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Speed [1/min], and 1 where the engine burns fuel, over time."""
    speed = np.where(_cranking(engine, time_s), engine.crank_per_min, 0.0)
    speed = lfilter([0.02], [1.0, -0.98], speed)  # the starter takes 50 ms to spin up
    burning = np.zeros(len(time_s))
    if engine.fires_s is not None and engine.crank_s is not None:
        runs = engine.runs_s if engine.runs_s is not None else engine.duration_s
        # first firings come by chance, more and more of them, and lift the speed
        share = np.clip((time_s - engine.fires_s) / max(runs - engine.fires_s, 0.05), 0.0, 1.0)
        lifted = (time_s >= engine.fires_s) & (time_s < runs) & (speed > 0)
        speed = np.where(lifted, speed * (1.0 + 0.5 * share), speed)
        burning = np.where(lifted & (rng.uniform(size=len(time_s)) < 0.3 + 0.7 * share), 1.0, 0.0)
    running = np.zeros(len(time_s))
    if engine.runs_s is not None or engine.crank_s is None:
        since = time_s - (engine.runs_s or 0.0)
        on = since >= 0
        rise = 1.0 - np.exp(-3.0 * np.clip(since, 0, None) / engine.run_up_s)
        bump = engine.flare * 4.0 * rise * (1.0 - rise) if engine.crank_s is not None else 0.0
        low = 1.4 * engine.crank_per_min
        running = (
            (low + (engine.idle_per_min - low) * rise)
            if engine.crank_s is not None
            else (np.full(len(time_s), engine.idle_per_min))
        )
        running = running * (1.0 + bump)
        running = running * (1.0 + engine.wander_pct / 100.0 * _wander(len(time_s), rng))
        swing = np.sin(2 * np.pi * engine.hunting_hz * time_s + rng.uniform(0, 6))
        running = running * (1.0 + engine.hunting_pct / 100.0 * swing)
        for begin in engine.snaps_s:
            x = np.clip(time_s - begin, 0.0, None)
            running = running * (1.0 + 6.0 * x / 0.35 * np.exp(-x / 0.35) * 0.6)
        for begin in engine.stalls_s:
            running = running * np.clip(1.0 - (time_s - begin) / 0.7, 0.0, 1.0)
            on = on & (time_s < begin)
        speed = np.where(since >= 0, running, speed)
        burning = np.where(since >= 0, on, burning)
    return speed, burning


def _wander(n: int, rng: np.random.Generator) -> Floats:
    """Noise of unit standard deviation, correlated over half a second."""
    keep = np.exp(-STEP_S / 0.5)
    walk = lfilter([np.sqrt(1 - keep**2)], [1.0, -keep], rng.normal(size=n + 3000))
    return np.asarray(walk[3000:], dtype=np.float64)


def _firings(
    engine: Engine, time_s: Floats, cycles: Floats, burning: Floats, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Give times and strengths of all firings that could happen."""
    k = engine.cylinders
    first, last = np.ceil(cycles[0] * k), np.floor(cycles[-1] * k)
    number = np.arange(first, last + 1)
    cylinder = (number % k).astype(np.int64)
    turn_deg = 360.0 * (engine.strokes // 2)
    late = np.where(cylinder % 2 == 1, engine.uneven_turn_deg / turn_deg, 0.0)
    grow = cycles + np.arange(len(cycles)) * 1e-12  # standstill must still grow for interp
    when = np.interp(number / k + late + rng.normal(0, 0.0015, len(number)), grow, time_s)
    own = 1.0 + engine.bore_spread * rng.normal(size=k)
    for which, left in engine.weak.items():
        own[which % k] *= left
    strength = own[cylinder] * (1.0 + engine.burn_spread * rng.normal(size=len(number)))
    strength = np.where(rng.uniform(size=len(number)) < engine.misfire_share, 0.0, strength)
    moving = np.interp(when, time_s, np.gradient(cycles)) > 0
    return when[moving], np.clip(strength, 0.0, None)[moving]


def _train(times_s: Floats, heights: Floats, n: int, rate_hz: int) -> Floats:
    """Spikes at fractions of a sample, as two neighbouring samples share each."""
    at = times_s * rate_hz
    i = np.floor(at).astype(np.int64)
    part = at - i
    train = np.zeros(n + 2)
    good = (i >= 0) & (i < n)
    np.add.at(train, i[good], heights[good] * (1 - part[good]))
    np.add.at(train, i[good] + 1, heights[good] * part[good])
    return train[:n]


def _exhaust(
    times_s: Floats, blow: Floats, n: int, rate_hz: int, rng: np.random.Generator
) -> Floats:
    """Blow-down pulses and their hiss, rung through a pipe of two lengths."""
    t = np.arange(int(0.05 * rate_hz)) / rate_hz
    rise_s, fall_s = rng.uniform(0.0006, 0.0015), rng.uniform(0.004, 0.009)
    pulse = (1 - np.exp(-t / rise_s)) * np.exp(-t / fall_s)
    pulse -= pulse.sum() * np.exp(-t / 0.02) / np.exp(-t / 0.02).sum()  # no net pressure
    gas = fftconvolve(_train(times_s, blow, n, rate_hz), pulse)[:n]
    hull = np.exp(-t / 0.006)
    hiss = fftconvolve(_train(times_s, blow, n, rate_hz), hull)[:n] * rng.normal(size=n)
    source = gas + rng.uniform(0.05, 0.25) * lfilter([0.3], [1, -0.7], hiss)
    out = 0.6 * source
    for low, high in ((35.0, 130.0), (140.0, 320.0)):  # tail pipe, whole line: a few hundred 1/s
        f = np.exp(rng.uniform(np.log(low), np.log(high)))
        out += rng.uniform(0.3, 1.2) * _ring(source, f, rng.uniform(3.0, 9.0), rate_hz)
    return np.asarray(out, dtype=np.float64)


def _ring(x: Floats, f_hz: float, quality: float, rate_hz: int) -> Floats:
    w = 2 * np.pi * f_hz / rate_hz
    r = np.exp(-w / (2 * quality))
    gain = (1 - r) * np.sqrt(1 + r * r - 2 * r * np.cos(2 * w))
    return np.asarray(lfilter([gain], [1, -2 * r * np.cos(w), r * r], x), dtype=np.float64)


def _clatter(
    times_s: Floats, blow: Floats, n: int, rate_hz: int, rng: np.random.Generator
) -> Floats:
    t = np.arange(int(0.02 * rate_hz)) / rate_hz
    hull = fftconvolve(_train(times_s + 0.001, blow, n, rate_hz), np.exp(-t / 0.0025))[:n]
    rattle = _ring(hull * rng.normal(size=n), rng.uniform(900, 2600), 2.0, rate_hz)
    return np.asarray(rattle / (rattle.std() + 1e-12), dtype=np.float64)


def _whine(
    time_s: Floats, turns: Floats, speed: Floats, n: int, rate_hz: int, rng: np.random.Generator
) -> Floats:
    t = np.arange(n) / rate_hz
    angle = 2 * np.pi * rng.uniform(20.0, 60.0) * np.interp(t, time_s, turns)
    loud = np.sqrt(2) * np.clip(np.interp(t, time_s, speed) / 800.0, 0, 1.5)
    return np.asarray(loud * np.sin(angle), dtype=np.float64)


def _starter(
    compressions: Floats, speed: Floats, cranking: NDArray[np.bool_], n: int, rate_hz: int,
    rng: np.random.Generator,
) -> Floats:  # fmt: skip
    """Gear whine, pulled down and louder toward each compression, and its hiss."""
    on = np.repeat(cranking.astype(float), max(1, round(STEP_S * rate_hz)))
    on = np.interp(np.arange(n), np.linspace(0, n, len(on)), on)
    labour = 0.5 - 0.5 * np.cos(2 * np.pi * compressions)
    deep = rng.uniform(0.1, 0.25)
    mesh_hz = 190.0 / 60.0 * rng.uniform(90.0, 150.0)
    pitch = mesh_hz * (1 - deep * labour)
    phase = 2 * np.pi * np.cumsum(pitch) / rate_hz
    tone = np.sin(phase) + 0.6 * np.sin(2 * phase + 1) + 0.4 * np.sin(3 * phase + 2)
    hiss = lfilter([0.4], [1, -0.6], rng.normal(size=n))
    loud = on * (0.25 + 0.9 * labour**2) * 0.6
    return np.asarray(loud * (tone + hiss), dtype=np.float64)


def _level(exhaust: Floats, time_s: Floats, burning: Floats, rate_hz: int) -> float:
    """Give the standard deviation of the exhaust's sound while it runs."""
    t = np.arange(len(exhaust)) / rate_hz
    on = np.interp(t, time_s, burning) > 0.5
    return float(exhaust[on].std()) if on.sum() > rate_hz // 4 else max(float(exhaust.std()), 1e-3)
