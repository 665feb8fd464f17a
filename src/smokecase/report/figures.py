"""Draws what one examination shows in pictures: the contact sheet and the opacity map."""

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from smokecase.doubts import (
    NO_TEXTURE,
    SATURATED,
    SECTION_HIDDEN,
    SHAKY,
    TOO_DARK,
    VEIL_LIKE_PLATE,
    Doubt,
)
from smokecase.languages import ENGLISH, say
from smokecase.readings import SCREENING, Examination, KeyFrame
from smokecase.report.figure_style import FAINT, INK, PAPER, SETTINGS, title
from smokecase.report.story import with_bounds

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def draw_contact_sheet(
    examination: Examination, *, letters: float = 1.0, lang: str = ENGLISH
) -> "Figure | None":
    """Draw the key frames with the plume's outline, the pipe's end and the measuring section.

    Parameters
    ----------
    examination : Examination
    letters : float
        How much larger than usual the letters are, for a sheet that is printed small.
    lang : str
        One of `languages.LANGUAGES`.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    pictures = examination.key_frames
    if not pictures:
        return None
    height, width = pictures[0].picture.shape[:2]
    most = 2 if width >= height else 4
    columns = min(len(pictures), most if len(pictures) <= 4 else most + 1 if most == 2 else 4)
    if len(pictures) == 1 and height > 0.7 * width:
        columns = 2  # a tall picture alone would fill more than a page
    rows = -(-len(pictures) // columns)
    cell_w = 11.0 / columns
    caption, head = (0.42 if letters == 1 else 0.36) * letters, 0.97 * letters
    cell_h = cell_w * height / width + caption
    tall = rows * cell_h + head + 0.18
    with mpl.rc_context(SETTINGS):
        figure = Figure(figsize=(11.4, tall), facecolor=PAPER)
        cells = figure.subplots(
            rows, columns, squeeze=False,
            gridspec_kw={"left": 0.018, "right": 0.982, "wspace": 0.03,
                         "top": 1 - head / tall, "bottom": 0.3 / tall,
                         "hspace": (caption - 0.08) / (cell_h - caption)},
        )  # fmt: skip
        for axes, key in zip(cells.flat, pictures, strict=False):
            _key_frame(axes, key, examination, letters, lang)
        for axes in list(cells.flat)[len(pictures) :]:
            axes.axis("off")
        figure.text(0.018, 1 - 0.33 * letters / tall,
                    title(say("Key pictures", lang), examination.clip),
                    fontsize=14 * min(letters, 1.2), weight="bold")  # fmt: skip
        figure.text(0.018, 1 - 0.56 * letters / tall, _legend_of(pictures, lang),
                    fontsize=8.5 * letters, ha="left", color=INK)  # fmt: skip
        figure.text(0.018, 0.09 / tall, say(SCREENING, lang), fontsize=8, color=FAINT)
    return figure


def _legend_of(pictures: tuple[KeyFrame, ...], lang: str) -> str:
    """Explain what is drawn into the pictures, and nothing that is not."""
    drawn = (
        (say("solid line: outline of the plume", lang), any(_has_outline(key) for key in pictures)),
        (say("dashed square: measuring section", lang), any(key.section_px for key in pictures)),
        (say("cross: end of the pipe", lang), any(key.exit_px for key in pictures)),
    )
    return "     ".join(words for words, there in drawn if there)


def _has_outline(key: KeyFrame) -> bool:
    return bool(key.plume.any() and not key.plume.all())


def _key_frame(
    axes: "Axes", key: KeyFrame, examination: Examination, letters: float, lang: str
) -> None:
    from matplotlib.patches import Rectangle

    axes.imshow(key.picture, interpolation="nearest")
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_visible(False)
    if _has_outline(key):
        outline = key.plume.astype(np.float32)
        for colour, wide in (("#101010", 2.6), ("#ffd23f", 1.3)):  # readable on dark and light
            axes.contour(outline, levels=[0.5], colors=[colour], linewidths=[wide])
    if key.section_px is not None:
        x0, y0, x1, y1 = key.section_px
        for colour, wide in (("#101010", 2.8), ("#ffffff", 1.4)):
            axes.add_patch(
                Rectangle((x0 - 0.5, y0 - 0.5), x1 - x0, y1 - y0, fill=False, edgecolor=colour,
                          linewidth=wide, linestyle=(0, (3, 1.5)))
            )  # fmt: skip
    if key.exit_px is not None:
        for colour, wide in (("#101010", 3.2), ("#ffffff", 1.6)):
            axes.plot(*key.exit_px, marker="+", markersize=10, markeredgewidth=wide, color=colour)
    height, width = key.picture.shape[:2]
    axes.set_xlim(-0.5, width - 0.5)
    axes.set_ylim(height - 0.5, -0.5)
    head = f"{key.time_s:.1f} s" if examination.source in ("clip", "animation") else ""
    caption = "  ".join(part for part in (head, say(key.what, lang)) if part)
    reading = _reading_at(examination, key.time_s, lang)
    size = 9.5 * letters
    if letters > 1:  # there is no room for both beside one another
        axes.set_title(caption, loc="left", fontsize=size, weight="bold", pad=5 + 1.25 * size)
        axes.annotate(reading, (0.0, 1.0), xycoords="axes fraction",
                      xytext=(0, 4), textcoords="offset points", fontsize=size)  # fmt: skip
        return
    axes.set_title(caption, loc="left", fontsize=size, weight="bold", pad=4)
    axes.set_title(f"{say('section', lang)} {reading}", loc="right", fontsize=size, pad=4)


def _reading_at(examination: Examination, time_s: float, lang: str) -> str:
    trace = examination.trace
    if not len(trace):
        return ""
    i = int(np.argmin(np.abs(trace.time_s - time_s)))
    if not np.isfinite(trace.opacity_pct[i]):
        return _why_none(trace.doubts[i], lang)
    reading = with_bounds(trace.opacity_pct[i], trace.opacity_low_pct[i], trace.opacity_high_pct[i])
    return say(reading, lang)


def _why_none(doubts: frozenset[Doubt], lang: str) -> str:
    """Say in a word or two why a picture has no reading."""
    reasons = (
        (SECTION_HIDDEN, say("hidden", lang)),
        (SATURATED, say("blown out", lang)),
        (TOO_DARK, say("too dark", lang)),
        (NO_TEXTURE, say("too even behind", lang)),
        (SHAKY, say("camera shakes", lang)),
        (VEIL_LIKE_PLATE, say("too uncertain", lang)),
    )
    why = next((words for doubt, words in reasons if doubt in doubts), "")
    return say("no reading", lang) + (f": {why}" if why else "")


def draw_opacity_map(examination: Examination) -> "Figure | None":
    """Opacity of every pixel of a pair of stills, and half the width of its 95 % interval."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    found = examination.opacity_map
    if found is None:
        return None
    height, width = found.opacity_pct.shape
    tall = 5.4 * height / width + 1.25
    with mpl.rc_context(SETTINGS):
        figure = Figure(figsize=(11.6, tall), facecolor=PAPER)
        left, right = figure.subplots(
            1, 2,
            gridspec_kw={"left": 0.02, "right": 0.955, "top": 1 - 0.62 / tall,
                         "bottom": 0.35 / tall, "wspace": 0.12},
        )  # fmt: skip
        half = (found.high_pct - found.low_pct) / 2
        for axes, values, scale, extend, words in (
            (left, found.opacity_pct, "cividis", "both", "light blocked (opacity) [%]"),
            (right, half, "magma", "max", "half of the 95 % interval [%]"),
        ):
            shown = axes.imshow(np.ma.masked_invalid(values), cmap=scale, vmin=0, vmax=_top(values))
            axes.set_facecolor("#d9dcd9")  # not measurable
            axes.set_xticks([])
            axes.set_yticks([])
            axes.set_title(words, loc="left", fontsize=9.5, weight="bold")
            figure.colorbar(shown, ax=axes, fraction=0.04 * height / width, pad=0.015,
                            extend=extend)  # fmt: skip
        figure.text(0.02, 1 - 0.27 / tall, title("Opacity map", examination.clip), fontsize=14,
                    weight="bold")  # fmt: skip
        figure.text(0.02, 0.1 / tall, f"Grey: not measurable there. {SCREENING}", fontsize=8,
                    color=FAINT)  # fmt: skip
    return figure


def _top(values: NDArray[Any]) -> float:
    """Round limit of a colour scale that holds nearly all values."""
    known = values[np.isfinite(values)]
    highest = float(np.percentile(known, 98)) if known.size else 100.0
    return min(100.0, max(10.0, float(np.ceil(highest / 10)) * 10))
