"""Opens a clip and hands out its frames, one at a time, each with its own time.

Memory does not grow with the clip: a frame is decoded when it is asked for and not kept. Time runs
on the player's clock: 0 where the file starts. The ready-made conversions to red, green and blue
of the video libraries are off by one or two levels, a percent of opacity; see `coding`.
"""

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smokecase.doubts import (
    BAD_TIME_STAMPS,
    COLOUR_TAGS_ASSUMED,
    DAMAGED_FILE,
    HEAVY_COMPRESSION,
    TRUNCATED_FILE,
    Doubt,
)
from smokecase.video import bits, stills
from smokecase.video.coding import Coding, quarter_turns, to_codes
from smokecase.video.container import (
    AGAIN,
    Times,
    clip_error,
    decoded,
    filmed,
    first_frame,
    list_packets,
    open_container,
)

LONG_SIDE = 640  # working size; finer texture hardly survives a phone's compression
TRUNCATED_S = 0.5  # a container may announce a little more than it holds; beyond this it is cut off


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """One picture with its own time."""

    index: int  # counted from the clip's first frame
    time_s: float
    codes: NDArray[np.uint16]  # (h, w, 3) red, green, blue, not linear, 65535 full, upright

    def __post_init__(self) -> None:
        self.codes.setflags(write=False)


@dataclass(slots=True, eq=False, kw_only=True)
class Clip:
    """A file with pictures. `lost_packets`, `doubts` and `remarks` are complete after a walk."""

    path: Path
    name: str  # file name without folders
    sha256: str
    source: str  # clip, still, animation
    width: int  # of the upright picture with square pixels, full size
    height: int
    scale: float  # working pixels per picture pixel, 1 at most
    transfer: str  # srgb, hlg, pq
    duration_s: float  # from the start of the file to the end of its last whole frame
    frame_count: int  # as the file lists them
    nominal_fps: float
    coding: str = "codes as stored, light by the sRGB curve"  # in words, with what was assumed
    doubts: frozenset[Doubt] = frozenset()
    remarks: tuple[str, ...] = ()  # what was lost or had to be guessed, in plain words
    lost_packets: int = 0
    zero_s: float = 0.0  # the file's own stamp at the clip's time 0
    state: tuple[int, ...] = ()  # size, time of change and number of the file when it was opened
    walk: "Walker" = field(repr=False)

    @property
    def working_size(self) -> tuple[int, int]:
        """Width and height of the frames' codes."""
        return _scaled(self.width, self.height, self.scale)

    def frames(
        self, from_s: float = 0.0, to_s: float = np.inf, *, every: int = 1
    ) -> Iterator[Frame]:
        """Decode anew and hand out each `every`-th of the frames with ``from_s <= time_s <= to_s``.

        Raises
        ------
        ClipError
            If the file has vanished or cannot be read any more.
        """
        return self.walk(self, from_s, to_s, every)

    def refuse_changed(self) -> None:
        """See that the file is still the one whose fingerprint was taken.

        Raises
        ------
        ClipError
            If it was changed, exchanged or removed since.
        """
        if _state(self.path) != self.state:
            what = "the file was changed while it was read"
            raise clip_error(self.path, what, "wait until it is written, then try it again")

    def to_picture(self, x: float, y: float) -> tuple[float, float]:
        """Picture coordinates of a working pixel; both have 0 at a pixel's centre."""
        return (x + 0.5) / self.scale - 0.5, (y + 0.5) / self.scale - 0.5

    def to_working(self, x: float, y: float) -> tuple[float, float]:
        """Undo `to_picture`."""
        return (x + 0.5) * self.scale - 0.5, (y + 0.5) * self.scale - 0.5

    def resized(self, long_side: int) -> "Clip":
        """Give the same clip with frames of this longest side in pixels, or their full size."""
        return replace(self, scale=min(1.0, long_side / max(self.width, self.height)))

    def add(self, doubt: Doubt, remark: str) -> None:
        """Note once that something is weak, and what."""
        self.doubts |= {doubt}
        if remark not in self.remarks:
            self.remarks += (remark,)


# a walk through a clip from and to a time, of which each so manieth frame is handed out
Walker = Callable[[Clip, float, float, int], Iterator[Frame]]


def open_clip(path: str | Path, *, long_side: int = LONG_SIDE) -> Clip:
    """Open a clip, an animated picture or a still.

    Parameters
    ----------
    path : str or Path
        The file.
    long_side : int
        Longest side of the frames handed out; smaller pictures are not enlarged. [px]

    Returns
    -------
    Clip
        With size, fingerprint, colour coding and length; no frame is kept.

    Raises
    ------
    ClipError
        If there is no such file, or no picture in it that can be decoded.
    """
    path = Path(path)
    state = _state(path)
    sha256 = _fingerprint(path)
    kind = stills.picture_kind(path)
    if kind:
        clip = _open_picture(path, sha256, kind, long_side)
    else:
        clip = _open_video(path, sha256, long_side)
    clip.state = state
    return clip


def _state(path: Path) -> tuple[int, ...]:
    try:
        found = path.stat()
    except OSError:
        return ()  # what is wrong is told by whoever opens it
    return found.st_size, found.st_mtime_ns, found.st_ino


def _fingerprint(path: Path) -> str:
    try:
        if path.is_dir():
            raise clip_error(path, "this is a folder", "name the clip inside it")
        if path.exists() and not path.is_file():  # a pipe or a device may never end
            raise clip_error(path, "this is no file", "name the clip that was filmed")
        if path.stat().st_size == 0:
            raise clip_error(path, "the file is empty (0 bytes)", AGAIN)
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except FileNotFoundError:
        found = clip_error(path, "there is no such file", "check its name and folder")
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        found = clip_error(
            path, f"the file cannot be read ({reason})", "check that you may open it"
        )
    raise found


def _scaled(width: int, height: int, scale: float) -> tuple[int, int]:
    return max(1, round(width * scale)), max(1, round(height * scale))


# -- stills and animated pictures ---------------------------------------------------------


def _open_picture(path: Path, sha256: str, kind: str, long_side: int) -> Clip:
    if kind == "still":
        codes = stills.read_still(path)
        height, width = codes.shape[:2]
        times: tuple[float, ...] = (0.0,)
        end_s = 0.0
    else:
        width, height, times, end_s = stills.animation_times(path)
    return Clip(
        path=path, name=path.name, sha256=sha256, source=kind, width=width, height=height,
        scale=min(1.0, long_side / max(width, height)), transfer="srgb", duration_s=end_s,
        frame_count=len(times), nominal_fps=len(times) / end_s if end_s else 0.0,
        walk=_walk_still if kind == "still" else _walk_animation,
    )  # fmt: skip


def _walk_still(clip: Clip, from_s: float, to_s: float, every: int) -> Iterator[Frame]:
    if from_s <= 0.0 <= to_s:
        yield Frame(0, 0.0, stills.shrink(stills.read_still(clip.path), clip.working_size))


def _walk_animation(clip: Clip, from_s: float, to_s: float, every: int) -> Iterator[Frame]:
    inside = 0
    for index, (time_s, codes) in enumerate(stills.walk_animation(clip.path)):
        if time_s > to_s:
            return
        if time_s >= from_s:
            if inside % every == 0:
                yield Frame(index, time_s, stills.shrink(codes, clip.working_size))
            inside += 1


# -- clips --------------------------------------------------------------------------------


def _open_video(path: Path, sha256: str, long_side: int) -> Clip:
    with open_container(path) as container:
        stream = filmed(container)[0]
        listed = list_packets(container, stream)
    with open_container(path) as container:
        stream = filmed(container)[0]
        first = first_frame(path, container, stream)
        aspect = stream.codec_context.sample_aspect_ratio
        width, height = _square_pixels(first.width, first.height, float(aspect or 1.0))
        if quarter_turns(first) % 2:
            width, height = height, width
        coding = Coding.of(first, sides=(max(width, height), min(width, height)))
        codec = stream.codec_context.codec
        remark = bits.too_few_bits(first, codec, size=listed.size, count=listed.count)
        clip = Clip(
            path=path, name=path.name, sha256=sha256, source="clip", width=width, height=height,
            scale=min(1.0, long_side / max(width, height)), transfer=coding.transfer,
            duration_s=listed.end_s, frame_count=listed.count, nominal_fps=1.0 / listed.step_s,
            zero_s=listed.zero_s, walk=_walk_video,
        )  # fmt: skip
    clip.coding = coding.words()
    if coding.assumed:
        clip.add(COLOUR_TAGS_ASSUMED, coding.words())
    if remark:
        clip.add(HEAVY_COMPRESSION, remark)
    if listed.announced_s > listed.end_s + TRUNCATED_S:
        clip.add(
            TRUNCATED_FILE,
            f"the recording stops at {listed.end_s:.1f} s of {listed.announced_s:.1f} s: "
            f"{listed.announced_s - listed.end_s:.1f} s are lost, what is there was measured",
        )
    return clip


def _walk_video(clip: Clip, from_s: float, to_s: float, every: int) -> Iterator[Frame]:
    lost, inside = [0], 0
    sides = (max(clip.width, clip.height), min(clip.width, clip.height))
    with open_container(clip.path) as container:
        stream = filmed(container)[0]
        times = Times(clip.zero_s, 1.0 / clip.nominal_fps)
        try:
            for index, frame in enumerate(decoded(container, stream, lost)):
                time_s = times.of(frame)
                if time_s > to_s:
                    return
                if time_s >= from_s:
                    if inside % every == 0:
                        coding = Coding.of(frame, sides=sides)
                        yield Frame(index, time_s, to_codes(frame, coding, clip.working_size))
                    inside += 1
        finally:  # also where the caller has seen enough
            _note_losses(clip, lost[0], times.repaired)


def _note_losses(clip: Clip, lost: int, repaired: int) -> None:
    clip.lost_packets = max(clip.lost_packets, lost)
    if lost:
        packets = (
            "damaged packet of the file was" if lost == 1 else "damaged packets of the file were"
        )
        clip.add(DAMAGED_FILE, f"{lost} {packets} left out")
    if repaired:
        clip.add(
            BAD_TIME_STAMPS,
            "some time stamps are missing or run backwards; even spacing was assumed there",
        )


def _square_pixels(width: int, height: int, aspect: float) -> tuple[int, int]:
    """Size with square pixels; `aspect` is a stored pixel's width over its height."""
    return (max(1, round(width * aspect)), height) if 0.1 < aspect < 10 else (width, height)
