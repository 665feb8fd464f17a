"""The check worth most for its cost, the plan it begins, and the questions worth asking first.

A diagnosis ends with an act: a repair, or leaving it alone. Wrong acts cost time and parts. With
the causes tried in the best order, the expected cost still ahead is

    E = sum over sets P(set) * (cost of all wrong acts before the first right one)

with acts in the order of P / cost, and a specialist called where trying on costs more. A check
is worth ``E - sum over results P(result) E(result)``, and is proposed by that
value over what the check costs: time, money and danger.

Source
------
Heckerman, Breese, Rommelse 1995, "Decision-theoretic troubleshooting", CACM 38(3) (from memory).
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from smokecase.causes.knowledge import Bench, Cause, Floats, Question
from smokecase.causes.network import Network
from smokecase.causes.weigh import Posterior

LEAVE_ALONE = "leave_alone"
SMOKES = 0.1  # a cause that `shows` more than this makes smoke
KEPT, MOST_SETS = 0.99, 600  # what the search for checks looks at; the rest are rare threesomes
BEARS = 0.35  # a free look that parts the leading cause this well from the rest goes first
PLAN_STEPS = 2  # further checks in each branch of the plan
SURE = 0.9  # a cause this likely is acted on without a further check


@dataclass(frozen=True, slots=True, kw_only=True)
class Prices:
    """What time, danger and a wrong end cost, in the user's own money."""

    hour: float = 50.0  # an hour of work
    danger: tuple[float, float, float, float] = (0.0, 3.0, 12.0, 45.0)  # by `Bench.danger`
    wait_day: float = 3.0  # a day's waiting for a result
    left_alone: float = 120.0  # leaving a fault alone: it comes back, worse
    specialist: float = 350.0  # having it found by a specialist, always possible
    causes: Mapping[str, float] = field(default_factory=dict)  # cost of a repair, where told

    def of_check(self, bench: Bench) -> float:
        """Return the cost of one check."""
        time = bench.minutes / 60 * self.hour + bench.wait_days * self.wait_day
        return max(time + bench.money + self.danger[bench.danger], 0.5)

    def of_repair(self, cause: Cause) -> float:
        """Return the expected cost of one repair."""
        if cause.name in self.causes:
            return self.causes[cause.name]
        return max(sum(cause.hours) / 2 * self.hour + sum(cause.parts) / 2, 5.0)


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


@dataclass(frozen=True, slots=True, eq=False)
class Search:
    """The likelier sets of a posterior, and what acting on them costs."""

    network: Network
    rows: NDArray[np.int64]  # of the network's sets
    chance: Floats  # (rows,) sums to 1
    right: NDArray[np.int64]  # (rows, 4) acts that are right for a set; len(acts) fills up
    cost: Floats  # (acts,)
    acts: tuple[str, ...]  # causes that are faults, then LEAVE_ALONE
    prices: Prices
    barred: frozenset[str] = frozenset()  # what no check may ask of the engine

    @classmethod
    def of(
        cls, posterior: Posterior, prices: Prices, barred: frozenset[str] = frozenset()
    ) -> "Search":
        """Cut a posterior to its likelier sets."""
        network = posterior.network
        rows = _likeliest(posterior.chance)
        faults = [i for i, cause in enumerate(network.causes) if not cause.harmless]
        leave, none = len(faults), len(faults) + 1
        act = np.full(len(network.causes) + 1, none)
        act[faults] = np.arange(leave)
        smokes: NDArray[np.bool_] = np.array([*(c.shows > SMOKES for c in network.causes), False])
        sets = network.sets[rows]
        right = act[sets]
        by_smoke = np.where(smokes[sets], right, none)
        has_smoke: NDArray[np.bool_] = np.asarray((by_smoke < none).any(axis=1))
        # what makes the smoke is to be found; where no fault does, leaving it alone is right too
        right = np.where(has_smoke[:, None], by_smoke, right)
        right = np.column_stack([right, np.where(has_smoke, none, leave)])
        cost = [prices.of_repair(network.causes[i]) for i in faults]
        acts = (*(network.causes[i].name for i in faults), LEAVE_ALONE)
        chance = posterior.chance[rows]
        return cls(
            network, rows, chance / chance.sum(), right, np.array([*cost, prices.left_alone]),
            acts, prices, barred,
        )  # fmt: skip

    def table(self, question: Question) -> Floats:
        """Return (rows, states): the chance of each answer."""
        return self.network.likelihood(question)[self.rows]

    def seen(self, question: Question, state: int) -> "Search":
        """Return the search after one answer."""
        chance = self.chance * self.table(question)[:, state]
        keep = _likeliest(chance / chance.sum())
        return Search(
            self.network, self.rows[keep], chance[keep] / chance[keep].sum(), self.right[keep],
            self.cost, self.acts, self.prices, self.barred,
        )  # fmt: skip

    def act_chances(self, chance: Floats) -> Floats:
        """Return the chance that each act is right.

        Parameters
        ----------
        chance : ndarray, shape (n, rows)

        Returns
        -------
        ndarray, shape (n, acts)
        """
        # one spare column takes the places that are empty; no act stands twice in a row
        is_right = np.zeros((len(self.rows), len(self.acts) + 1))
        np.put_along_axis(is_right, self.right, 1.0, axis=1)
        return np.asarray(chance @ is_right[:, :-1])

    def best_act(self) -> tuple[str, float]:
        """Return the act likeliest to be right, and how likely."""
        chances = self.act_chances(self.chance[None])[0]
        best = int(np.argmax(chances))
        return self.acts[best], float(chances[best])

    def expected_cost(self, chance: Floats) -> Floats:
        """Return the cost still ahead for each row of set chances.

        Parameters
        ----------
        chance : ndarray, shape (n, rows)
            Each summing to 1.

        Returns
        -------
        ndarray, shape (n,)
        """
        count = len(self.acts)
        order = np.argsort(-self.act_chances(chance) / self.cost, axis=1, kind="stable")
        rank = np.full((len(chance), count + 1), count)
        np.put_along_axis(rank, order, np.arange(count)[None], axis=1)
        first = rank[:, self.right].min(axis=2)  # (n, rows) place of the first right act
        spent = np.zeros((len(chance), count + 1))  # before each act
        np.cumsum(self.cost[order], axis=1, out=spent[:, 1:])
        ahead = np.zeros(len(chance))
        for i in range(len(chance)):
            here = np.bincount(first[i], weights=chance[i], minlength=count)[:count]
            wrong = np.concatenate([[0.0], np.cumsum(here * spent[i, :-1])])
            still = np.concatenate([[1.0], 1 - np.cumsum(here)])
            ahead[i] = np.min(wrong + still * (spent[i] + self.prices.specialist))
        return ahead


def _likeliest(chance: Floats) -> NDArray[np.int64]:
    """Rows that hold nearly all of the chance, at most `MOST_SETS` of them."""
    order = np.argsort(-chance)
    count = int(np.searchsorted(np.cumsum(chance[order]), KEPT * chance.sum())) + 1
    return np.asarray(np.sort(order[: min(count, MOST_SETS)]))


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
