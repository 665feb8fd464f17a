"""Opens a file's container, tells what it declares, and decodes its pictures one by one.

What is damaged is left out and counted. A picture's time is that of the player's clock: 0 where the
file starts.
"""

import os
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from av.error import FFmpegError

from smokecase.errors import ClipError
from smokecase.video import bits

MOST_THREADS = 5  # of the decoder
ORIGINAL = "use the phone's original file (MP4 or MOV), or convert it to H.264"
AGAIN = "copy it from the phone again"

# containers that a camera or a messenger writes; no playlist and no text format is among them,
# for those would make the decoder open other files or the network
CONTAINERS = (
    "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,avi,mpegts,mpeg,flv,asf,ogg,dv,mxf,ivf,nut,"
    "h264,hevc,m4v,mjpeg,mpegvideo,obu,av1,wav,mp3,aac,flac"
)
SAFE = {"protocol_whitelist": "file", "format_whitelist": CONTAINERS}


def clip_error(path: Path, what: str, remedy: str) -> ClipError:
    """Say of a file what is wrong with it and what to do."""
    return ClipError(what, where=path.name or str(path), remedy=remedy)


def open_container(path: Path) -> "av.container.InputContainer":
    """Open a file that has moving pictures.

    Raises
    ------
    ClipError
        If it cannot be read, or has none.
    """
    try:
        container = av.open(str(path.absolute()), options=SAFE, metadata_errors="ignore")
    except FFmpegError:
        if _unfinished(path):
            what = "the recording was never finished, its table of contents is missing"
            found = clip_error(path, what, AGAIN)
        else:
            what = "this is no clip or picture that can be read"
            found = clip_error(path, what, ORIGINAL)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        found = clip_error(
            path, f"the file cannot be read ({reason})", "check that you may open it"
        )
    else:
        if filmed(container):
            return container
        sound = bool(container.streams.audio)
        container.close()
        what = "there is sound but no picture in it" if sound else "there is no picture in it"
        found = clip_error(path, what, "name the clip that was filmed")
    raise found


def filmed(container: "av.container.InputContainer") -> list["av.VideoStream"]:
    """Streams of moving pictures; the cover picture of a sound file is none."""
    cover = av.stream.Disposition.attached_pic
    return [s for s in container.streams.video if not s.disposition & cover]


def _unfinished(path: Path) -> bool:
    """Tell an MP4 or MOV that has its first box but not the one that lists its frames.

    Source: ISO/IEC 14496-12, 4.2 (boxes) and 8.2.1 (moov).
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        place = 0
        kinds: list[bytes] = []
        while place + 8 <= size and len(kinds) < 1000:
            file.seek(place)
            head = file.read(16)
            length, kind = int.from_bytes(head[:4], "big"), head[4:8]
            if length == 1:  # a long box
                length = int.from_bytes(head[8:16], "big")
            kinds.append(kind)
            if length < 8:
                break
            place += length
    return bool(kinds) and kinds[0] == b"ftyp" and b"moov" not in kinds


@dataclass(frozen=True, slots=True)
class Listed:
    """What the packets say before anything is decoded."""

    count: int
    size: int  # of all packets [byte]
    step_s: float  # usual time from frame to frame
    zero_s: float  # the file's stamp at the clip's time 0
    end_s: float
    announced_s: float  # length that the container promises; 0 where it promises none


def list_packets(container: "av.container.InputContainer", stream: "av.VideoStream") -> Listed:
    """Go through all packets once, decoding none."""
    # 8 bytes a frame: an hour at 240 frames a second is 7 MB
    stamps, size = [], 0
    for packet in _packets(container, stream):
        if packet.size and not packet.is_corrupt:
            stamps.append(_seconds(packet.pts, stream.time_base))
            size += packet.size
    known = np.sort([s for s in stamps if np.isfinite(s)])
    steps = np.diff(known)
    steps = steps[steps > 0]
    rate = float(stream.average_rate or stream.guessed_rate or 25)
    step_s = float(np.median(steps)) if steps.size else 1.0 / rate
    # the player's clock starts at the earliest stamp of any stream
    start_s = float(known[0]) if known.size else 0.0
    zero_s = start_s if container.start_time is None else container.start_time / 1e6
    end_s = float(known[-1]) - zero_s + step_s if known.size else len(stamps) * step_s
    if stream.duration:
        announced_s = start_s - zero_s + _seconds(stream.duration, stream.time_base)
    else:
        announced_s = (container.duration or 0) / 1e6 - (
            zero_s if container.start_time is None else 0
        )
    return Listed(len(stamps), size, step_s, zero_s, end_s, announced_s)


def _seconds(stamp: int | None, base: Fraction | None) -> float:
    """Seconds of a stamp; nan where the file has none."""
    return float(stamp * base) if stamp is not None and base is not None else np.nan


def _packets(
    container: "av.container.InputContainer", stream: "av.VideoStream"
) -> Iterator["av.Packet[av.VideoStream]"]:
    """All packets; goes on after a damaged place, gives up where nothing follows."""
    in_a_row = 0
    while in_a_row < 20:
        try:
            for packet in container.demux(stream):
                in_a_row = 0
                yield packet
        except FFmpegError:
            in_a_row += 1
            continue
        return


def decoded(
    container: "av.container.InputContainer",
    stream: "av.VideoStream",
    lost: list[int],
    threads: str = "AUTO",
) -> Iterator["av.VideoFrame"]:
    """All frames that can be decoded; `lost` counts the packets that cannot."""
    stream.thread_type = threads
    # a decoder would take a thread a core, and each holds pictures of its own
    if stream.codec_context is not None:  # none for a coding that is not known
        stream.codec_context.thread_count = min((os.cpu_count() or 1) + 1, MOST_THREADS)
    for packet in _packets(container, stream):
        if packet.is_corrupt:
            lost[0] += 1  # cut or damaged; what can be seen of it would be guesswork
            continue
        try:
            for frame in packet.decode():
                if frame.is_corrupt:  # patched up by the decoder: not what the camera saw
                    lost[0] += 1
                else:
                    yield frame
        except FFmpegError:
            lost[0] += 1


def first_frame(
    path: Path, container: "av.container.InputContainer", stream: "av.VideoStream"
) -> "av.VideoFrame":
    """Decode one frame, and how coarsely it was rounded where the decoder tells that.

    Raises
    ------
    ClipError
        If none can be decoded.
    """
    if stream.codec_context is not None:
        stream.codec_context.options = bits.DECODING
    # threads by frame would decode several for the one
    for frame in decoded(container, stream, [0], threads="SLICE"):
        return frame
    raise clip_error(path, "no picture could be decoded", "convert it to H.264 and try again")


class Times:
    """Each frame's time on the player's clock, always growing.

    A stamp that is missing or not later than the one before is replaced by the usual step. Two
    such in a row mean that the clock was set back: from then on it is taken from there.
    """

    def __init__(self, zero_s: float, step_s: float) -> None:
        self.zero_s, self.step_s = zero_s, step_s
        self.last_s = -np.inf
        self.bad_before = False
        self.repaired = 0

    def of(self, frame: "av.VideoFrame") -> float:
        """Time of the next frame, in seconds."""
        stamp_s = _seconds(frame.pts, frame.time_base) - self.zero_s
        if stamp_s > self.last_s:  # not so where it is nan
            self.bad_before = False
            self.last_s = stamp_s
            return stamp_s
        self.repaired += 1
        time_s = self.last_s + self.step_s if np.isfinite(self.last_s) else 0.0
        if self.bad_before and np.isfinite(stamp_s):
            self.zero_s -= time_s - stamp_s
        self.bad_before = True
        self.last_s = time_s
        return time_s
