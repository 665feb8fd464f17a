"""Draws the figures of a case: a clip's curve, two clips compared, how the weights moved."""

import io
from typing import TYPE_CHECKING, Any

import numpy as np

from smokecase.case.compare import Comparison
from smokecase.languages import ENGLISH, say
from smokecase.readings import Examination
from smokecase.report.course import Course
from smokecase.report.figure_style import SETTINGS

if TYPE_CHECKING:
    from matplotlib.axes import Axes

INK, FAINT, GRID = "#16202a", "#7d8790", "#e2e5e2"
FIRST, SECOND = "#8a3b12", "#14566b"  # also told apart by line and pattern
LINES: tuple[Any, ...] = ("-", (0, (5, 2)), (0, (1, 1.5)), (0, (6, 2, 1, 2)), (0, (3, 3)))
MARKS = ("o", "s", "^", "D", "v")
GREYS = ("#111111", "#14566b", "#8a3b12", "#555555", "#2f6b2f")
SHOWN = 4  # families drawn over the course of a case


def draw_curve(examination: Examination, lang: str = ENGLISH) -> bytes:
    """Opacity over time with its 95 % band, and the plume's densest part; PNG."""
    figure, axes = _sheet(5.8, 2.5)
    trace = examination.trace
    axes.fill_between(
        trace.time_s, np.nan_to_num(trace.opacity_low_pct, nan=0, neginf=-5, posinf=105),
        np.nan_to_num(trace.opacity_high_pct, nan=0, neginf=-5, posinf=105),
        where=np.isfinite(trace.opacity_pct), color="#c9d6da", linewidth=0,
    )  # fmt: skip
    axes.plot(trace.time_s, trace.opacity_pct, color=INK, linewidth=1.4)
    axes.plot(trace.time_s, trace.plume_p95_pct, color=FIRST, linewidth=1.1, linestyle=LINES[1])
    top = _top(trace.opacity_pct, trace.plume_p95_pct, trace.opacity_high_pct)
    low = trace.opacity_low_pct[np.isfinite(trace.opacity_low_pct)]
    axes.set_ylim(min(-0.08 * top, 1.1 * float(low.min(initial=0.0))), top)
    start_s = examination.timing.engine_start_s
    if start_s is not None:
        axes.axvline(start_s, color=FAINT, linewidth=0.9, linestyle=LINES[2])
        axes.text(
            start_s, 0.97 * top, f" {say('engine starts', lang)}", va="top", fontsize=9, color=INK
        )
    _labels(axes, lang, below=say("time in the clip [s]", lang))
    _legend(axes, [(say("at the pipe, with its 95 % band", lang), INK, LINES[0]),
                   (say("densest part of the plume", lang), FIRST, LINES[1])])  # fmt: skip
    return _png(figure)


def draw_comparison(comparison: Comparison, lang: str = ENGLISH) -> bytes:
    """Both curves on one clock, and their difference with its band; PNG."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context(SETTINGS | {"font.size": 10}):
        figure = Figure(figsize=(5.8, 2.75), facecolor="white", layout="constrained")
        above, below = figure.subplots(2, 1, sharex=True, height_ratios=(1.25, 1))
    time_s = comparison.time_s
    for curve, colour, line, pattern in (
        (comparison.first_pct, FIRST, LINES[0], "////"),
        (comparison.second_pct, SECOND, LINES[1], ""),
    ):
        above.fill_between(time_s, curve[:, 1], curve[:, 2], facecolor=colour, alpha=0.16,
                           hatch=pattern, edgecolor=colour, linewidth=0)  # fmt: skip
        above.plot(time_s, curve[:, 0], color=colour, linewidth=1.5, linestyle=line)
    lowest = min(float(np.nanmin(c[:, 1])) for c in (comparison.first_pct, comparison.second_pct))
    above.set_ylim(
        max(min(-5.0, 1.1 * lowest), -40.0), _top(comparison.first_pct, comparison.second_pct)
    )
    first, second = say(comparison.first, lang), say(comparison.second, lang)
    _labels(above, lang)
    _legend(above, [(first, FIRST, LINES[0]), (second, SECOND, LINES[1])])
    change = comparison.difference_pct
    below.axhline(0, color=INK, linewidth=0.9)
    below.fill_between(time_s, change[:, 1], change[:, 2], color="#cfd4d6", linewidth=0)
    below.plot(time_s, change[:, 0], color=INK, linewidth=1.4)
    _labels(below, lang, below=say("time from the start of the engine [s]", lang))
    below.set_ylabel(say("change [%]", lang))
    head = say("{second} less {first}, with its 95 % band", lang)
    below.set_title(head.format(first=first, second=second), loc="left", fontsize=10)
    return _png(figure)


def draw_course(course: Course, lang: str = ENGLISH) -> bytes:
    """How each entry moved the weights of the likeliest families; PNG."""
    figure, axes = _sheet(5.8, 3.3)
    last = course.steps[-1].families
    names = [f.name for f in last[:SHOWN]]
    at = np.arange(len(course.steps))
    for i, name in enumerate(names):
        weights = [
            100 * next(f.weight for f in step.families if f.name == name) for step in course.steps
        ]
        axes.plot(at, weights, color=GREYS[i], linestyle=LINES[i], marker=MARKS[i], markersize=5,
                  linewidth=1.5, label=say(last[i].title, lang))  # fmt: skip
    axes.set_xticks(
        at, [say("usual", lang)] + [f"{s.entry.number}" for s in course.steps if s.entry]
    )
    axes.set_xlabel(say("after entry number (see the table of entries)", lang))
    axes.set_ylabel(say("weight [%]", lang))
    axes.set_ylim(0, 100)
    axes.grid(axis="y", color=GRID, linewidth=0.7)
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.2), ncols=1, frameon=False,
                fontsize=9.5, handlelength=4.5)  # fmt: skip
    return _png(figure)


def _sheet(wide: float, tall: float) -> tuple[Any, "Axes"]:
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context(SETTINGS | {"font.size": 10}):
        figure = Figure(figsize=(wide, tall), facecolor="white", layout="constrained")
        return figure, figure.subplots()


def _top(*columns: Any) -> float:
    values = np.concatenate([np.ravel(c) for c in columns])
    values = values[np.isfinite(values)]
    highest = float(values.max()) if values.size else 0.0
    return 104.0 if highest > 60 else max(20.0, 1.35 * highest)


def _labels(axes: "Axes", lang: str, *, below: str = "") -> None:
    axes.set_ylabel(say("opacity [%]", lang))
    if below:
        axes.set_xlabel(below)
    axes.grid(axis="y", color=GRID, linewidth=0.7)
    axes.set_axisbelow(True)


def _legend(axes: "Axes", parts: list[tuple[str, str, Any]]) -> None:
    from matplotlib.lines import Line2D

    lines = [Line2D([], [], color=c, linestyle=s, linewidth=1.6) for _, c, s in parts]
    axes.legend(lines, [words for words, _, _ in parts], loc="lower right", borderaxespad=0.2,
                bbox_to_anchor=(1.0, 1.0), ncols=2, frameon=False, handlelength=3.4,
                fontsize=9.5)  # fmt: skip


def _png(figure: Any) -> bytes:
    import matplotlib as mpl

    out = io.BytesIO()
    with mpl.rc_context(SETTINGS):
        figure.savefig(out, format="png", dpi=170, metadata={"Software": "smokecase"})
    return out.getvalue()
