"""Listen to a clip: the start, the speed and the evenness of an engine in one reading.

Public: `listen` (a file), `listen_to` (samples), `Heard` (the reading with what plots need).
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy.ndimage import median_filter

from smokecase import doubts as d
from smokecase.doubts import Doubt
from smokecase.measured import COVERAGE, Measured
from smokecase.readings import SoundReading
from smokecase.sound.hum import without_hum
from smokecase.sound.locked import locked_lines
from smokecase.sound.orders import OrderSpectrum, Stretch, expected_idle, order_spectrum, sharpen
from smokecase.sound.periods import HOP_S, BeatTrack, follow_beat, hear_beats
from smokecase.sound.running import STRONG, Running, as_stretch, find_running, stands_still
from smokecase.sound.speed import Reading, weigh_readings
from smokecase.sound.start import SHORTEST_CRANK_S, Loudness, Start, find_start, measure_loudness
from smokecase.sound.uneven import Evenness, measure_evenness
from smokecase.video.sound_track import SoundTrack, read_sound

Tell = Callable[[float, str], None]
SURE = 1.3  # of the starter; below it wrong spells outnumber right ones (tests/benchmarks)
# half of the 95 % interval of the cranking time, split conformal on 226 invented starts at 0 to
# 20 dB that nothing else was set on: the starter stands clear and every way of looking for it
# gives the same, or not; where the ways differ more, only a clear starter is timed
CLEAR, CLEAR_APART_S, CLEAR_HALF_S = 2.5, 0.3, 0.35
APART_S, UNCLEAR_HALF_S = 0.6, 1.5
FALLS_SILENT = 1.0  # natural logarithm of power, mean over the bands: 4 dB
# log likelihood of the lines at the best reading: voices, tunes and hum stay below 9, engines at
# 5 dB and better reach 16 and more (tests/benchmarks)
LEAST_FIT, LEAPING_FIT = 10.0, 15.0
SHOWN_BESIDE = 0.1  # weight from which another speed is shown beside


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
    beats = hear_beats(samples, sound.rate_hz)
    spells, track, why_not = find_running(follow_beat(beats))
    if not spells:
        return _nothing(sound, found | {d.NO_ENGINE_HEARD}, f"Cannot tell: {why_not}.")
    spell = max(spells, key=lambda s: s.steady_last - s.steady_first)
    stretch = sharpen(beats, as_stretch(track, spell, len(beats.pulse)))
    if stands_still(stretch):
        words = "Cannot tell: what repeats stands dead still, like mains hum."
        return _nothing(sound, found | {d.NO_ENGINE_HEARD}, words)
    spectra = (order_spectrum(beats.pulse, stretch), order_spectrum(beats.swell, stretch))
    beat_hz = float(stretch.beat_hz.mean())
    readings = weigh_readings(list(spectra), beat_hz, cylinders=cylinders, strokes=strokes)
    if not readings:
        words = "Cannot tell: the beat fits no speed at which an engine of this kind turns."
        return _nothing(sound, found | {d.NO_ENGINE_HEARD}, words)
    best = readings[0]
    if best.fit < (LEAPING_FIT if why_not else LEAST_FIT):
        words = f"Cannot tell: {why_not or 'what repeats has not the regular lines of an engine'}."
        return _nothing(sound, found | {d.NO_ENGINE_HEARD}, words)
    other = _other(readings, best)
    if other:
        found.add(d.SPEED_OPEN)
    loudness = measure_loudness(samples, sound.rate_hz)
    start = find_start(loudness, _first_heard(track, spell))
    per_beat = best.ratio / best.cylinders
    evenness = measure_evenness(
        locked_lines(beats.pulse, stretch, per_beat),
        locked_lines(beats.bursts, stretch, per_beat),
        best.cylinders,
    )
    reading = SoundReading(
        stalls=_stalls(spells, track, loudness),
        idle_speed=_as_idle(best.speed_per_min, stretch, "1/min"),
        other_idle_speed=(_as_idle(other.speed_per_min, stretch, "1/min") if other else None),
        firing_hz=_as_idle(beat_hz * best.ratio, stretch, "1/s"),
        cylinders=best.cylinders,
        uneven_firing=evenness.uneven_firing,
        speed_variation=_variation(stretch),
        weak_cylinder=evenness.weak_weight,
        hunting=_hunting(stretch),
        doubts=frozenset(found),
    )
    if start:
        steady_s = float(track.time_s[spell.steady_first])
        reading = _with_start(reading, start, steady_s, sound.begins_s)
    reading = replace(reading, words=_words(reading, evenness))
    return Heard(
        reading=reading, sound=sound, track=track, stretch=stretch, spectra=spectra, best=best
    )


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


def _other(readings: list[Reading], best: Reading) -> Reading | None:
    """Likeliest reading of another speed, weights of one speed added up."""
    for reading in readings[1:]:
        if abs(np.log(reading.speed_per_min / best.speed_per_min)) > 0.05:
            same = [r for r in readings if abs(r.speed_per_min / reading.speed_per_min - 1) < 0.05]
            return reading if sum(r.weight for r in same) > SHOWN_BESIDE else None
    return None


def _as_idle(mean: float, stretch: Stretch, unit: str) -> Measured:
    factor, u = expected_idle(stretch)
    return Measured(value=mean * factor, u=mean * factor * u, unit=unit)


def _first_heard(track: BeatTrack, spell: Running) -> float:
    """Time from which the beat stays strong and above half its steady rate."""
    steady = np.median(track.beat_hz[spell.steady_first : spell.steady_last + 1])
    i = np.arange(spell.first, spell.steady_first + 1)
    fast = (track.beat_hz[i] > 0.55 * steady) & (median_filter(track.strength, 7)[i] > STRONG)
    slow = np.flatnonzero(~fast)
    first = i[slow[-1] + 1] if len(slow) and slow[-1] + 1 < len(i) else i[0]
    return float(track.time_s[first])


def _with_start(
    reading: SoundReading, start: Start, steady_s: float, begins_s: float
) -> SoundReading:
    """Add the start's times, and the cranking where the starter stood out."""
    reading = replace(
        reading,
        first_firing_s=start.first_firing_s + begins_s,
        runs_s=start.runs_s + begins_s,
    )
    if start.sure > (SURE if start.apart_s < APART_S else CLEAR):
        crank_s = start.cranks[-1][0]
        taken_s = start.runs_s - crank_s
        clear = start.sure > CLEAR and start.apart_s < CLEAR_APART_S
        half_s = CLEAR_HALF_S if clear else UNCLEAR_HALF_S
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


def _variation(stretch: Stretch) -> Measured:
    value = 100.0 * float(np.std(stretch.wander))
    u = value / np.sqrt(2.0 * max(3.0, stretch.duration_s / 0.5)) + 30.0 * stretch.u_beat
    return Measured(value=value, u=float(u), unit="%")


def _hunting(stretch: Stretch) -> float | None:
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


def _words(r: SoundReading, evenness: Evenness) -> str:
    """Say the reading in plain sentences."""
    said = []
    if r.cranking_time:
        said.append(f"Cranks for {r.cranking_time}.")
        if r.attempts and r.attempts > 1:
            said.append(f"It took {r.attempts} attempts.")
    if r.idle_speed:
        text = f"Runs at {r.idle_speed}"
        if r.other_idle_speed:
            text += f", or at {r.other_idle_speed}"
        said.append(text + ".")
    if r.weak_cylinder is not None and r.weak_cylinder > 0.5:
        said.append("One cylinder fires more weakly than the others.")
    elif evenness.too_faint:
        said.append("Too noisy to tell whether one cylinder is weak.")
    elif evenness.several:
        said.append("It fires unevenly, not in the way one weak cylinder would.")
    elif r.weak_cylinder is not None and r.weak_cylinder < 0.1:
        said.append("It fires evenly.")
    if r.hunting is not None and r.hunting > 0.5:
        said.append("The idle speed swings slowly.")
    return " ".join(said)
