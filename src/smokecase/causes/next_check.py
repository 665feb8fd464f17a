"""The check worth most for its cost, the plan it begins, and the questions worth asking first.

A check is worth what it can be expected to save (`search.py`), and is proposed by that value over
what it costs: time, money and danger. Free looks that bear on the leading cause go first.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from smokecase.causes.knowledge import Question
from smokecase.causes.search import LEAVE_ALONE, Prices, Search
from smokecase.causes.weigh import Posterior

BEARS = 0.35  # a free look that parts the leading cause this well from the rest goes first
PLAN_STEPS = 2  # further checks in each branch of the plan
SURE = 0.9  # a cause this likely is acted on without a further check


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One possible result of a check, and what follows."""

    state: str
    words: str
    chance: float
    leads: str  # cause that leads then
    leads_weight: float
    then: "Proposal | None"  # the next check, or None: act on the leading cause
    act: str  # what to do where no check follows; empty otherwise


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """A check worth doing, why, and what its results would mean."""

    check: str
    question: str
    how: str
    reason: str
    minutes: float
    wait_days: float
    money: float
    danger: int
    tools: str
    caution: str
    value: float  # expected saving, in money
    cost: float  # of the check, in money
    outcomes: tuple[Outcome, ...] = ()

    @property
    def worth_its_cost(self) -> bool:
        """Whether it can be expected to save more than it costs."""
        return self.value > self.cost

    @property
    def per_cost(self) -> float:
        """Expected saving for each unit of money spent."""
        return self.value / self.cost


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """A question worth asking the owner."""

    question: str
    words: str
    why: str
    how: str
    states: tuple[tuple[str, str], ...]
    bits: float  # expected information about the causes
    value: float  # expected saving, in money


def _allowed(search: Search, question: Question, done: Iterable[str]) -> bool:
    bench = question.bench
    done = set(done)
    return (
        bench is not None
        and question.name not in done
        and bench.engine not in search.barred
        and not any(question.name in _replaced(search, d) for d in done)
        and search.network.knowledge.applies(question, search.network.engine)
        and all(before in done for before in bench.after)
    )


def _replaced(search: Search, name: str) -> tuple[str, ...]:
    question = search.network.knowledge.questions.get(name)
    return question.instead_of if question else ()


def values_of(search: Search, questions: list[Question]) -> list[float]:
    """Return the expected saving of each question or check, in money."""
    if not questions:
        return []
    now = float(search.expected_cost(search.chance[None])[0])
    # every answer of every question at once: (answers, rows)
    joint = np.concatenate([(search.chance[:, None] * search.table(q)).T for q in questions])
    weight = joint.sum(axis=1)
    ahead = weight * search.expected_cost(joint / np.maximum(weight[:, None], 1e-300))
    ends = np.cumsum([0, *(len(q.states) for q in questions)])[:-1]
    return [now - float(part) for part in np.add.reduceat(ahead, ends)]


def rank_checks(search: Search, done: Iterable[str]) -> list[tuple[Question, float, float]]:
    """Sort checks: free looks that bear on the leading cause, then by value per cost.

    The looks go first whatever they are worth by the numbers: they are safe, and they find what no
    list of causes holds.
    """
    done = tuple(done)
    checks = [q for q in search.network.knowledge.questions.values() if _allowed(search, q, done)]
    rows = []
    for question, value in zip(checks, values_of(search, checks), strict=True):
        if question.bench is not None:
            rows.append((question, value, search.prices.of_check(question.bench)))
    first = {q.name for q in checks if _is_look(q) and _bears(search, q) > BEARS}
    return sorted(
        rows, key=lambda row: (row[0].name not in first, row[1] <= row[2], -row[1] / row[2])
    )


def _is_look(question: Question) -> bool:
    """Tell whether a check is a free look of a few minutes: bonnet up, joints tugged, fluids."""
    bench = question.bench
    return bench is not None and bench.minutes <= 10 and not bench.money and not bench.wait_days


def _bears(search: Search, question: Question) -> float:
    """Tell how well a check parts the leading act from all others: Hellinger distance."""
    act, _ = search.best_act()
    is_right = (search.right == search.acts.index(act)).any(axis=1)
    table, mine = search.table(question), search.chance * is_right
    rest = search.chance - mine
    if mine.sum() <= 0 or rest.sum() <= 0:
        return 0.0
    p, q = mine @ table / mine.sum(), rest @ table / rest.sum()
    return float(np.sqrt(max(0.0, 1 - np.sum(np.sqrt(p * q)))))


def propose(
    posterior: Posterior,
    done: Iterable[str],
    *,
    prices: Prices,
    barred: frozenset[str] = frozenset(),
    count: int = 3,
) -> tuple[Proposal, ...]:
    """Propose the checks worth most for their cost; the first with its plan of further steps.

    Parameters
    ----------
    done : iterable of str
        Names of questions and checks that have an answer.
    barred : frozenset of str
        What no check may ask of the engine while a stop sign stands.
    """
    search = Search.of(posterior, prices, barred)
    done = tuple(done)
    ranked = rank_checks(search, done)
    out = []
    for number, row in enumerate(ranked[:count]):
        out.append(_proposal(search, row, done, PLAN_STEPS if number == 0 else 0))
    return tuple(out)


def _proposal(
    search: Search, row: tuple[Question, float, float], done: tuple[str, ...], depth: int
) -> Proposal:
    question, value, cost = row
    bench = question.bench
    assert bench is not None
    return Proposal(
        check=question.name,
        question=question.question,
        how=question.how,
        reason=question.why,
        minutes=bench.minutes,
        wait_days=bench.wait_days,
        money=bench.money,
        danger=bench.danger,
        tools=bench.tools,
        caution=bench.caution,
        value=value,
        cost=cost,
        outcomes=_outcomes(search, question, (*done, question.name), depth),
    )


def _outcomes(
    search: Search, question: Question, done: tuple[str, ...], depth: int
) -> tuple[Outcome, ...]:
    chances = search.chance @ search.table(question)
    out = []
    for state in np.argsort(-chances, kind="stable"):
        if chances[state] < 0.03:
            continue
        after = search.seen(question, int(state))
        leads, weight = after.best_act()
        then = None
        if depth > 0 and weight < SURE and chances[state] > 0.08:
            ranked = rank_checks(after, done)
            if ranked and ranked[0][1] > ranked[0][2]:
                then = _proposal(after, ranked[0], done, depth - 1)
        out.append(
            Outcome(
                state=question.states[state],
                words=question.words[state],
                chance=float(chances[state]),
                leads=leads,
                leads_weight=weight,
                then=then,
                act="" if then else _cure(search, leads),
            )
        )
    return tuple(out)


def _cure(search: Search, act: str) -> str:
    if act == LEAVE_ALONE:
        return "leave it alone and watch"
    return search.network.knowledge.causes[act].cure


def questions_first(
    posterior: Posterior, done: Iterable[str], *, prices: Prices, count: int = 3
) -> tuple[Ask, ...]:
    """Choose the questions worth asking next.

    Worth is what can be expected to be saved and learnt, times the share of people who can answer.
    """
    search = Search.of(posterior, prices)
    knowledge = search.network.knowledge
    done = set(done)
    replaced = {name for d in done for name in _replaced(search, d)}
    free = [
        q
        for q in knowledge.questions.values()
        if q.kind == "question"
        and q.name not in done | replaced
        and knowledge.applies(q, search.network.engine)
    ]
    rows = []
    for question, value in zip(free, values_of(search, free), strict=True):
        bits = _bits(search, question)
        worth = question.answerable * (max(value, 0.0) + 20 * bits)
        rows.append((worth, bits, value, question))
    rows.sort(key=lambda row: -row[0])
    return tuple(
        Ask(
            question=q.name, words=q.question, why=q.why, how=q.how,
            states=tuple(zip(q.states, q.words, strict=True)), bits=bits, value=value,
        )
        for _, bits, value, q in rows[:count]
    )  # fmt: skip


def _bits(search: Search, question: Question) -> float:
    """Return the expected information of an answer about the causes, in bits."""
    table = search.table(question)
    mean = search.chance @ table
    with np.errstate(divide="ignore", invalid="ignore"):
        gain = np.where(table > 0, table * np.log2(table / mean), 0.0)
    return float(search.chance @ gain.sum(axis=1))
