"""Tells in plain words what one clip showed: the story, the colour, and what is in doubt.

Pure text from an `Examination`; the command, the folder's README and the page use the same words.
"""

import math
import textwrap
from collections import Counter
from collections.abc import Callable

import numpy as np

from smokecase.doubts import DOUBTS, SMOKE_FROM_START, SMOKE_OPEN
from smokecase.errors import printable
from smokecase.measured import COVERAGE, Measured
from smokecase.readings import SCREENING, Examination, OpacityMap
from smokecase.report.spans import PEAK_HALF_WIDTH_S, bounds_over, span_at_peak
from smokecase.trace import COLOURS

WIDE = 80  # columns of a screen
WHOLE = (-math.inf, math.inf)  # all of the clip
COLOUR_WORDS = {"black": "black", "blue": "blue", "white": "white", "none": "no smoke"}


def tell_story(examination: Examination) -> str:
    """Tell the story of the start in one paragraph.

    Every number stands with its 95 % interval, or the paragraph says why it has none.
    """
    if examination.source in ("still", "pair"):
        sentences = _of_a_picture(examination)
    elif examination.refused:
        sentences = [
            f"No opacity is given for this clip: {examination.refused}.",
            *_seen(examination),
        ]
    else:
        sentences = _of_a_clip(examination)
    return " ".join(sentences)


def tell_colour(examination: Examination) -> str:
    """Tell the colour in one sentence, with its weights."""
    colour = examination.colour
    if colour.none > 0.5:
        return "No smoke was seen, so there is no colour to tell."
    weights = ", ".join(f"{COLOUR_WORDS[k]} {round(100 * getattr(colour, k))} %" for k in COLOURS)
    if colour.colour_open:
        return (
            "The colour cannot be told from what was filmed (weights, which say how sure that "
            f"is: {weights})."
        )
    lit = " It may be lit from behind, which makes any smoke look bright." * (
        colour.lighting == "back_lit"
    )
    return f"The smoke is {colour.word} (weights, which say how sure that is: {weights}).{lit}"


def tell_summary(examination: Examination, *, most_doubts: int = 6) -> str:
    """Tell all that matters in less than one screen of 80 columns."""
    parts = [_head(examination), fill_lines(tell_story(examination))]
    if examination.heard:
        parts.append(fill_lines(f"Sound: {examination.heard}"))
    remarks = [str(r) for r in examination.settings.get("remarks", [])]
    if remarks:
        parts.append(_list("About the file", remarks))
    doubts = tell_doubts(examination)
    if len(doubts) > most_doubts:
        more = len(doubts) - most_doubts
        words = f"and {more} more, in README.txt of the folder that --out names"
        doubts = [*doubts[:most_doubts], words]
    if doubts:
        parts.append(_list("Doubts, and what would help", doubts))
    parts.append(fill_lines(SCREENING))
    return "\n\n".join(parts)


def _head(examination: Examination) -> str:
    size = f"{examination.width} x {examination.height} pixels"
    if examination.source in ("clip", "animation"):
        size = f"{examination.duration_s:.1f} s, {size}, {_pictures(examination.frames)} measured"
    lines = [f"{printable(examination.clip)}: {size}"]
    if examination.exit_px is not None:
        x, y = examination.exit_px
        lines.append(f"end of the pipe at {x:.0f},{y:.0f}{_reach(examination.u_exit_px)}")
        if examination.diameter_px is not None:
            wide = f"{examination.diameter_px:.0f}{_reach(examination.u_diameter_px)}"
            lines[-1] += f", its width {wide} pixels"
    return "\n".join(lines)


def _pictures(count: int) -> str:
    return "1 picture" if count == 1 else f"{count} pictures"


def _reach(u: float | None) -> str:
    if u is None:
        return " (no interval known)"
    return f" (95 %: +/- {COVERAGE * u:.0f})" if u > 0 else " (as given)"


def _list(title: str, lines: list[str]) -> str:
    shown = (fill_lines(f"- {line}", indent="  ") for line in lines)
    return "\n".join([title, *shown])


def fill_lines(text: str, *, width: int = WIDE, indent: str = "") -> str:
    """Break text into lines; a number and its percent sign stay together.

    >>> fill_lines("it blocks 53 % of it", width=13).splitlines()
    ['it blocks', '53 % of it']
    """
    together = text.replace(" %", "\N{NO-BREAK SPACE}%")
    filled = textwrap.fill(together, width, subsequent_indent=indent)
    return filled.replace("\N{NO-BREAK SPACE}", " ")


def tell_doubts(examination: Examination, *, say: Callable[[str], str] = str) -> list[str]:
    """Tell each doubt with its remedy, one line each: the view first, then scene and file.

    `say` says each text in the reader's language.
    """
    order = list(DOUBTS.values())
    doubts = sorted(examination.doubts, key=order.index)
    return [f"{say(d.words)}: {say(d.remedy)}" for d in doubts]


def with_bounds(value_pct: float, low_pct: float, high_pct: float) -> str:
    """Write an opacity with its 95 % interval, to whole percents.

    >>> with_bounds(-0.3, -4.2, math.inf)
    '0 % (-4 to open)'
    """
    value, low, high = (
        str(round(n)) if math.isfinite(n) else "open" for n in (value_pct, low_pct, high_pct)
    )
    return f"{value} % ({low} to {high})"


def _of_a_picture(examination: Examination) -> list[str]:
    if examination.refused:
        return [f"No opacity is given: {examination.refused}.", tell_colour(examination)]
    level = _around(examination, None, WHOLE)
    where = "just beyond the end of the pipe" if examination.section_px else "in the plume"
    if level is None and examination.opacity_map is not None:
        opacity = _of_the_map(examination.opacity_map)
    elif level is None:
        opacity = f"How much light is blocked {where} could not be read{_why(examination)}."
    else:
        opacity = f"Between the two pictures the smoke blocks {level} of the light {where}."
    return [opacity, tell_colour(examination)]


def _of_the_map(found: OpacityMap) -> str:
    """Tell the middle of the map where no section could be placed."""
    known = np.isfinite(found.opacity_pct)
    if not known.any():
        return "How much light is blocked could be read at no pixel."
    middle, low, high = (
        float(np.median(part[known])) for part in (found.opacity_pct, found.low_pct, found.high_pct)
    )
    return (
        "No end of a pipe is known, so there is no measuring section; over the pixels that can "
        f"be read ({round(100 * known.mean())} % of them) the middle opacity is "
        f"{with_bounds(middle, low, high)}, and opacity_map.png shows the rest."
    )


def _of_a_clip(examination: Examination) -> list[str]:
    timing = examination.timing
    if timing.onset_s is None:
        limit = _densest if SMOKE_OPEN in examination.doubts else _limit
        return [*_started(examination), tell_no_onset(examination), limit(examination)]
    sentences = _started(examination)
    if SMOKE_FROM_START in examination.doubts:
        sentences.append("Smoke is there from the first picture.")
    else:
        sentences.append(f"Smoke is first seen at {timing.onset_s:.1f} s.")
    if timing.peak_s is not None:
        peak = tell_peak(examination)
        blocks = (
            f"where it blocks {peak} of the light just beyond the end of the pipe."
            if peak is not None
            else f"but how much light it blocks could not be read{_why(examination)}."
        )
        sentences += [f"It is densest at {timing.peak_s:.1f} s, {blocks}", _fall(examination)]
    if timing.settled_pct is not None:
        settled = _around(examination, timing.settled_pct, _last_fifth(examination))
        if settled is not None:
            sentences.append(f"Towards the end it settles at {settled}.")
    return [*sentences, *_seen(examination), tell_colour(examination), _apart(examination)]


def tell_peak(examination: Examination) -> str | None:
    """Tell the light blocked at the peak with its interval; None where it could not be read."""
    span = span_at_peak(examination)
    if span is not None:
        return with_bounds(*span)
    peak_s = examination.timing.peak_s
    return None if peak_s is None else _nearest_reading(examination, peak_s)


def _nearest_reading(examination: Examination, at_s: float) -> str | None:
    """Give the reading of the nearest picture, where few pictures were filmed."""
    trace = examination.trace
    apart = np.abs(trace.time_s - at_s)
    if not apart.size or apart.min() > 2 * PEAK_HALF_WIDTH_S:
        return None
    i = int(np.argmin(apart))
    if not np.isfinite(trace.opacity_pct[i]):
        return None  # a moment before or after is another, thinner smoke
    bounds = (trace.opacity_low_pct[i], trace.opacity_high_pct[i])
    return with_bounds(float(trace.opacity_pct[i]), float(bounds[0]), float(bounds[1]))


def tell_no_onset(examination: Examination) -> str:
    """Tell that no smoke was seen, or that this stays open."""
    if SMOKE_OPEN in examination.doubts:
        return "Whether there is smoke cannot be told."
    return "No smoke was seen."


def _limit(examination: Examination) -> str:
    """Say how much smoke could have gone unseen."""
    level = _around(examination, None, WHOLE)
    if level is None:
        return f"How thin a smoke could have gone unseen cannot be said{_why(examination)}."
    return (
        f"Over the whole clip the measuring section read {level}; smoke thinner than the upper "
        "end of this interval would not have shown."
    )


def _densest(examination: Examination) -> str:
    """Tell the highest reading of what may or may not be smoke."""
    time_s, half = examination.trace.time_s, PEAK_HALF_WIDTH_S
    middles = np.arange(time_s[0], time_s[-1] + half, half) if time_s.size else time_s
    around = [(t - half, t + half) for t in middles]
    read = [(bounds, span) for span in around if (bounds := bounds_over(examination, None, span))]
    if not read:
        return f"How much light was blocked cannot be said{_why(examination)}."
    bounds, span = max(read, key=lambda one: one[0][0])
    return (
        f"The highest reading of the measuring section is {with_bounds(*bounds)}, around "
        f"{span[0] + half:.1f} s; if it is smoke, it blocked so much of the light then."
    )


def _why(examination: Examination) -> str:
    """Name the commonest doubt of the readings that are missing."""
    trace = examination.trace
    missing = [d for i, d in enumerate(trace.doubts) if not np.isfinite(trace.opacity_pct[i])]
    counts = Counter(doubt for doubts in missing for doubt in doubts)
    if not counts:
        return ""
    most = max(counts.values())
    return f": {min(d for d in counts if counts[d] == most).words}"


def _started(examination: Examination) -> list[str]:
    start_s, sound = examination.timing.engine_start_s, examination.sound
    if start_s is not None:
        return [f"The engine starts at {start_s:.1f} s."]
    if sound is not None and sound.runs_s is not None:
        return [f"By its sound the engine runs from {sound.runs_s:.1f} s on."]
    return []


def _fall(examination: Examination) -> str:
    timing = examination.timing
    if timing.half_fall_s is None:
        return "It does not fall to half of that before the clip ends."
    half = f"It falls to half of that within {timing.half_fall_s:.1f} s"
    if timing.tenth_fall_s is None:
        return f"{half} and does not fall to a tenth before the clip ends."
    return f"{half} and to a tenth within {timing.tenth_fall_s:.1f} s."


def _seen(examination: Examination) -> list[str]:
    timing = examination.timing
    sentences = []
    if timing.visible_share is not None and timing.onset_s is not None:
        spell = (
            f", at the longest for {timing.longest_visible_s:.1f} s without a break"
            if timing.longest_visible_s is not None
            else ""
        )
        sentences.append(
            f"Smoke can be seen {100 * timing.visible_share:.0f} % of the time{spell}."
        )
    if timing.puff_hz is not None:
        rate = f"{timing.puff_hz:.1f}"
        if timing.u_puff_hz is not None:
            rate = str(Measured(value=timing.puff_hz, u=timing.u_puff_hz, unit=""))
        sentences.append(f"It comes in puffs, {rate} a second.")
    return sentences


def _apart(examination: Examination) -> str:
    step = np.diff(examination.trace.time_s)
    apart = f", {np.median(step):.2f} s apart," if step.size else ""
    return (
        f"Times are those of single pictures{apart} and carry no interval of their own; puffs and "
        "noise can move them by some tenths of a second."
    )


def _last_fifth(examination: Examination) -> tuple[float, float]:
    time_s = examination.trace.time_s
    if not time_s.size:  # a table that was damaged
        return 0.0, 0.0
    onset_s = examination.timing.onset_s or 0.0
    return float(time_s[-1] - 0.2 * (time_s[-1] - onset_s)), float(time_s[-1])


def _around(
    examination: Examination, value_pct: float | None, span: tuple[float, float]
) -> str | None:
    bounds = bounds_over(examination, value_pct, span)
    return with_bounds(*bounds) if bounds is not None else None
