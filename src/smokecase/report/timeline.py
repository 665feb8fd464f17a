"""Draws the timeline of one examination: opacity, colour weights and events over the time."""

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from smokecase.readings import SCREENING, Examination
from smokecase.report.figure_style import FAINT, MARK, OPACITY, PAPER, PLUME, SETTINGS, title
from smokecase.trace import COLOURS

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
            0.075, 0.955, title("Smoke over time", examination.clip), fontsize=14, weight="bold"
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


def _wrapped(text: str) -> str:
    import textwrap

    return textwrap.fill(text, 60)
