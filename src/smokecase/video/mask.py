"""Writes a copy of a clip to hand on: boxes covered, no sound, nothing of the file's own data.

The pictures are coded anew, so place, time, camera and owner that the original carries are not in
the copy. The copy is for looking; it is never measured.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smokecase.errors import AnswersError
from smokecase.video.clip import Frame, open_clip
from smokecase.video.write import write_h264

Picture = NDArray[np.uint8]
Tell = Callable[[float, str], None]

LONG_SIDE = 1280
GREY = 64  # of the covering box


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """What is covered: a box in pixels of the upright picture, all the time or for a while."""

    x0: float
    y0: float
    x1: float
    y1: float
    from_s: float = 0.0
    to_s: float = float("inf")

    def __post_init__(self) -> None:
        if not (self.x1 > self.x0 and self.y1 > self.y0 and self.to_s > self.from_s):
            what = f"the box {self.x0:g},{self.y0:g},{self.x1:g},{self.y1:g} is empty"
            raise AnswersError(what, where="mask", remedy="give left, top, right and bottom")


def write_masked(
    path: Path, out: Path, boxes: Sequence[Box], *, to_srgb8: Callable[[Frame, str], Picture],
    tell: Tell | None = None,
) -> int:  # fmt: skip
    """Write the copy; returns its number of pictures.

    Raises
    ------
    ClipError
        If the clip cannot be read.
    AnswersError
        If a box lies outside the picture.
    OSError
        If it cannot be written.
    """
    clip = open_clip(path, long_side=LONG_SIDE)
    for box in boxes:
        if box.x0 >= clip.width or box.y0 >= clip.height or box.x1 <= 0 or box.y1 <= 0:
            what = f"the box at {box.x0:g},{box.y0:g} lies outside the picture"
            size = f"{clip.width} x {clip.height}"
            raise AnswersError(what, where=path.name, remedy=f"the picture has {size} pixels")
    told = tell or (lambda share, words: None)

    def pictures() -> Iterator[tuple[float, Picture]]:
        for frame in clip.frames():
            told(min(1.0, frame.time_s / max(clip.duration_s, 0.1)), f"covering {path.name}")
            shown = np.array(to_srgb8(frame, clip.transfer))
            for box in boxes:
                if box.from_s <= frame.time_s <= box.to_s:
                    _cover(shown, box, clip.scale)
            yield frame.time_s, shown

    return write_h264(out, pictures(), fps=clip.nominal_fps or 25.0)


def _cover(picture: Picture, box: Box, scale: float) -> None:
    """Cover the box, to the outer edge of every pixel that it touches."""
    x0, y0 = (max(0, int(np.floor(n * scale))) for n in (box.x0, box.y0))
    x1, y1 = (max(0, int(np.ceil(n * scale)) + 1) for n in (box.x1, box.y1))
    picture[y0:y1, x0:x1] = GREY
