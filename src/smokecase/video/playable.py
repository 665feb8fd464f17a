"""Tells whether browsers play a clip as it is."""

from pathlib import Path

import av
from av.error import FFmpegError

from smokecase.video.container import SAFE

# containers and codings that every current browser on every system plays; HEVC, MPEG-4 part 2,
# MJPEG, AVI and MPEG-TS are left out (common practice, no source; tried in Debian's Chromium)
CODECS = {"mp4": {"h264"}, "webm": {"vp8", "vp9"}}
SOUNDS = {"aac", "mp3", "opus", "vorbis", "flac"}
EIGHT_BITS = {"yuv420p", "yuvj420p"}


def plays_in_browsers(path: Path) -> bool:
    """Whether container, coding and depth are ones that every browser plays.

    Parameters
    ----------
    path : Path
        A clip or sound file; one that cannot be opened does not play.
    """
    try:
        with av.open(str(path.absolute()), options=SAFE, metadata_errors="ignore") as container:
            kinds = set(container.format.name.split(","))
            sounds = {s.codec_context.name for s in container.streams.audio}
            films = [s.codec_context for s in container.streams.video]
            if not films:
                return bool(sounds) and sounds <= SOUNDS | {"pcm_s16le"}
            known = set().union(*(CODECS[kind] for kind in kinds & CODECS.keys()))
            return sounds <= SOUNDS and all(
                film.name in known and film.pix_fmt in EIGHT_BITS for film in films
            )
    except (FFmpegError, OSError):
        return False
