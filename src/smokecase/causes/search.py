"""The cost still ahead: what acting on the weights costs, and what a check would save of it.

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

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from smokecase.causes.knowledge import Bench, Cause, Floats, Question
from smokecase.causes.network import SMOKES, Network
from smokecase.causes.weigh import Posterior

LEAVE_ALONE = "leave_alone"
KEPT, MOST_SETS = 0.99, 600  # what is looked at; the rest are rare threesomes


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
