"""Whether following an advice helped, from what was read before and after beside the truth."""

import math

from tests.benchmarks.advice_kinds import COLOUR_ADVICE

A_TENTH = 0.9  # a smaller change than this is no difference
HALF = 0.5


def verdict(advice, before, after):
    """helped, no difference or worse."""
    if advice in COLOUR_ADVICE:
        change = _colour_worth(after) - _colour_worth(before)
        return "helped" if change > 0 else "worse" if change < 0 else "no difference"
    if not (usable(before) and usable(after)):
        change = usable(after) - usable(before)
        return "helped" if change > 0 else "worse" if change < 0 else "no difference"
    was, is_ = (reach(x) for x in (before, after))
    if math.isinf(was) and math.isinf(is_):
        return "no difference"
    return (
        "helped" if is_ <= A_TENTH * was else "worse" if is_ >= was / A_TENTH else "no difference"
    )


def usable(found):
    """Whether there is a reading whose interval holds the truth in half of the smoky frames."""
    return found["error"] is not None and found["inside"] >= HALF


def misled(found):
    """Whether there is a reading whose interval does not hold the truth as often."""
    return found["error"] is not None and found["inside"] < HALF


def reach(found):
    """Error and half width together. [% opacity]"""
    return math.inf if found["half"] is None else found["error"] + found["half"]


def _colour_worth(found):
    """2 for the right colour, 1 for one left open, 0 for a wrong one."""
    return {found["true_colour"]: 2, "open": 1}.get(found["colour"], 0)


def pairs_with(yards, advice):
    """(yard, before, after) of all pairs in which this advice was followed."""
    return [
        (yard, yard["before"], pair["after"])
        for yard in yards
        for pair in yard["pairs"]
        if pair["advice"] == advice and pair["after"]
    ]
