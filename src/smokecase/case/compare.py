"""Compares two clips: suspect and healthy, before and after.

First comes whether they can be compared at all (`conditions.py`); where they cannot, there is no
verdict. Then both are laid on one clock that begins with the engine's start, and their opacity is
taken apart window by window. Neighbouring frames share their errors, so a mean over many frames is
hardly surer than one of them:

    u(mean)^2 = u(camera)^2 + u(swirl)^2 + u(one start to the next)^2

with u(camera) the mean of the frames' own intervals, taken whole. Errors that both clips share
would make their difference surer; how much they share is not known, so nothing is taken off.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from statistics import NormalDist
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smokecase.case.conditions import Condition, against, check_conditions, find_starts
from smokecase.case.record import Circumstances
from smokecase.measured import COVERAGE, Measured
from smokecase.readings import SCREENING, Examination

Floats = NDArray[np.float64]

STEP_S = 0.1  # of the common clock
EARLY_S = 4.0  # the first window after the start
FEWEST_S = 2.0  # less common time tells nothing
FEWEST_SHARE = 0.5  # of the common time that both must have readings for
# one start is not like the next, on the same engine: common practice, no source
U_REPEAT_SHARE = 0.10
SMALLEST_PCT = 2.0  # a smaller difference is of no use to anyone
# "no difference" is said only where one larger than this, or than this share, would have shown
NO_DIFFERENCE_PCT = 12.0
NO_DIFFERENCE_SHARE = 0.5
NO_DIFFERENCE_Z = 1.0  # a window further apart than this many uncertainties leaves it open
ONE_SIDED = 1.6448536269514722  # 95 % of a normal distribution, one-sided
CLEAR_PCT = 5.0  # below this the smoke has cleared, as in the visible plume
VERDICTS = ("more", "less", "no difference", "cannot tell", "cannot be compared")


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One window of time, or one quantity, in both clips."""

    name: str
    first: Measured
    second: Measured
    difference: Measured  # second less first

    @property
    def z(self) -> float:
        """Difference over its standard uncertainty."""
        return self.difference.value / max(self.difference.u, 1e-9)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Comparison:
    """What two clips say together; `first` is suspect or before, `second` healthy or after."""

    first: str  # what each is called in the sentences
    second: str
    conditions: tuple[Condition, ...]
    verdict: str  # one of VERDICTS: the smoke of the second against the first
    sentence: str
    confidence: float | None  # chance that the sign of the difference is right [0 to 1]
    windows: tuple[Difference, ...] = ()
    clearing: tuple[str, ...] = ()
    colour: str = ""
    sound: tuple[str, ...] = ()
    shift_s: tuple[float, float] = (0.0, 0.0)  # time of the start in each clip
    time_s: Floats  # (n,) from the start, the common clock
    first_pct: Floats  # (n, 3) opacity, low, high
    second_pct: Floats  # (n, 3)
    difference_pct: Floats  # (n, 3) second less first

    def to_json(self) -> dict[str, Any]:
        """Plain values, version 1; the curves stay out."""
        return {
            "version": 1,
            "screening_note": SCREENING,
            "first": self.first,
            "second": self.second,
            "verdict": self.verdict,
            "sentence": self.sentence,
            "confidence": self.confidence,
            "conditions": [
                {k: getattr(c, k) for k in ("name", "first", "second", "alike", "words", "hinders")}
                for c in self.conditions
            ],
            "windows": [
                {"name": w.name}
                | {k: getattr(w, k).to_json() for k in ("first", "second", "difference")}
                for w in self.windows
            ],
            "clearing": list(self.clearing),
            "colour": self.colour,
            "sound": list(self.sound),
            "start_s": list(self.shift_s),
        }


def compare(
    first: Examination,
    second: Examination,
    *,
    first_told: Circumstances | None = None,
    second_told: Circumstances | None = None,
    first_name: str = "before",
    second_name: str = "after",
) -> Comparison:
    """Compare two clips of a start or of running engines.

    Parameters
    ----------
    first, second : Examination
        Suspect and healthy, or before and after.
    first_told, second_told : Circumstances, optional
        What is known of each; what is not told is named, and does not forbid a verdict.
    first_name, second_name : str
        What each is called in the sentences.
    """
    told = (first_told or Circumstances(), second_told or Circumstances())
    names = (first_name, second_name)
    starts, how = find_starts(first, second)
    conditions = check_conditions((first, second), told)
    if how:
        conditions.append(how)
    pictures = first.source == second.source == "pair"
    time_s, curves = _on_one_clock((first, second), starts)
    if not pictures:
        conditions += _common(time_s, curves, names)
    empty = np.empty((0, 3))
    if any(c.alike is False and c.hinders for c in conditions):
        reasons = "; ".join(c.words for c in conditions if c.alike is False and c.hinders)
        return Comparison(
            first=names[0], second=names[1], conditions=tuple(conditions),
            verdict="cannot be compared", confidence=None,
            sentence=f"The two clips cannot be compared: {reasons}.",
            shift_s=starts, time_s=np.empty(0), first_pct=empty, second_pct=empty,
            difference_pct=empty,
        )  # fmt: skip
    windows = _of_pictures(first, second) if pictures else _windows(time_s, curves)
    verdict, confidence, decisive = _judge(windows)
    return Comparison(
        first=names[0], second=names[1], conditions=tuple(conditions), verdict=verdict,
        sentence=_sentence(verdict, confidence, decisive, windows, names),
        confidence=confidence, windows=windows,
        clearing=() if pictures else _clearing(time_s, curves, names),
        colour=_colour(first, second, names), sound=_sound(first, second, names),
        shift_s=starts, time_s=time_s, first_pct=curves[0], second_pct=curves[1],
        difference_pct=_subtract(curves[0], curves[1]),
    )  # fmt: skip


def _common(
    time_s: Floats, curves: tuple[Floats, Floats], names: tuple[str, str]
) -> list[Condition]:
    name = "common time"
    if time_s.size * STEP_S < FEWEST_S:
        return [against(name, f"less than {FEWEST_S:g} s of both clips lie on one another")]
    found = []
    for curve, which in zip(curves, names, strict=True):
        share = float(np.isfinite(curve[:, 0]).mean())
        if share < FEWEST_SHARE:
            words = f'clip "{which}" has readings for only {100 * share:.0f} % of the common time'
            found.append(against(name, words))
    return found


def _on_one_clock(
    clips: tuple[Examination, Examination], starts: tuple[float, float]
) -> tuple[Floats, tuple[Floats, Floats]]:
    ends = [
        c.trace.time_s[-1] - s if len(c.trace) else 0.0 for c, s in zip(clips, starts, strict=True)
    ]
    count = max(0, math.floor(float(min(ends)) / STEP_S))
    time_s = np.asarray((np.arange(count) + 0.5) * STEP_S, dtype=np.float64)
    one, other = (_binned(c, s, count) for c, s in zip(clips, starts, strict=True))
    return time_s, (one, other)


def _binned(clip: Examination, start_s: float, count: int) -> Floats:
    """Opacity with its bounds in even steps, nan where there is no reading, shape (count, 3)."""
    trace = clip.trace
    table = np.stack([trace.opacity_pct, trace.opacity_low_pct, trace.opacity_high_pct], axis=1)
    # a side that is open may be anywhere on the scale
    table[:, 1] = np.where(np.isneginf(table[:, 1]), np.minimum(table[:, 0], 0.0), table[:, 1])
    table[:, 2] = np.where(np.isposinf(table[:, 2]), np.maximum(table[:, 0], 100.0), table[:, 2])
    known = np.isfinite(table).all(axis=1)
    at = np.floor((trace.time_s - start_s) / STEP_S).astype(int)
    use = known & (at >= 0) & (at < count)
    total = np.zeros((count, 3))
    weight = np.bincount(at[use], minlength=count).astype(float)
    for j in range(3):
        total[:, j] = np.bincount(at[use], weights=table[use, j], minlength=count)
    with np.errstate(invalid="ignore", divide="ignore"):
        binned = total / weight[:, None]
    return _bridged(binned)


def _bridged(binned: Floats) -> Floats:
    """Fill gaps of one or two steps, as a slow camera leaves them, from their neighbours."""
    known = np.flatnonzero(np.isfinite(binned[:, 0]))
    for left, right in pairwise(known):
        if 1 < right - left <= 3:
            for i in range(left + 1, right):
                share = (i - left) / (right - left)
                binned[i] = (1 - share) * binned[left] + share * binned[right]
    return binned


def _subtract(first: Floats, second: Floats) -> Floats:
    """Second less first, with the bounds of a difference of independent errors."""
    middle = second[:, 0] - first[:, 0]
    below = np.hypot(second[:, 0] - second[:, 1], first[:, 2] - first[:, 0])
    above = np.hypot(second[:, 2] - second[:, 0], first[:, 0] - first[:, 1])
    return np.stack([middle, middle - below, middle + above], axis=1)


# -- window by window -----------------------------------------------------------------------------


def _windows(time_s: Floats, curves: tuple[Floats, Floats]) -> tuple[Difference, ...]:
    end_s = float(time_s[-1]) + STEP_S / 2
    spans = [("whole common time", 0.0, end_s)]
    if end_s >= 1.5 * EARLY_S:
        spans.insert(0, (f"first {EARLY_S:g} s after the start", 0.0, EARLY_S))
    if end_s >= 3 * EARLY_S:
        spans.append(("last third of the common time", 2 * end_s / 3, end_s))
    found = []
    for name, begin, end in spans:
        inside = (time_s >= begin) & (time_s < end)
        both = inside & np.isfinite(curves[0][:, 0]) & np.isfinite(curves[1][:, 0])
        if both.sum() * STEP_S < 1.0:
            continue
        one, other = (_level(curve[both]) for curve in curves)
        u = math.hypot(one.u, other.u)
        change = Measured(value=other.value - one.value, u=u, unit="%")
        found.append(Difference(name=name, first=one, second=other, difference=change))
    return tuple(found)


def _of_pictures(first: Examination, second: Examination) -> tuple[Difference, ...]:
    """Two pairs of stills: the one reading of each, and how far it could be from the next."""
    levels = []
    for clip in (first, second):
        columns = (clip.trace.opacity_pct, clip.trace.opacity_low_pct, clip.trace.opacity_high_pct)
        curve = np.stack(columns, axis=1)
        if not np.isfinite(curve).all() or not len(curve):
            return ()
        levels.append(_level(curve))
    change = Measured(
        value=levels[1].value - levels[0].value, u=math.hypot(levels[0].u, levels[1].u), unit="%"
    )
    name = "whole of the two pictures"
    return (Difference(name=name, first=levels[0], second=levels[1], difference=change),)


def _level(curve: Floats) -> Measured:
    """Mean opacity of a window with all that makes it unsure; see the top of this file."""
    value = float(curve[:, 0].mean())
    u_camera = float(np.mean(curve[:, 2] - curve[:, 1]) / (2 * COVERAGE))
    u_moments = _u_of_moments(curve[:, 0])
    u_repeat = U_REPEAT_SHARE * max(value, 0.0)
    return Measured(value=value, u=math.sqrt(u_camera**2 + u_moments**2 + u_repeat**2), unit="%")


def _u_of_moments(opacity: Floats) -> float:
    """Tell how unsure the smoke's own swirl makes a mean, from means of blocks of a second.

    Blocks are longer than an eddy stays in the section. The slow course (a puff that clears) is
    what is measured and not chance, so each block is compared with the line through its
    neighbours.

    Source
    ------
    Means of blocks: Flyvbjerg and Petersen 1989, J. Chem. Phys. 91, 461 (from memory).
    """
    per_block = round(1.0 / STEP_S)
    whole = opacity.size // per_block
    if whole < 3:
        return float(opacity.std() / math.sqrt(max(whole, 1)))
    blocks = opacity[: whole * per_block].reshape(whole, per_block).mean(axis=1)
    bend = blocks[1:-1] - (blocks[:-2] + blocks[2:]) / 2  # variance 1.5 times that of a block
    return float(math.sqrt(np.mean(bend**2) / 1.5 / whole))


def _judge(
    windows: tuple[Difference, ...],
) -> tuple[str, float | None, Difference | None]:
    """Verdict, the chance that its sign is right, and the window it rests on."""
    if not windows:
        return "cannot tell", None, None
    normal = NormalDist()
    # several windows are looked at, so each must be surer: Bonferroni
    needed = normal.inv_cdf(1 - 0.05 / (2 * len(windows)))
    strong = [w for w in windows if abs(w.z) >= needed and abs(w.difference.value) >= SMALLEST_PCT]
    signs = {w.difference.value > 0 for w in strong}
    widest = max(windows, key=lambda w: abs(w.z))
    if len(signs) == 1:
        best = max(strong, key=lambda w: abs(w.z))
        chance = min(normal.cdf(abs(best.z)), 1 - 1e-6)
        # never surer than all the windows together allow
        return ("more" if signs == {True} else "less"), 1 - (1 - chance) * len(windows), best
    if len(signs) == 2:
        return "cannot tell", None, widest
    whole = next(w for w in windows if _is_whole(w))
    reach = _reach(whole.difference)
    limit = max(NO_DIFFERENCE_PCT, NO_DIFFERENCE_SHARE * max(whole.first.value, whole.second.value))
    if all(abs(w.z) < NO_DIFFERENCE_Z for w in windows) and reach <= limit:
        return "no difference", None, whole
    return "cannot tell", None, widest


def _is_whole(window: Difference) -> bool:
    return window.name.startswith("whole")


def _shown(level: Measured) -> str:
    """Opacity with its interval, and in words where it is hardly any."""
    return f"hardly any smoke, {level}," if level.high < CLEAR_PCT else str(level)


def _reach(change: Measured) -> float:
    """Tell how large a difference [%] may be that was not seen: two one-sided tests at 5 %.

    Source
    ------
    Schuirmann 1987, J. Pharmacokinet. Biopharm. 15, 657 (from memory).
    """
    return abs(change.value) + ONE_SIDED * change.u


def _sentence(
    verdict: str, confidence: float | None, window: Difference | None,
    windows: tuple[Difference, ...], names: tuple[str, str],
) -> str:  # fmt: skip
    if window is None:
        return "Whether the smoke differs cannot be told: too little of it could be read in both."
    change = window.difference
    if verdict in ("more", "less"):
        size = Measured(value=abs(change.value), u=change.u, unit="% opacity")
        sure = "more than 99 %" if (confidence or 0) > 0.99 else f"{100 * (confidence or 0):.0f} %"
        return (
            f'"{names[1]}" smokes {verdict} than "{names[0]}": {_shown(window.second)} against '
            f"{_shown(window.first)} over the {window.name}, {size} {verdict} (confidence {sure})."
        )
    if verdict == "no difference":
        return (
            f'No difference between "{names[0]}" and "{names[1]}": {window.first} against '
            f"{window.second} over the {window.name}; one larger than {_reach(change):.0f} % "
            "opacity would have shown."
        )
    if len({w.difference.value > 0 for w in windows if abs(w.z) > COVERAGE}) == 2:
        return (
            f'Neither smokes less throughout: "{names[1]}" smokes more in one part of the time '
            f'and less in another than "{names[0]}".'
        )
    return (
        f'Whether "{names[1]}" smokes more or less than "{names[0]}" cannot be told: the '
        f"difference over the {window.name} is {change}, which is not sure enough"
        + (f" where {len(windows)} spans of time are looked at." if len(windows) > 1 else ".")
    )


# -- what else there is -------------------------------------------------------------------------


def _clearing(
    time_s: Floats, curves: tuple[Floats, Floats], names: tuple[str, str]
) -> tuple[str, ...]:
    told = []
    for curve, name in zip(curves, names, strict=True):
        times = [_last_above(time_s, curve[:, j]) for j in (1, 0, 2)]
        words = [f"{t:.0f} s" if t < time_s[-1] - 0.5 else f"later than {t:.0f} s" for t in times]
        if times[1] == 0.0:
            told.append(
                f'"{name}": hardly any smoke at the pipe, never for long above {CLEAR_PCT:g} %.'
            )
        elif words[1].startswith("later"):
            told.append(f'"{name}": does not clear within {time_s[-1]:.0f} s of the start.')
        else:
            told.append(
                f'"{name}": clears to below {CLEAR_PCT:g} % in {words[1]} '
                f"({words[0]} to {words[2]}, by the readings' own interval)."
            )
    return tuple(told)


def _last_above(time_s: Floats, opacity: Floats) -> float:
    """Last time the opacity, smoothed over half a second, is above the clear level; 0 if never."""
    filled = np.where(np.isfinite(opacity), opacity, np.nan)
    known = np.isfinite(filled)
    if not known.any():
        return 0.0
    even = np.interp(time_s, time_s[known], filled[known])
    wide = round(0.5 / STEP_S)
    smooth = np.convolve(even, np.ones(wide) / wide, mode="same")
    above = np.flatnonzero(smooth > CLEAR_PCT)
    return float(time_s[above[-1]]) if above.size else 0.0


def _colour(first: Examination, second: Examination, names: tuple[str, str]) -> str:
    one, other = first.colour, second.colour
    for clip, name in ((one, names[0]), (other, names[1])):
        if clip.none > 0.5:
            return f'Colours are not compared: "{name}" shows hardly any smoke.'
        if clip.colour_open:
            return f'Colours are not compared: that of "{name}" cannot be told.'
    if {one.lighting, other.lighting} == {"front", "back_lit"}:
        return "Colours are not compared: one clip is lit from the front, one from behind."
    weights: Mapping[str, float] = {
        c: getattr(other, c) - getattr(one, c) for c in ("black", "blue", "white")
    }
    apart = 0.5 * sum(abs(w) for w in weights.values())
    if apart > 0.5:
        return f'The colour differs: {one.word} in "{names[0]}", {other.word} in "{names[1]}".'
    if apart < 0.25:
        return f"The colour is much the same: {one.word}."
    return f'The colour may differ: {one.word} in "{names[0]}", {other.word} in "{names[1]}".'


def _sound(first: Examination, second: Examination, names: tuple[str, str]) -> tuple[str, ...]:
    if first.sound is None or second.sound is None:
        return ("Sounds are not compared: at least one clip has none that could be read.",)
    told = []
    for part, words in (
        ("cranking_time", "Cranking lasts"),
        ("idle_speed", "The engine idles at"),
        ("uneven_firing", "Uneven firing (1 is even as strong as the firing itself) is"),
    ):
        one, other = getattr(first.sound, part), getattr(second.sound, part)
        if one is None or other is None:
            continue
        z = abs(other.value - one.value) / max(math.hypot(one.u, other.u), 1e-9)
        judged = "differs" if z > 2.58 else "no difference to be told"
        told.append(f'{words} {one} in "{names[0]}", {other} in "{names[1]}": {judged}.')
    return tuple(told) or ("Sounds are not compared: nothing was read in both.",)
