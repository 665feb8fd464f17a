"""The engine in a sound: where it runs, where its speed is even, and how its beat is to be read.

Public: `EngineFound`, `find_engine`.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter, uniform_filter1d

from smokecase.sound.orders import OrderSpectrum, Stretch, order_spectrum, sharpen
from smokecase.sound.periods import Beats, BeatTrack, follow_beat, hear_beats
from smokecase.sound.running import STRONG, Running, as_stretch, find_running, stands_still
from smokecase.sound.speed import Reading, weigh_readings
from smokecase.sound.start import Loudness, measure_loudness

# log likelihood of the lines at the best reading: voices, tunes and hum stay below 9, engines at
# 5 dB and better reach 16 and more (tests/benchmarks)
LEAST_FIT, LEAPING_FIT = 10.0, 15.0
MUCH_QUIETER = 2.0  # natural logarithm of power: 9 dB, which automatic gain leaves of 20
LOW_BANDS = slice(0, 9)  # up to 400 1/s
SHOWN_BESIDE = 0.1  # weight from which another speed is shown beside


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EngineFound:
    """A running engine, before any figure is taken."""

    beats: Beats
    track: BeatTrack
    loudness: Loudness
    spells: list[Running]
    parts: list[NDArray[np.int64]]
    spell: Running  # the longest even one
    stretch: Stretch  # its settled part, sharpened
    spectra: tuple[OrderSpectrum, OrderSpectrum]  # pulse, swell; order 1 is the beat
    best: Reading
    other: Reading | None  # likeliest reading of another speed, where it cannot be excluded

    @property
    def first_heard_s(self) -> float:
        """Time from which the beat stays strong and above half its steady rate."""
        return _first_heard(self.track, self.spell)


def find_engine(
    samples: NDArray[np.float32], rate_hz: int, *, cylinders: int | None, strokes: int
) -> EngineFound | str:
    """Find the engine; where there is none, say what the sound is instead.

    Raises
    ------
    ValueError
        If `strokes` or `cylinders` cannot be.
    """
    beats = hear_beats(samples, rate_hz)
    running = find_running(follow_beat(beats))
    if not running.spells:
        return running.why_not
    track, loudness = running.track, measure_loudness(samples, rate_hz)
    spell = max(running.spells, key=lambda s: s.steady_last - s.steady_first)
    spell = _without_quiet(spell, track, loudness)
    stretch = sharpen(beats, as_stretch(track, spell, len(beats.pulse)))
    if stands_still(stretch):
        return "what repeats stands dead still, like mains hum"
    spectra = (order_spectrum(beats.pulse, stretch), order_spectrum(beats.swell, stretch))
    beat_hz = float(stretch.beat_hz.mean())
    readings = weigh_readings(list(spectra), beat_hz, cylinders=cylinders, strokes=strokes)
    if not readings:
        return "the beat fits no speed at which an engine of this kind turns"
    best = readings[0]
    if best.fit < (LEAPING_FIT if running.why_not else LEAST_FIT):
        return running.why_not or "what repeats has not the regular lines of an engine"
    return EngineFound(
        beats=beats, track=track, loudness=loudness, spells=running.spells, parts=running.parts,
        spell=spell, stretch=stretch, spectra=spectra, best=best, other=_other(readings, best),
    )  # fmt: skip


def _other(readings: list[Reading], best: Reading) -> Reading | None:
    """Likeliest reading of another speed, weights of one speed added up."""
    for reading in readings[1:]:
        if abs(np.log(reading.speed_per_min / best.speed_per_min)) > 0.05:
            same = [r for r in readings if abs(r.speed_per_min / reading.speed_per_min - 1) < 0.05]
            return reading if sum(r.weight for r in same) > SHOWN_BESIDE else None
    return None


def _without_quiet(spell: Running, track: BeatTrack, loudness: Loudness) -> Running:
    """Leave out a beginning so quiet that it is something else's beat, like what is left of hum."""
    level = uniform_filter1d(loudness.level[:, LOW_BANDS].mean(axis=1), 32)  # half a second
    loud = np.interp(track.time_s, loudness.time_s, level)
    usual = float(np.median(loud[spell.steady_first : spell.steady_last + 1]))
    half = spell.first + (spell.last - spell.first) // 2
    quiet = np.flatnonzero(loud[spell.first : half] < usual - MUCH_QUIETER)
    if not len(quiet):
        return spell
    first = spell.first + int(quiet[-1]) + 1
    return replace(spell, first=first, steady_first=max(first, spell.steady_first))


def _first_heard(track: BeatTrack, spell: Running) -> float:
    """Time from which the beat stays strong and above half its steady rate."""
    steady = np.median(track.beat_hz[spell.steady_first : spell.steady_last + 1])
    i = np.arange(spell.first, spell.steady_first + 1)
    fast = (track.beat_hz[i] > 0.55 * steady) & (median_filter(track.strength, 7)[i] > STRONG)
    slow = np.flatnonzero(~fast)
    first = i[slow[-1] + 1] if len(slow) and slow[-1] + 1 < len(i) else i[0]
    return float(track.time_s[first])
