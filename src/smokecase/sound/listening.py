"""Listen to a clip: the start, the speed and the evenness of an engine in one reading.

Public: `listen` (a file), `listen_to` (samples), `Heard` (the reading with what plots need).
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smokecase import doubts as d
from smokecase.doubts import Doubt
from smokecase.measured import COVERAGE, Measured
from smokecase.readings import SoundReading
from smokecase.sound.engine import EngineFound, find_engine
from smokecase.sound.firings import measure_firings
from smokecase.sound.hum import without_hum
from smokecase.sound.locked import locked_lines, steps_kept
from smokecase.sound.orders import OrderSpectrum, Stretch
from smokecase.sound.periods import HOP_S, RATE_HZ, BeatTrack
from smokecase.sound.running import Running
from smokecase.sound.settle import U_POINT, Settling, SpeedCurve, find_settling, follow_speed
from smokecase.sound.speed import Reading
from smokecase.sound.start import SHORTEST_CRANK_S, Loudness, Start, find_start
from smokecase.sound.swing import measure_variation, weigh_hunting
from smokecase.sound.uneven import leave_twins_open, measure_evenness
from smokecase.sound.words import tell_sound
from smokecase.video.sound_track import SoundTrack, read_sound

Tell = Callable[[float, str], None]
# half of the 95 % interval of the cranking time, by how far the ways of looking agree on where the
# starter engages; split conformal on invented starts at 0 to 20 dB (tests/benchmarks)
AGREED, AGREED_HALF_S = 0.8, 0.4
HALF_AGREED, HALF_AGREED_HALF_S = 0.65, 0.7
U_FIRST_FIRING_S = 0.25  # the first blows are faint and often missed; likewise
FALLS_SILENT = 1.0  # natural logarithm of power, mean over the bands: 4 dB
NO_IDLE = 0.08  # relative uncertainty of a mean speed that is no idle: it only rose or fell
# standard deviations by which firing keeps step: speech stays below 3 (a speech synthesiser, 84
# sentences), engines at 0 dB reach 11 and more
IN_STEP = 6.0
SHORT_FIT = 22.0  # of the lines, where nothing is long enough to show whether it keeps step
SHOWN_EVERY_S = 0.25  # of the speed over time


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Heard:
    """A reading with what it rests on."""

    reading: SoundReading
    sound: SoundTrack | None = None
    track: BeatTrack | None = None
    stretch: Stretch | None = None
    spectra: tuple[OrderSpectrum, OrderSpectrum] | None = None  # pulse, swell; order 1 = beat
    best: Reading | None = None


def listen(
    path: str | Path, *, cylinders: int | None = None, strokes: int = 4, tell: Tell | None = None
) -> SoundReading:
    """Listen to the first sound track of a file.

    Parameters
    ----------
    path : str or Path
        Clip or sound file; without sound the reading holds nothing but the doubt that says so.
    cylinders : int or None
        As told; None leaves it open, and the speed with it.
    strokes : int
        4 or 2.
    tell : callable, optional
        Called with the share done and words; may raise `Cancelled`.

    Raises
    ------
    ClipError
        If the file cannot be opened at all.
    ValueError
        If `strokes` or `cylinders` cannot be.
    """
    return hear(path, cylinders=cylinders, strokes=strokes, tell=tell).reading


def hear(
    path: str | Path, *, cylinders: int | None = None, strokes: int = 4, tell: Tell | None = None
) -> Heard:
    """Listen as `listen` does and keep what plots need."""
    if tell:
        tell(0.0, "decoding the sound")
    sound = read_sound(path)
    if tell:
        tell(0.3, "listening")
    heard = listen_to(sound, cylinders=cylinders, strokes=strokes)
    if tell:
        tell(1.0, "listened")
    return heard


def listen_to(sound: SoundTrack | None, *, cylinders: int | None = None, strokes: int = 4) -> Heard:
    """Listen to decoded sound; see `listen`."""
    if sound is None or len(sound.samples) == 0:
        return _nothing(sound, {d.NO_SOUND}, "There is no sound.")
    found = _fitness(sound)
    if float(np.abs(sound.samples).max()) < 1e-4:
        return _nothing(sound, {d.NO_SOUND}, "The sound track is silent.")
    if sound.duration_s < 2.0:
        return _nothing(sound, found | {d.TOO_SHORT}, "The sound is too short to tell anything.")
    samples = without_hum(sound.samples, sound.rate_hz)
    engine = find_engine(samples, sound.rate_hz, cylinders=cylinders, strokes=strokes)
    if isinstance(engine, str):
        return _nothing(sound, found | {d.NO_ENGINE_HEARD}, f"Cannot tell: {engine}.")
    curve = follow_speed(engine.beats, engine.track, engine.parts, (engine.spell, engine.stretch))
    if not _keeps_step(engine):
        words = (
            "Cannot tell: what repeats does not keep step from cycle to cycle as an engine does."
        )
        return _nothing(sound, found | {d.NO_ENGINE_HEARD}, words)
    reading = _read(engine, curve, sound, found)
    return Heard(
        reading=reading, sound=sound, track=engine.track, stretch=engine.stretch,
        spectra=engine.spectra, best=engine.best,
    )  # fmt: skip


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
    shown = _thinned(curve, SHOWN_EVERY_S)
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
    start = find_start(engine.loudness, engine.first_heard_s)
    if start:
        steady_s = float(engine.track.time_s[engine.spell.steady_first])
        reading = _with_start(reading, start, steady_s, sound.begins_s)
    return replace(reading, words=tell_sound(reading, evenness))


def _thinned(curve: SpeedCurve, every_s: float) -> NDArray[np.int64]:
    """Numbers of the points to show: the first of each `every_s`."""
    bins = np.floor(curve.time_s / every_s)
    return np.flatnonzero(np.diff(np.concatenate([[-1.0], bins])) > 0)


def _nothing(sound: SoundTrack | None, doubts: set[Doubt], words: str) -> Heard:
    return Heard(reading=SoundReading(words=words, doubts=frozenset(doubts)), sound=sound)


def _fitness(sound: SoundTrack) -> set[Doubt]:
    found: set[Doubt] = set()
    if sound.clipped_share > 0.01:
        found.add(d.SOUND_CLIPPED)
    if sound.lost_packets:
        found.add(d.DAMAGED_FILE)
    power = np.abs(np.fft.rfft(sound.samples.astype(np.float64))) ** 2
    f = np.fft.rfftfreq(len(sound.samples), 1 / sound.rate_hz)
    # wind at a microphone lies below 20 1/s far more than any exhaust does
    if power[(f > 1) & (f < 15)].sum() > 2.0 * power[f >= 15].sum():
        found.add(d.WIND_NOISE)
    return found


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
        run_up = Measured(value=steady_s - start.first_firing_s, u=0.25, unit="s")
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
