"""Takes every figure of a running engine from its sound: the start, the speed, the evenness.

Loaded only when there is a sound that may hold an engine: it brings the tools of the analysis.

Public: `hear_engine`.
"""

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from smokecase import doubts as d
from smokecase.doubts import Doubt
from smokecase.measured import COVERAGE, Measured
from smokecase.readings import SoundReading
from smokecase.sound.engine import LOW_BANDS, EngineFound, find_engine
from smokecase.sound.firings import measure_firings
from smokecase.sound.hum import without_hum
from smokecase.sound.locked import locked_lines, steps_kept
from smokecase.sound.orders import Stretch
from smokecase.sound.periods import HOP_S, RATE_HZ, BeatTrack
from smokecase.sound.running import Running
from smokecase.sound.settle import U_POINT, Settling, SpeedCurve, find_settling, follow_speed
from smokecase.sound.start import SHORTEST_CRANK_S, Loudness, Start, find_start
from smokecase.sound.swing import measure_variation, weigh_hunting
from smokecase.sound.uneven import leave_twins_open, measure_evenness
from smokecase.sound.words import tell_sound
from smokecase.video.sound_track import SoundTrack

# half of the 95 % interval of the cranking time, by how far the starter's onset stands above its
# best rival; split conformal on invented starts of two makings at 0 to 20 dB (tests/benchmarks)
AGREED, AGREED_HALF_S = 0.6, 0.4
HALF_AGREED, HALF_AGREED_HALF_S = 0.2, 2.0
U_FIRST_FIRING_S = 0.25  # the first blows are faint and often missed; likewise
FALLS_SILENT = 1.0  # natural logarithm of power, mean over the bands: 4 dB
NO_IDLE = 0.08  # relative uncertainty of a mean speed that is no idle: it only rose or fell
# standard deviations by which firing keeps step: speech stays below 3 (a speech synthesiser, 84
# sentences), engines at 0 dB reach 11 and more
IN_STEP = 6.0
SHORT_FIT = 22.0  # of the lines, where nothing is long enough to show whether it keeps step
SOON_S = 1.2  # a start so soon after the sound begins must be seen to change the loudness
SHOWN_EVERY_S = 0.25  # of the speed over time


def hear_engine(
    sound: SoundTrack, doubts: set[Doubt], *, cylinders: int | None, strokes: int
) -> tuple[SoundReading, EngineFound] | str:
    """Find the engine and take its figures; where there is none, say what the sound is instead.

    Parameters
    ----------
    sound : SoundTrack
    doubts : set of Doubt
        Of the sound itself; the reading carries them on.
    cylinders : int or None
        As told; None leaves it open.
    strokes : int
        4 or 2.

    Raises
    ------
    ValueError
        If `strokes` or `cylinders` cannot be.
    """
    samples = without_hum(sound.samples, sound.rate_hz)
    engine = find_engine(samples, sound.rate_hz, cylinders=cylinders, strokes=strokes)
    if isinstance(engine, str):
        return engine
    curve = follow_speed(engine.beats, engine.track, engine.parts, (engine.spell, engine.stretch))
    if not _keeps_step(engine):
        return "what repeats does not keep step from cycle to cycle as an engine does"
    return _read(engine, curve, sound, doubts), engine


def _keeps_step(engine: EngineFound) -> bool:
    """Tell whether the firing keeps step with the cycle, as no voice and no tune does."""
    cylinders, beats = engine.best.cylinders, engine.beats
    kept = []
    for signal in (beats.pulse, beats.bands.sum(axis=0)):
        lines = locked_lines(signal, engine.stretch, engine.best.ratio / cylinders)
        if lines is not None:
            kept.append(steps_kept(lines, cylinders))
    return max(kept) > IN_STEP if kept else engine.best.fit > SHORT_FIT


def _read(
    engine: EngineFound, curve: SpeedCurve, sound: SoundTrack, found: set[Doubt]
) -> SoundReading:
    """Take every figure of the engine."""
    best, other, stretch, beats = engine.best, engine.other, engine.stretch, engine.beats
    beat_hz = float(stretch.beat_hz.mean())
    cycles_per_beat = best.ratio / best.cylinders
    idle = _idle(stretch, curve)
    if other:
        found.add(d.SPEED_OPEN)
    if idle is None:
        found.add(d.IDLE_NOT_REACHED)
    evenness = measure_evenness(
        locked_lines(beats.pulse, stretch, cycles_per_beat),
        locked_lines(beats.bands.sum(axis=0), stretch, cycles_per_beat),
        best.cylinders,
    )
    evenness = leave_twins_open(evenness, best, other)
    firings = measure_firings(
        beats.bands, stretch, cycles_per_beat, cylinders=best.cylinders, deficit=evenness.deficit
    )
    per_min = best.speed_per_min / beat_hz
    start = find_start(engine.loudness, engine.first_heard_s)
    if start and start.runs_s < SOON_S and not _rises(engine.loudness, start.runs_s):
        start = None
    shown = _thinned(curve, SHOWN_EVERY_S)
    if start:  # before it fires, what repeats is the starter
        shown = shown[curve.time_s[shown] >= start.first_firing_s]
    reading = SoundReading(
        stalls=_stalls(engine.spells, engine.track, engine.loudness),
        idle_speed=_scaled(idle, per_min, "1/min"),
        other_idle_speed=_scaled(idle, other.speed_per_min / beat_hz, "1/min") if other else None,
        firing_hz=_scaled(idle, best.ratio, "1/s"),
        cylinders=best.cylinders,
        speed_time_s=tuple(round(float(t) + sound.begins_s, 3) for t in curve.time_s[shown]),
        speed_per_min=tuple(round(float(x) * per_min, 1) for x in curve.beat_hz[shown]),
        u_speed=U_POINT,
        uneven_firing=evenness.uneven_firing,
        speed_variation=measure_variation(stretch),
        weak_cylinder=evenness.weak_weight,
        weak_firings=firings.weak_share,
        cylinder_strengths=firings.strengths,
        u_cylinder_strengths=firings.u_strengths,
        clatter=firings.clatter,
        hunting=weigh_hunting(stretch) if idle is not None else None,
        doubts=frozenset(found),
    )
    if start:
        steady_s = float(engine.track.time_s[engine.spell.steady_first])
        reading = _with_start(reading, start, steady_s, sound.begins_s)
    return replace(reading, words=tell_sound(reading, evenness))


def _rises(loudness: Loudness, runs_s: float) -> bool:
    """Tell a start from an engine that ran already: the low sound rises by 4 dB."""
    low, time_s = loudness.level[:, LOW_BANDS].mean(axis=1), loudness.time_s
    after = (time_s > runs_s) & (time_s < runs_s + 1.0)
    return bool(low[after].mean() - low[time_s < runs_s - 0.1].mean() > FALLS_SILENT)


def _thinned(curve: SpeedCurve, every_s: float) -> NDArray[np.int64]:
    """Numbers of the points to show: the first of each `every_s`."""
    bins = np.floor(curve.time_s / every_s)
    return np.flatnonzero(np.diff(np.concatenate([[-1.0], bins])) > 0)


def _idle(stretch: Stretch, curve: SpeedCurve) -> Settling | None:
    """Rate of the beat at idle: the settled stretch's mean, or what an unsettled one tends to."""
    if stretch.settled and stretch.u_beat > NO_IDLE:
        return None
    if stretch.settled:
        mean, u = float(stretch.beat_hz.mean()), float(stretch.beat_hz.mean()) * stretch.u_beat
        half = COVERAGE * u
        return Settling(beat_hz=mean, u_beat_hz=u, low_hz=mean - half, high_hz=mean + half)
    return find_settling(curve, (stretch.begin / RATE_HZ, stretch.end / RATE_HZ))


def _scaled(idle: Settling | None, by: float, unit: str) -> Measured | None:
    if idle is None:
        return None
    return Measured(
        value=by * idle.beat_hz, u=by * idle.u_beat_hz, unit=unit,
        low=by * idle.low_hz, high=by * idle.high_hz,
    )  # fmt: skip


def _with_start(
    reading: SoundReading, start: Start, steady_s: float, begins_s: float
) -> SoundReading:
    """Add the start's times, and the cranking where the starter stood out."""
    reading = replace(
        reading,
        first_firing_s=start.first_firing_s + begins_s,
        u_first_firing_s=math.hypot(U_FIRST_FIRING_S, start.u_runs_s),
        runs_s=start.runs_s + begins_s,
        u_runs_s=start.u_runs_s,
    )
    crank_s = start.cranks[-1][0]
    taken_s = start.runs_s - crank_s
    if start.agree > HALF_AGREED and taken_s > SHORTEST_CRANK_S:
        half_s = AGREED_HALF_S if start.agree > AGREED else HALF_AGREED_HALF_S
        cranking = Measured(
            value=taken_s, u=half_s / COVERAGE, unit="s",
            low=max(taken_s - half_s, min(taken_s, SHORTEST_CRANK_S)), high=taken_s + half_s,
        )  # fmt: skip
        reading = replace(
            reading,
            cranking_starts_s=crank_s + begins_s,
            cranking_time=cranking,
            attempts=len(start.cranks),
        )
    if steady_s > start.first_firing_s:
        taken_s = steady_s - start.first_firing_s
        u_s = math.hypot(0.25, start.u_runs_s)
        run_up = Measured(
            value=taken_s, u=u_s, unit="s",
            low=max(0.0, taken_s - COVERAGE * u_s), high=taken_s + COVERAGE * u_s,
        )  # fmt: skip
        reading = replace(reading, run_up_time=run_up)
    return reading


def _stalls(spells: list[Running], track: BeatTrack, loudness: Loudness) -> int:
    """Count spells of running that end in quiet, a second or more before the sound ends."""
    count = 0
    for spell in spells:
        end_s = float(track.time_s[spell.last])
        after = loudness.time_s > end_s + 0.6
        during = (loudness.time_s > track.time_s[spell.steady_first]) & (loudness.time_s < end_s)
        if after.sum() * HOP_S < 4 * 0.5 or not during.any():
            continue
        fall = loudness.level[during].mean() - loudness.level[after][:40].mean()
        count += bool(fall > FALLS_SILENT)
    return count
