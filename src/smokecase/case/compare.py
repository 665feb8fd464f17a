"""Compares two clips: suspect and healthy, before and after.

First comes whether they can be compared at all (`conditions.py`); where they cannot, there is no
verdict. Then both are laid on one clock that begins with the engine's start (`one_clock.py`),
their opacity is taken apart span by span (`level.py`, `shared_veil.py`) and judged
(`judgement.py`).
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smokecase.case.alongside import tell_clearing, tell_colours, tell_size, tell_sounds
from smokecase.case.conditions import Condition, against, check_conditions, find_starts
from smokecase.case.judgement import judge
from smokecase.case.level import Difference, compare_pictures, compare_spans
from smokecase.case.one_clock import STEP_S, lay_on_one_clock
from smokecase.case.record import Circumstances
from smokecase.case.shared_veil import share_rest, share_veil
from smokecase.readings import SCREENING, Examination

Floats = NDArray[np.float64]

FEWEST_S = 2.0  # less common time tells nothing
IMPOSSIBLE_PCT = -2.0  # a mean whose upper bound lies below this is no reading of smoke
FEWEST_SHARE = 0.5  # of the common time that both must have readings for


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Comparison:
    """What two clips say together; `first` is suspect or before, `second` healthy or after."""

    first: str  # what each is called in the sentences
    second: str
    conditions: tuple[Condition, ...]
    verdict: str  # one of `judgement.VERDICTS`: the smoke of the second against the first
    sentence: str
    confidence: float | None  # chance that the sign of the difference is right [0 to 1]
    windows: tuple[Difference, ...] = ()
    clearing: tuple[str, ...] = ()
    size: str = ""
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
            "size": self.size,
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
    names, clips = (first_name, second_name), (first, second)
    starts, how = find_starts(first, second)
    conditions = check_conditions(clips, told)
    if how:
        conditions.append(how)
    pictures = first.source == second.source == "pair"
    time_s, curves = lay_on_one_clock(clips, starts)
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
    spans = (
        compare_pictures(clips)
        if pictures
        else compare_spans(time_s, curves, share_veil(clips, conditions), share_rest(conditions))
    )
    found = judge(spans, names)
    common_s = float(time_s[-1]) + STEP_S / 2 if time_s.size else 0.0
    return Comparison(
        first=names[0], second=names[1], conditions=tuple(conditions), verdict=found.verdict,
        sentence=found.sentence, confidence=found.confidence, windows=spans,
        clearing=() if pictures else tell_clearing(time_s, curves, names),
        size="" if pictures else tell_size(clips, starts, common_s, names),
        colour=tell_colours(clips, names),
        sound=() if pictures else tell_sounds(clips, names),
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
        elif np.nanmean(curve[:, 2]) < IMPOSSIBLE_PCT:
            words = (
                f'clip "{which}" reads {np.nanmean(curve[:, 0]):.0f} %, less than clear air can: '
                "something else changed behind the plume"
            )
            found.append(against("readings", words))
    return found


def _subtract(first: Floats, second: Floats) -> Floats:
    """Second less first, with the bounds of a difference of independent errors."""
    middle = second[:, 0] - first[:, 0]
    below = np.hypot(second[:, 0] - second[:, 1], first[:, 2] - first[:, 0])
    above = np.hypot(second[:, 2] - second[:, 0], first[:, 0] - first[:, 1])
    return np.stack([middle, middle - below, middle + above], axis=1)
