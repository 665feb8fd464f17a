"""Lays the sound of a clip under a copy of its pictures, in a form that every browser plays."""

import heapq
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
from av.error import FFmpegError

from smokecase.video.clip import SAFE

RATE_HZ = 44_100
LAYOUT = "stereo"


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
