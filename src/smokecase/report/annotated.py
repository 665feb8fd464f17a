"""Draws the readings into the clip: the plume's outline, the section, and a running timeline."""

from bisect import bisect_right
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from smokecase.doubts import SMOKE_OPEN
from smokecase.optics.light import to_linear, to_srgb8
from smokecase.readings import Examination
from smokecase.report.story import with_bounds
from smokecase.trace import COLOURS
from smokecase.video.clip import Clip, Frame, open_clip
from smokecase.video.follow import SceneFollower
from smokecase.video.view import IDENTITY
from smokecase.video.write import write_h264

Tell = Callable[[float, str], None]
Picture = NDArray[np.uint8]
Floats = NDArray[np.float64]

LONG_SIDE = 1280
PAPER, INK, FAINT = (252, 252, 250), (29, 36, 41), (138, 148, 155)
BAND, LINE, MARK = (200, 219, 224), (27, 100, 120), (122, 46, 77)
COLOUR_WORDS = {"black": "black", "blue": "blue", "white": "white", "none": "no smoke"}
DARK, EDGE = (16, 16, 16), (255, 210, 63)
OUTLINE_LASTS_S = 0.6  # an older outline is no longer that of the picture
NOTE = "screening reading, no legal smoke test"


def write_annotated(
    examination: Examination, clip_path: str | Path, path: Path, *, tell: Tell | None = None
) -> None:
    """Write the clip with the readings drawn in, at most 1280 pixels long, as H.264.

    The plume is outlined where it was seen last; section and exit keep to the scene where the
    camera moves.

    Raises
    ------
    ClipError
        If the clip cannot be read.
    OSError
        If the file cannot be written.
    """
    clip = open_clip(clip_path, long_side=LONG_SIDE)
    tell = tell or (lambda share, words: None)
    strip = _Strip(examination, clip)
    trace = examination.trace
    end_s = float(trace.time_s[-1]) if len(trace) else 0.0

    def pictures() -> Iterator[tuple[float, Picture]]:
        start_s = float(trace.time_s[0]) if len(trace) else 0.0
        for frame in clip.frames(start_s, end_s):
            tell(min(1.0, frame.time_s / max(end_s, 1e-6)), "drawing the readings into the clip")
            yield frame.time_s, strip.draw(frame)

    write_h264(path, pictures(), fps=clip.nominal_fps or 25.0)


class _Strip:
    """The clip's picture with a strip of readings under it."""

    def __init__(self, examination: Examination, clip: Clip) -> None:
        self.examination, self.clip = examination, clip
        self.width, self.height = clip.working_size
        self.unit = max(10.0, self.width / 52)  # height of the letters [px]
        self.tall = round(7.2 * self.unit) // 2 * 2
        self.large = ImageFont.load_default(size=1.25 * self.unit)
        self.small = ImageFont.load_default(size=0.85 * self.unit)
        trace = examination.trace
        self.span_s = (
            (float(trace.time_s[0]), float(trace.time_s[-1])) if len(trace) else (0.0, 1.0)
        )
        known = trace.opacity_pct[np.isfinite(trace.opacity_pct)]
        self.top_pct = max(20.0, min(104.0, 1.3 * float(known.max()))) if known.size else 100.0
        left = round(0.36 * self.width)
        self.plot = (left, round(1.3 * self.unit), self.width - round(self.unit),
                     self.tall - round(1.6 * self.unit))  # fmt: skip
        self.outlined_s = [outline.time_s for outline in examination.outlines]
        self.scene = SceneFollower() if np.any(trace.shake_px > 0) else None  # the camera moves
        self.empty = self._empty_strip()

    def draw(self, frame: Frame) -> Picture:
        """Picture above, strip below."""
        shown = to_srgb8(to_linear(frame.codes, self.clip.transfer))
        sheet = Image.new("RGB", (self.width, self.height + self.tall), PAPER)
        sheet.paste(Image.fromarray(shown), (0, 0))
        self._outline(ImageDraw.Draw(sheet), frame.time_s)
        move = IDENTITY if self.scene is None else self.scene.move_to(frame)
        self._marks(ImageDraw.Draw(sheet), move)
        sheet.paste(self.empty, (0, self.height))
        self._words(ImageDraw.Draw(sheet), frame.time_s)
        return np.asarray(sheet)

    def _outline(self, pen: ImageDraw.ImageDraw, time_s: float) -> None:
        last = bisect_right(self.outlined_s, time_s + 1e-6) - 1
        if last < 0 or time_s - self.outlined_s[last] > OUTLINE_LASTS_S:
            return
        for shape in self.examination.outlines[last].shapes:
            corners = [self.clip.to_working(float(x), float(y)) for x, y in shape]
            if len(corners) > 2:
                for colour, wide in ((DARK, 3), (EDGE, 1)):  # readable on dark and light
                    pen.line([*corners, corners[0]], fill=colour, width=wide, joint="curve")

    def _marks(self, pen: ImageDraw.ImageDraw, move: Floats) -> None:
        """Draw section and exit, moved with the scene from where they lay in the first picture."""
        section, exit_px = self.examination.section_px, self.examination.exit_px
        if section is not None:
            x0, y0, x1, y1 = (n * self.clip.scale for n in section)
            corners = [_moved(move, x, y) for x, y in ((x0, y0), (x1, y0), (x1, y1), (x0, y1))]
            for colour, wide in ((DARK, 3), ((255, 255, 255), 1)):
                pen.line([*corners, corners[0]], fill=colour, width=wide, joint="curve")
        if exit_px is not None:
            x, y = _moved(move, *self.clip.to_working(*exit_px))
            arm = 0.5 * self.unit
            for colour, wide in ((DARK, 4), ((255, 255, 255), 2)):
                pen.line([x - arm, y, x + arm, y], fill=colour, width=wide)
                pen.line([x, y - arm, x, y + arm], fill=colour, width=wide)

    def _at(self, time_s: float, value_pct: float) -> tuple[float, float]:
        x0, y0, x1, y1 = self.plot
        begin, end = self.span_s
        share = (time_s - begin) / max(end - begin, 1e-6)
        height = min(max(value_pct / self.top_pct, 0.0), 1.0)
        return x0 + share * (x1 - x0), y1 - height * (y1 - y0)

    def _empty_strip(self) -> Image.Image:
        strip = Image.new("RGB", (self.width, self.tall), PAPER)
        pen = ImageDraw.Draw(strip)
        trace = self.examination.trace
        every = max(1, len(trace) // (2 * max(1, self.plot[2] - self.plot[0])))
        kept = [i for i in range(0, len(trace), every) if np.isfinite(trace.opacity_pct[i])]
        lows = np.nan_to_num(trace.opacity_low_pct, nan=0.0, neginf=0.0)
        highs = np.nan_to_num(trace.opacity_high_pct, nan=self.top_pct, posinf=self.top_pct)
        line = [self._at(trace.time_s[i], trace.opacity_pct[i]) for i in kept]
        for i in kept:
            x, low = self._at(trace.time_s[i], lows[i])
            _, high = self._at(trace.time_s[i], highs[i])
            pen.line([x, low, x, high], fill=BAND, width=3)
        if len(line) > 1:
            pen.line(line, fill=LINE, width=2, joint="curve")
        x0, y0, x1, y1 = self.plot
        pen.line([x0, y1, x1, y1], fill=FAINT, width=1)
        pen.line([x0, y0, x0, y1], fill=FAINT, width=1)
        for value, y in ((f"{self.top_pct:.0f} %", y0), ("0 %", y1)):
            pen.text((x0 - 0.4 * self.unit, y), value, fill=INK, font=self.small, anchor="rm")
        for time_s, x, anchor in ((self.span_s[0], x0, "la"), (self.span_s[1], x1, "ra")):
            pen.text((x, y1 + 0.25 * self.unit), f"{time_s:.1f} s", fill=INK, font=self.small,
                     anchor=anchor)  # fmt: skip
        pen.text(((x0 + x1) / 2, y1 + 0.25 * self.unit), NOTE, fill=FAINT, font=self.small,
                 anchor="ma")  # fmt: skip
        return strip

    def _words(self, pen: ImageDraw.ImageDraw, time_s: float) -> None:
        trace = self.examination.trace
        i = int(np.argmin(np.abs(trace.time_s - time_s)))
        left, line = 0.9 * self.unit, 1.55 * self.unit
        top = self.height + 0.7 * self.unit
        if np.isfinite(trace.opacity_pct[i]):
            head, _, tail = with_bounds(
                trace.opacity_pct[i], trace.opacity_low_pct[i], trace.opacity_high_pct[i]
            ).partition(" (")
            head, tail = f"{head} blocked", f"95 %: {tail[:-1]}"
        else:
            head, tail = "no reading", "see the doubts"
        weights = trace.colour[i]
        colour = "colour open"
        if np.isfinite(weights).all() and SMOKE_OPEN not in self.examination.doubts:
            j = int(np.argmax(weights))
            colour = f"{COLOUR_WORDS[COLOURS[j]]}, weight {100 * weights[j]:.0f} %"
        pen.text((left, top), head, fill=LINE, font=self.large)
        for n, words in enumerate((tail, colour, f"at {time_s:.2f} s")):
            pen.text((left, top + (n + 1.15) * line), words, fill=INK, font=self.small)
        x, _ = self._at(time_s, 0.0)
        pen.line([x, self.height + self.plot[1], x, self.height + self.plot[3]], fill=MARK, width=2)


def _moved(move: Floats, x: float, y: float) -> tuple[float, float]:
    """Where a point of the first picture lies in a later one."""
    at = move @ np.array([x, y, 1.0])
    return float(at[0]), float(at[1])
