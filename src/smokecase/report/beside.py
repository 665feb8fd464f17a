"""Two clips beside one another: a picture at their densest moments, and one clip on one clock."""

import io
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smokecase.languages import ENGLISH, say
from smokecase.optics.light import to_linear, to_srgb8
from smokecase.readings import SCREENING, Examination
from smokecase.video.clip import Clip, Frame, open_clip

Tell = Callable[[float, str], None]
Picture = NDArray[np.uint8]

TALL_PX = 480  # of each picture
RATE_HZ = 25.0  # of the clip made
GAP_PX = 12
STRIP_PX = 72  # under each picture, for its words


def draw_beside(
    paths: tuple[Path, Path], examinations: tuple[Examination, Examination],
    names: tuple[str, str], *, lang: str = ENGLISH,
) -> bytes:  # fmt: skip
    """Draw both clips at their densest moment, side by side; JPEG.

    Raises
    ------
    ClipError
        If one of them cannot be read.
    """
    from PIL import Image

    halves = []
    for path, examination, name in zip(paths, examinations, names, strict=True):
        at_s = _peak_s(examination)
        clip = open_clip(path, long_side=960)
        frame = next(iter(clip.frames(at_s)), None) or next(iter(clip.frames()))
        words = f"{say(name, lang)}: {examination.clip}, {frame.time_s:.1f} s"
        halves.append(_half(_shown(frame, clip), words, lang))
    out = io.BytesIO()
    Image.fromarray(_side_by_side(halves)).save(out, "JPEG", quality=88)
    return out.getvalue()


def write_beside(
    paths: tuple[Path, Path], starts_s: tuple[float, float], names: tuple[str, str], out: Path, *,
    tell: Tell | None = None,
) -> None:  # fmt: skip
    """Write both clips side by side on the clock that begins with the start of the engine.

    The first is heard on the left, the second on the right.

    Raises
    ------
    ClipError
        If one of them cannot be read.
    OSError
        If the file cannot be written.
    """
    from smokecase.video.sound_copy import lay_both_under
    from smokecase.video.write import write_h264

    clips = tuple(open_clip(path, long_side=960) for path in paths)
    begin = -min(*starts_s, 2.0)
    end = min(c.duration_s - s for c, s in zip(clips, starts_s, strict=True))
    told = tell or (lambda share, words: None)

    def pictures() -> Iterator[tuple[float, Picture]]:
        feeds = [_Feed(clip, start) for clip, start in zip(clips, starts_s, strict=True)]
        count = max(1, round((end - begin) * RATE_HZ))
        for i in range(count):
            at_s = begin + i / RATE_HZ
            told(i / count, "laying the clips side by side")
            halves = [
                _half(feed.at(at_s), f"{name}: {at_s:+.1f} s from the start")
                for feed, name in zip(feeds, names, strict=True)
            ]
            yield at_s - begin, _side_by_side(halves)

    silent = out.with_name(f"{out.name}.silent")
    begins_s = (starts_s[0] + begin, starts_s[1] + begin)
    try:
        write_h264(silent, pictures(), fps=RATE_HZ)
        if not lay_both_under(silent, paths, begins_s, out):
            silent.replace(out)
    finally:
        silent.unlink(missing_ok=True)


class _Feed:
    """The picture of a clip that is shown at a time from the start; asked for in order."""

    def __init__(self, clip: Clip, start_s: float) -> None:
        self.clip, self.start_s = clip, start_s
        self.frames = clip.frames()
        self.now = next(self.frames)
        self.following = next(self.frames, None)
        self.picture = _shown(self.now, clip)

    def at(self, time_s: float) -> Picture:
        moved = False
        while self.following is not None and self.following.time_s <= time_s + self.start_s:
            self.now, self.following = self.following, next(self.frames, None)
            moved = True
        if moved:
            self.picture = _shown(self.now, self.clip)
        return self.picture


def _peak_s(examination: Examination) -> float:
    if examination.timing.peak_s is not None:
        return examination.timing.peak_s
    start_s = examination.timing.engine_start_s
    return start_s + 1.0 if start_s is not None else 0.5 * examination.duration_s


def _shown(frame: Frame, clip: Clip) -> Picture:
    return to_srgb8(to_linear(frame.codes, clip.transfer))


def _side_by_side(halves: list[Picture]) -> Picture:
    """Two pictures with a white line between them."""
    line = np.full((halves[0].shape[0], GAP_PX, 3), 255, np.uint8)
    return np.concatenate([halves[0], line, halves[1]], axis=1)


def _half(picture: Picture, words: str, lang: str = ENGLISH) -> Picture:
    """One picture at its height with its words under it."""
    from PIL import Image, ImageDraw, ImageFont

    wide = max(2, round(picture.shape[1] * TALL_PX / picture.shape[0]) // 2 * 2)
    image = Image.fromarray(picture).resize((wide, TALL_PX))
    sheet = Image.new("RGB", (wide, TALL_PX + STRIP_PX), (255, 255, 255))
    sheet.paste(image, (0, 0))
    pen = ImageDraw.Draw(sheet)
    pen.text((8, TALL_PX + 5), words, fill=(16, 22, 30), font=ImageFont.load_default(size=26))
    note = say(SCREENING, lang).split(":")[0] + "."
    pen.text((8, TALL_PX + 42), note, fill=(86, 97, 106), font=ImageFont.load_default(size=18))
    return np.asarray(sheet)
