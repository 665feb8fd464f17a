"""Draws the timeline, the contact sheet and the opacity map of one examination."""

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from smokecase.languages import ENGLISH, say
from smokecase.readings import COLOURS, SCREENING, Examination, KeyFrame
from smokecase.report.figure_style import FAINT, INK, MARK, OPACITY, PAPER, PLUME, SETTINGS
from smokecase.report.story import with_bounds

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# face, edge, pattern: told apart in grey print and by eyes that do not see every colour
COLOUR_STYLES = {
    "black": ("#3a3f44", "#3a3f44", ""),
    "blue": ("#a9c4e6", "#2d5c9a", "////"),
    "white": ("#ffffff", "#6d767c", "...."),
    "none": ("#eef0ee", "#c9cecc", ""),
}
COLOUR_LABELS = {"black": "black", "blue": "blue", "white": "white", "none": "no smoke"}
LABEL_ROWS = 4  # of event labels above the plot
MOST_POINTS = 2000  # a wider line than this cannot be told apart on a page


def draw_timeline(examination: Examination) -> "Figure":
    """Opacity with its 95 % band, the plume's densest part, colour weights, and the events."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context(SETTINGS):
        figure = Figure(figsize=(11, 6.6), facecolor=PAPER)
        above, below = figure.subplots(
            2, 1, sharex=True, height_ratios=(3.2, 1),
            gridspec_kw={"hspace": 0.14, "left": 0.075, "right": 0.79, "top": 0.82,
                         "bottom": 0.135},
        )  # fmt: skip
        _opacity(above, examination)
        _events(above, examination)
        _colours(below, examination)
        figure.text(
            0.075, 0.955, _title("Smoke over time", examination), fontsize=14, weight="bold"
        )
        figure.text(0.075, 0.018, SCREENING, fontsize=8, color=FAINT)
    return figure


def _opacity(axes: "Axes", examination: Examination) -> None:
    trace = examination.trace
    every = max(1, len(trace) // MOST_POINTS)
    time_s, middle, low, high, plume = (
        _thinned(c, every)
        for c in (
            trace.time_s, trace.opacity_pct, trace.opacity_low_pct, trace.opacity_high_pct,
            trace.plume_p95_pct,
        )
    )  # fmt: skip
    readable = np.isfinite(middle)
    floor, ceiling = _range(middle, plume)
    low = np.where(readable & ~np.isfinite(low), floor, low)  # open to that side
    high = np.where(readable & ~np.isfinite(high), ceiling, high)
    axes.axhline(0, color=FAINT, linewidth=0.8)
    axes.axhline(100, color=FAINT, linewidth=0.8, linestyle=(0, (1, 3)))
    axes.fill_between(
        time_s, low, high, color=OPACITY, alpha=0.18, linewidth=0, label="95 % interval"
    )
    axes.plot(time_s, middle, color=OPACITY, linewidth=1.7, label="measuring section")
    axes.plot(
        time_s, plume, color=PLUME, linewidth=1.2, linestyle=(0, (4, 2)),
        label="densest part of the\nplume (95th percentile)",
    )  # fmt: skip
    axes.set_ylim(floor, ceiling)
    axes.set_ylabel("light blocked (opacity) [%]")
    axes.grid(axis="y", color="#e3e6e3", linewidth=0.7)
    axes.set_axisbelow(True)
    axes.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0), frameon=False, borderaxespad=0)
    if not readable.any():
        why = examination.refused or "no reading could be taken"
        axes.text(
            0.5, 0.5, _wrapped(f"No opacity is given: {why}."), transform=axes.transAxes,
            ha="center", va="center", fontsize=12, color=MARK,
            bbox={"facecolor": "white", "edgecolor": MARK, "boxstyle": "round,pad=0.7"},
        )  # fmt: skip


def _range(*columns: NDArray[np.float64]) -> tuple[float, float]:
    """Limits that show every value; intervals may run out of the picture."""
    values = np.concatenate(columns)
    values = values[np.isfinite(values)]
    lowest, highest = (values.min(), values.max()) if values.size else (0.0, 100.0)
    top = 104.0 if highest > 45 else max(20.0, 1.6 * highest)
    return min(-0.06 * top, float(lowest) - 2), max(top, float(highest) + 2)


def _thinned(column: NDArray[np.float64], every: int) -> NDArray[np.float64]:
    """Means of `every` neighbours; nan where none has a value."""
    if every == 1:
        return np.array(column)
    whole = len(column) // every * every
    blocks = column[:whole].reshape(-1, every)
    known = np.isfinite(blocks)
    total = np.where(known, blocks, 0.0).sum(axis=1)
    return np.where(known.any(axis=1), total / np.maximum(known.sum(axis=1), 1), np.nan)


def _events(axes: "Axes", examination: Examination) -> None:
    timing = examination.timing
    peak_s = timing.peak_s
    events = [(timing.engine_start_s, "engine starts"), (timing.onset_s, "first smoke"),
              (peak_s, "peak")]  # fmt: skip
    if peak_s is not None:
        events += [
            (peak_s + fall_s, words)
            for fall_s, words in ((timing.half_fall_s, "half"), (timing.tenth_fall_s, "a tenth"))
            if fall_s is not None
        ]
    told = sorted((at_s, words) for at_s, words in events if at_s is not None)
    time_s = examination.trace.time_s
    begin_s, end_s = (float(time_s[0]), float(time_s[-1])) if len(time_s) else (0.0, 1.0)
    span_s = max(end_s - begin_s, 1e-6)
    taken = [-np.inf] * LABEL_ROWS  # where the last label of each row ends
    for at_s, words in told:
        label = f"{words} {at_s:.1f} s"
        # a label is as wide as its letters; the lowest row with room takes it
        width_s = (len(label) + 2) * 0.0118 * span_s
        ends = at_s + width_s > end_s + 0.02 * span_s  # no room to the right
        left_s = at_s - width_s if ends else at_s
        row = next((r for r in range(LABEL_ROWS) if taken[r] < left_s), 0)
        taken[row] = left_s + width_s
        axes.axvline(at_s, color=MARK, linewidth=0.9, linestyle=(0, (2, 2)), zorder=1)
        axes.annotate(
            label, (at_s, 1.0), xycoords=("data", "axes fraction"), xytext=(0, 4 + 13 * row),
            textcoords="offset points", fontsize=8.5, color=MARK, ha="right" if ends else "left",
            va="bottom", annotation_clip=False,
        )  # fmt: skip


def _colours(axes: "Axes", examination: Examination) -> None:
    trace = examination.trace
    every = max(1, len(trace) // MOST_POINTS)
    time_s = _thinned(trace.time_s, every)
    weights = np.stack([_thinned(trace.colour[:, j], every) for j in range(4)], axis=1)
    weights = 100 * np.where(np.isfinite(weights), weights, 0.0)
    upper = np.cumsum(weights, axis=1)
    for j, name in enumerate(COLOURS):
        face, edge, pattern = COLOUR_STYLES[name]
        axes.fill_between(
            time_s, upper[:, j] - weights[:, j], upper[:, j], facecolor=face, edgecolor=edge,
            hatch=pattern, linewidth=0.6, label=COLOUR_LABELS[name],
        )  # fmt: skip
    axes.set_ylim(0, 100)
    axes.set_yticks([0, 50, 100])
    axes.set_ylabel("colour weight [%]")
    axes.set_xlabel("time in the clip [s]")
    if len(trace) > 1:
        axes.set_xlim(trace.time_s[0], trace.time_s[-1])
    axes.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0), frameon=False, borderaxespad=0,
                handlelength=1.6, handleheight=1.2)  # fmt: skip


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
                    _title(say("Key pictures", lang), examination),
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
        return say("no reading", lang)
    reading = with_bounds(trace.opacity_pct[i], trace.opacity_low_pct[i], trace.opacity_high_pct[i])
    return say(reading, lang)


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
        figure.text(0.02, 1 - 0.27 / tall, _title("Opacity map", examination), fontsize=14,
                    weight="bold")  # fmt: skip
        figure.text(0.02, 0.1 / tall, f"Grey: not measurable there. {SCREENING}", fontsize=8,
                    color=FAINT)  # fmt: skip
    return figure


def _top(values: NDArray[Any]) -> float:
    """Round limit of a colour scale that holds nearly all values."""
    known = values[np.isfinite(values)]
    highest = float(np.percentile(known, 98)) if known.size else 100.0
    return min(100.0, max(10.0, float(np.ceil(highest / 10)) * 10))


def _title(words: str, examination: Examination) -> str:
    name = examination.clip
    return f"{words}: {name if len(name) <= 60 else f'{name[:40]}...{name[-16:]}'}"


def _wrapped(text: str) -> str:
    import textwrap

    return textwrap.fill(text, 60)
