"""Lays the sound of clips under a copy of their pictures, in a form that every browser plays."""

import heapq
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from av.error import FFmpegError
from numpy.typing import NDArray

from smokecase.video.container import SAFE
from smokecase.video.sound_track import SoundTrack, read_sound

RATE_HZ = 44_100
LAYOUT = "stereo"
BLOCK = 1024  # samples handed to the encoder at a time


def lay_under(film: Path, original: Path, path: Path) -> bool:
    """Write the film with the original's first sound track under it.

    Parameters
    ----------
    film : Path
        The copy of the pictures, silent, beginning with the original's first picture.
    original : Path
        The clip that has the sound.
    path : Path
        The MP4 file to write.

    Returns
    -------
    bool
        False where the original has no sound; nothing is written then.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    with av.open(str(original.absolute()), options=SAFE, metadata_errors="ignore") as old:
        if not old.streams.audio or old.streams.audio[0].codec_context is None:
            return False
        # the film's clock begins with the first picture
        filmed = old.streams.video[0]
        begin_s = float((filmed.start_time or 0) * (filmed.time_base or 0))
        with (
            av.open(str(film)) as shown,
            av.open(str(path), "w", format="mp4", options={"movflags": "faststart"}) as new,
        ):
            pictures = new.add_stream_from_template(shown.streams.video[0])
            heard = new.add_stream("aac", rate=RATE_HZ)
            heard.layout = LAYOUT
            for packet in heapq.merge(
                _pictures(shown, pictures), _sound(old, heard, begin_s), key=_time_s
            ):
                new.mux(packet)
    return True


def lay_both_under(
    film: Path, originals: tuple[Path, Path], begins_s: tuple[float, float], path: Path
) -> bool:
    """Write the film with the sound of two clips under it, one on the left, one on the right.

    Parameters
    ----------
    film : Path
        Both clips' pictures side by side, silent.
    originals : tuple of Path
        The clips that have the sound, the left one first.
    begins_s : tuple of float
        Time of each clip at which the film begins; before zero where it begins earlier. [s]
    path : Path
        The MP4 file to write.

    Returns
    -------
    bool
        False where neither has sound; nothing is written then. One without is silent.

    Raises
    ------
    ClipError
        If an original cannot be opened.
    OSError
        If the file cannot be written.
    """
    tracks = [read_sound(original, rate_hz=RATE_HZ) for original in originals]
    if not any(tracks):
        return False
    with (
        av.open(str(film)) as shown,
        av.open(str(path), "w", format="mp4", options={"movflags": "faststart"}) as new,
    ):
        old = shown.streams.video[0]
        length = int(float((old.duration or 0) * (old.time_base or 0)) * RATE_HZ)
        pictures = new.add_stream_from_template(old)
        heard = new.add_stream("aac", rate=RATE_HZ)
        heard.layout = LAYOUT
        sides = [_cut(track, begin, length) for track, begin in zip(tracks, begins_s, strict=True)]
        for packet in heapq.merge(
            _pictures(shown, pictures), _encoded(np.stack(sides), heard), key=_time_s
        ):
            new.mux(packet)
    return True


def _cut(track: SoundTrack | None, begin_s: float, length: int) -> NDArray[np.float32]:
    """Sound of a clip from a time on, silent where there is none."""
    out = np.zeros(length, np.float32)
    if track is not None:
        at = round((track.begins_s - begin_s) * RATE_HZ)  # of its first sample, in the film
        part = track.samples[max(0, -at) : max(0, length - at)]
        out[max(0, at) : max(0, at) + len(part)] = part
    return out


def _encoded(sides: NDArray[np.float32], stream: Any) -> Iterator[Any]:
    for place in range(0, sides.shape[1], BLOCK):
        block = np.ascontiguousarray(sides[:, place : place + BLOCK])
        frame = av.AudioFrame.from_ndarray(block, format="fltp", layout=LAYOUT)
        frame.sample_rate, frame.pts, frame.time_base = RATE_HZ, place, Fraction(1, RATE_HZ)
        yield from stream.encode(frame)
    yield from stream.encode()


def _time_s(packet: Any) -> float:
    return float(packet.dts * packet.time_base)


def _pictures(shown: Any, stream: Any) -> Iterator[Any]:
    for packet in shown.demux(shown.streams.video[0]):
        if packet.dts is not None:
            packet.stream = stream
            yield packet


def _sound(old: Any, stream: Any, begin_s: float) -> Iterator[Any]:
    """Encode the sound anew; what is damaged is left out, and its place stays silent."""
    resampler = av.AudioResampler(format="fltp", layout=LAYOUT, rate=RATE_HZ)
    beat = Fraction(1, RATE_HZ)
    place = None  # in samples from the film's beginning
    for packet in old.demux(old.streams.audio[0]):
        try:
            frames = packet.decode()
        except FFmpegError:
            continue
        for frame in frames:
            stamp_s = None if frame.time is None else frame.time - begin_s
            for part in resampler.resample(frame):
                if stamp_s is not None and (place is None or stamp_s > place * beat + 0.1):
                    place = round(stamp_s * RATE_HZ)
                place = place or 0
                part.pts, part.time_base = place, beat
                place += part.samples
                if part.pts >= 0:
                    yield from stream.encode(part)
    yield from stream.encode()
