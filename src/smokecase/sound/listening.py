"""Listen to a clip: the start, the speed and the evenness of an engine in one reading.

Public: `listen` (a file), `listen_to` (samples), `Heard` (the reading with what plots need).
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from smokecase import doubts as d
from smokecase.doubts import Doubt
from smokecase.readings import SoundReading
from smokecase.video.sound_track import SoundTrack, read_sound

if TYPE_CHECKING:
    from smokecase.sound.orders import OrderSpectrum, Stretch
    from smokecase.sound.periods import BeatTrack
    from smokecase.sound.speed import Reading

Tell = Callable[[float, str], None]
SILENT = 1e-4  # of full scale
SHORTEST_S = 2.0  # of a sound that can tell anything


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Heard:
    """A reading with what it rests on."""

    reading: SoundReading
    sound: SoundTrack | None = None
    track: "BeatTrack | None" = None
    stretch: "Stretch | None" = None
    # pulse, swell; order 1 is the beat
    spectra: "tuple[OrderSpectrum, OrderSpectrum] | None" = None
    best: "Reading | None" = None


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
        return _nothing(sound, {d.NO_SOUND}, "there is no sound")
    found = _fitness(sound)
    if float(np.abs(sound.samples).max()) < SILENT:
        return _nothing(sound, {d.NO_SOUND}, "the sound track is silent")
    if sound.duration_s < SHORTEST_S:
        return _nothing(sound, found | {d.TOO_SHORT}, "the sound is shorter than two seconds")
    # the tools of the analysis load here: a clip without sound needs none of them
    from smokecase.sound.hearing import hear_engine

    heard = hear_engine(sound, found, cylinders=cylinders, strokes=strokes)
    if isinstance(heard, str):
        return _nothing(sound, found | {d.NO_ENGINE_HEARD}, heard)
    reading, engine = heard
    return Heard(
        reading=reading, sound=sound, track=engine.track, stretch=engine.stretch,
        spectra=engine.spectra, best=engine.best,
    )  # fmt: skip


def _nothing(sound: SoundTrack | None, doubts: set[Doubt], why: str) -> Heard:
    reading = SoundReading(words=f"Cannot tell: {why}.", doubts=frozenset(doubts))
    return Heard(reading=reading, sound=sound)


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
