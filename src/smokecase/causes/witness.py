"""What an answer or a check result says: chances of what was told, for each state of its question.

What a clip says is in `seen.py`.
"""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from smokecase.causes.knowledge import (
    DONT_KNOW,
    Floats,
    Knowledge,
    Quantity,
    Question,
    find_state,
)
from smokecase.causes.units import convert, convert_width, likely_unit, read_amounts
from smokecase.errors import AnswersError

Told = str | float | Sequence[str] | Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Finding:
    """What was answered, measured or found, as likelihoods of each state of its question."""

    name: str  # of the question
    likelihood: Floats  # (states,) chance of what was told, given each state; highest is 1
    told: str  # in words
    source: str  # answer, result, clip
    states: tuple[str, ...]  # those it speaks for, likeliest first


def hear_answer(
    knowledge: Knowledge, name: str, told: Told, *, engine: Mapping[str, str], where: str
) -> Finding | None:
    """Take one answer or check result as a finding; None for "don't know".

    Parameters
    ----------
    told : str, list or mapping
        A state, several states where the question allows them, weights by state, or for a check a
        number with its unit.

    Raises
    ------
    AnswersError
        If the question, state or unit is not known, or a number cannot be.
    """
    question = knowledge.find_question(name, where=where)
    here = f"{where}, {name}" if where else name
    if not knowledge.applies(question, engine):
        what = f'"{name}" does not go with this engine ({_engine_words(question, engine)})'
        raise AnswersError(what, where=where, remedy="take the answer out, or mend the engine")
    if isinstance(told, str) and told.strip().lower().replace("'", "").replace(" ", "_") in (
        DONT_KNOW, "unknown", ""
    ):  # fmt: skip
        return None
    if isinstance(told, list) and not told:  # as empty as an empty word
        return None
    if isinstance(told, Mapping):
        return _weighted(question, told, here)
    if isinstance(told, bool):
        told = "yes" if told else "no"
    quantity = question.bench.quantity if question.bench else None
    if quantity and not (isinstance(told, str) and told in question.states):
        text = " ".join(map(str, told)) if isinstance(told, list) else str(told)
        if any(c.isdigit() for c in text):
            return _amount(question, quantity, text, engine=engine, where=here)
    states = told if isinstance(told, list) else [str(told)]
    if len(states) > 1 and not question.several:
        what = f"{len(states)} answers were given where one is asked"
        raise AnswersError(what, where=here, remedy="keep the one that fits best")
    likelihood = np.zeros(len(question.states))
    for state in states:
        likelihood[find_state(question, str(state), where=here)] = 1.0
    return _finding(question, likelihood, None)


def _engine_words(question: Question, engine: Mapping[str, str]) -> str:
    wrong = [
        f"{key} is {engine[key]}"
        for key, allowed in (("fuel", question.fuel), ("installation", question.installation))
        if allowed and key in engine and engine[key] not in allowed
    ]
    return ", ".join(wrong + [f"no {part}" for part in question.needs if engine.get(part) == "no"])


def _weighted(question: Question, told: Mapping[str, float], where: str) -> Finding:
    likelihood = np.zeros(len(question.states))
    for state, weight in told.items():
        if isinstance(weight, bool) or not isinstance(weight, (int, float)) or not 0 <= weight <= 1:
            what = f"the weight of {state} is {weight!r}"
            raise AnswersError(what, where=where, remedy="use numbers from 0 to 1")
        likelihood[find_state(question, state, where=where)] = weight
    if not likelihood.any():
        msg = "all weights are zero"
        raise AnswersError(msg, where=where, remedy="give one of them weight")
    return _finding(question, likelihood, None)


def _finding(question: Question, likelihood: Floats, told: str | None) -> Finding:
    likelihood = likelihood / likelihood.max()
    order = [int(i) for i in np.argsort(-likelihood, kind="stable") if likelihood[i] > 0.05]
    words = told or " or ".join(question.words[i] for i in order)
    likelihood.setflags(write=False)
    return Finding(
        name=question.name,
        likelihood=likelihood,
        told=words,
        source="result" if question.kind == "check" else "answer",
        states=tuple(question.states[i] for i in order),
    )


# -- numbers ------------------------------------------------------------------------------


def _amount(
    question: Question, quantity: Quantity, text: str, *, engine: Mapping[str, str], where: str
) -> Finding:
    """Turn a measured number into chances of states, given the gauge's uncertainty."""
    written, unit = read_amounts(text, quantity.dimension, where=where)
    numbers = [convert(n, unit, quantity.unit, quantity.dimension) for n in written]
    if quantity.magnitude:
        numbers = [abs(n) for n in numbers]
    elif quantity.low >= 0 and quantity.dimension == "pressure" and len(numbers) == 1:
        numbers = [abs(n) for n in numbers]  # a vacuum is often written with a minus
    for shown, number in zip(written, numbers, strict=True):
        if not quantity.low <= number <= quantity.high:
            raise _slip(shown, unit, quantity, where)
    u = np.hypot(quantity.u, quantity.u_rel * np.abs(numbers))
    # a number read to whole units is not known better than they are: uniform, JCGM 100, 4.3.7
    step = convert_width(_resolution(text), unit, quantity.unit, quantity.dimension)
    u = np.hypot(u, step / math.sqrt(12))
    values = np.array(numbers)
    if quantity.kind == "per_cylinder":
        fuels = quantity.least
        least = fuels.get(engine.get("fuel", ""), float(np.mean(list(fuels.values()))))
        chance = _cylinders(quantity, values, u, least)
    elif quantity.kind == "each":
        chance = _each(quantity, values, u)
    elif quantity.kind == "ratio":
        chance = _ratio(question, quantity, values, u)
    else:
        chance = _band(question, quantity, values, u)
    # the whole chance in one state still leaves the check's own reliability in `Question.reliable`
    return _finding(question, chance, f"{text.strip()}: {_said(question, chance)}")


def _said(question: Question, chance: Floats) -> str:
    best = np.argsort(-chance, kind="stable")
    words = question.words[int(best[0])]
    if chance[best[1]] > 0.2:
        words += f", or {question.words[int(best[1])]}"
    return words


def _slip(shown: float, unit: str, quantity: Quantity, where: str) -> AnswersError:
    low, high = (
        convert(edge, quantity.unit, unit, quantity.dimension)
        for edge in (quantity.low, quantity.high)
    )
    other = likely_unit(shown, quantity.low, quantity.high, quantity.unit, quantity.dimension)
    what = f"{shown:g} {unit} is beyond the {low:.3g} to {high:.3g} {unit} that can be"
    remedy = "check the unit"
    if other and other != unit:
        remedy += f" (was it {other}?)"
    return AnswersError(what, where=where, remedy=remedy)


def _resolution(text: str) -> float:
    """Return the last digit written: 0.1 for "28.5", 1 for "28"."""
    decimals = [len(part) for part in re.findall(r"\d\.(\d+)", text.replace(",", "."))]
    return float(10.0 ** -max(decimals, default=0))


def _below(edge: float, numbers: Floats, u: Floats) -> Floats:
    """Chance that the true value lies below an edge; normal."""
    z = (edge - numbers) / u
    return np.array([0.5 * math.erfc(-x / math.sqrt(2)) for x in np.atleast_1d(z)])


def _in_bands(question: Question, quantity: Quantity, number: float, u: float) -> Floats:
    chance = np.zeros(len(question.states))
    value, width = np.array([number]), np.array([u])
    for state, (low, high) in quantity.bands.items():
        under = 0.0 if low <= quantity.low else float(_below(low, value, width)[0])
        upper = 1.0 if high >= quantity.high else float(_below(high, value, width)[0])
        chance[question.states.index(state)] = max(upper - under, 0.0)
    return chance


def _band(question: Question, quantity: Quantity, numbers: Floats, u: Floats) -> Floats:
    pick = int(np.argmax(numbers) if quantity.take == "highest" else np.argmin(numbers))
    return _in_bands(question, quantity, float(numbers[pick]), float(u[pick]))


def _ratio(question: Question, quantity: Quantity, numbers: Floats, u: Floats) -> Floats:
    high, low = int(np.argmax(numbers)), int(np.argmin(numbers))
    if len(numbers) < 2 or numbers[low] <= 0:
        chance = np.ones(len(question.states))  # says nothing about a ratio
        return chance
    ratio = float(numbers[high] / numbers[low])
    u_ratio = ratio * math.hypot(u[high] / numbers[high], u[low] / numbers[low])
    return _in_bands(question, quantity, ratio, u_ratio)


def _each(quantity: Quantity, numbers: Floats, u: Floats) -> Floats:
    """States none, some, all: how many lie outside the good range."""
    good = _below(quantity.good[1], numbers, u) - _below(quantity.good[0], numbers, u)
    none, every = float(np.prod(good)), float(np.prod(1 - good))
    if len(numbers) == 1:  # one of several was measured: a bad one says "some" or "all"
        return np.array([none, every, every])
    return np.array([none, max(1 - none - every, 0.0), every])


def _cylinders(quantity: Quantity, numbers: Floats, u: Floats, least: float) -> Floats:
    """States good, one_low, all_low from all cylinders, their spread and the least sound value."""
    low_each = _below(least, numbers, u)
    best = int(np.argmax(numbers))
    worst = int(np.argmin(numbers))
    all_low = float(low_each[best])
    one_low = float(low_each[worst])
    if len(numbers) > 1:
        limit = (1 - quantity.spread_pct / 100) * numbers[best]
        u_gap = math.hypot(u[worst], (1 - quantity.spread_pct / 100) * u[best])
        uneven = float(_below(limit, numbers[worst : worst + 1], np.array([u_gap]))[0])
        one_low = 1 - (1 - one_low) * (1 - uneven)
        if uneven > 0.5:  # "all low" is worn evenly; a great spread points to single cylinders
            all_low *= 1 - 0.5 * uneven
    one_low *= 1 - all_low
    return np.array([max(1 - one_low - all_low, 0.0), one_low, all_low])
