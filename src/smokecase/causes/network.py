"""Every set of up to three causes, how likely it is beforehand, and what it would show.

The model is a Bayesian network over binary causes, given that at most three are there:

    P(set) ~ prod_{c in set} p_c(set)  prod_{c not in set} (1 - p_c(set))
    p_c(set) = 1 - (1 - p_c) prod_{a in set, a leads to c} (1 - l_ac)            (noisy-or chain)
    "max":  P(answer <= s | set) = B(s) prod_{c in set} F_c(s)                 (noisy-max, leak B)
    else:   P(answer = s | set)  = sum_{c in set} w_c f_c(s) / sum_{c in set} w_c     (one is seen)
            with w_c how much smoke c makes ("smoke"), or 1 where c has a row, else 0 ("one")
    excluded:     sets of causes that cannot be there together have no chance
    asked about:  1 where a cause there makes smoke, else 0.05: priors are of engines asked about
    reported: r P(s) + (1 - r) / states                                 (informant's reliability r)

Where the fuel or the installation is not known, the prior is the mean over both, by their shares.
All sets are enumerated, so weights are exact.

Source
------
Noisy-or and noisy-max: Pearl 1988, section 4.3.2; Henrion 1989 (both from memory).
"""

from collections.abc import Mapping
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from smokecase.causes.knowledge import Cause, Floats, Knowledge, Question
from smokecase.causes.weather import Air

MOST_AT_ONCE = 3
SMOKES = 0.1  # a cause that `shows` more than this makes smoke
# The priors of the knowledge file are shares among engines that somebody asks about because of
# smoke. Among all engines causes are rarer, which decides how often two meet by chance; being asked
# about raises them again. Both figures are estimates.
AT_LARGE = 0.35
ASKED_WITHOUT_SMOKE = 0.05  # somebody asks although no cause there makes smoke
_TINY = 1e-300  # logarithm of a chance of zero stays finite


class Network:
    """The sets of causes that one kind of engine can have.

    Parameters
    ----------
    knowledge : Knowledge
    engine : mapping
        What is known of the engine: fuel, installation, and parts with yes or no.
    air : Air, optional
        What the weather changes.
    """

    def __init__(
        self,
        knowledge: Knowledge,
        engine: Mapping[str, str],
        air: Air | None = None,
    ) -> None:
        self.knowledge, self.engine, self.air = knowledge, dict(engine), air or Air()
        cases = list(_engine_cases(knowledge, engine))
        priors = {
            name: [_prior(cause, case, knowledge, engine, self.air.factors) for case, _ in cases]
            for name, cause in knowledge.causes.items()
        }
        self.causes: tuple[Cause, ...] = tuple(
            cause for name, cause in knowledge.causes.items() if max(priors[name]) > 0
        )
        self.index = {cause.name: i for i, cause in enumerate(self.causes)}
        count = len(self.causes)
        # (sets, 3) indices into the causes; `count` stands for an empty place
        self.sets: NDArray[np.int64] = np.array(
            [
                (*group, *[count] * (MOST_AT_ONCE - size))
                for size in range(MOST_AT_ONCE + 1)
                for group in combinations(range(count), size)
            ]
        )
        self.size: NDArray[np.int64] = (self.sets < count).sum(axis=1)
        self.member = np.zeros((len(self.sets), count + 1))
        np.put_along_axis(self.member, self.sets, 1.0, axis=1)
        self.member = np.ascontiguousarray(self.member[:, :count])
        self.log_prior = self._log_prior(cases, priors)
        self.family = self._families()
        # (sets, families + causes) all that a weight is wanted of
        self.events = np.hstack([self.family, self.member])
        self._likelihoods: dict[str, Floats] = {}

    def _log_prior(
        self, cases: list[tuple[dict[str, str], float]], priors: Mapping[str, list[float]]
    ) -> Floats:
        chains = self._chains()
        total = np.zeros(len(self.sets))
        for number, (_, share) in enumerate(cases):
            p = np.array([priors[cause.name][number] for cause in self.causes])
            p = np.minimum(p, 0.95)
            absent = np.log1p(-p)
            odds = np.append(np.log(np.maximum(p, _TINY)) - absent, 0.0)
            log_p = odds[self.sets].sum(axis=1) + absent.sum()
            for target, rows, survives in chains:
                raised = 1 - (1 - p[target]) * survives
                there = self.member[rows, target] > 0
                if (
                    p[target] > 0
                ):  # a cause that this engine cannot have is not brought about either
                    log_p[rows] += np.where(
                        there,
                        np.log(raised) - np.log(p[target]),
                        np.log1p(-raised) - absent[target],
                    )
            total += share * np.exp(log_p)
        for i, cause in enumerate(self.causes):
            for other in cause.excludes:
                if other in self.index:
                    total[self.member[:, i] * self.member[:, self.index[other]] > 0] = 0.0
        smokes = self.member @ np.array([c.shows > SMOKES for c in self.causes]) > 0
        total *= np.where(smokes, 1.0, ASKED_WITHOUT_SMOKE)
        return np.asarray(np.log(np.maximum(total / total.sum(), _TINY)))

    def _chains(self) -> list[tuple[int, NDArray[np.int64], Floats]]:
        """Find for each brought-about cause the rows with a bringer, and 1 - its chance."""
        chains = []
        for target, cause in enumerate(self.causes):
            survives = np.ones(len(self.sets))
            for source, other in enumerate(self.causes):
                if cause.name in other.leads_to:
                    survives *= 1 - other.leads_to[cause.name] * self.member[:, source]
            rows = np.flatnonzero(survives < 1)
            if len(rows):
                chains.append((target, rows, survives[rows]))
        return chains

    def _families(self) -> Floats:
        """Tell which sets belong to which families: where the smoke comes from.

        Causes that make no smoke count only where nothing else is there, and "nothing wrong" only
        where no fault makes smoke.
        """
        names = list(self.knowledge.families)
        out = np.zeros((len(self.sets), len(names)))
        smokes = np.array([cause.shows > SMOKES for cause in self.causes], dtype=np.float64)
        clear = self.member @ smokes == 0
        for i, cause in enumerate(self.causes):
            column = names.index(cause.family)
            there = self.member[:, i] if smokes[i] else self.member[:, i] * clear
            np.maximum(out[:, column], there, out=out[:, column])
        faults = np.array([not cause.harmless for cause in self.causes], dtype=np.float64)
        nothing = names.index("nothing_wrong")
        out[self.member @ (faults * smokes) > 0, nothing] = 0
        out[self.size == 0, nothing] = 1
        return out

    def likelihood(self, question: Question) -> Floats:
        """Return (sets, states): the chance that each state is reported."""
        if question.name not in self._likelihoods:
            self._likelihoods[question.name] = self._likelihood(question)
        return self._likelihoods[question.name]

    def _likelihood(self, question: Question) -> Floats:
        count, states = len(self.causes), len(question.states)
        changed = self.air.rows.get(question.name, {})
        given = {**question.given, **{name: np.array(row) for name, row in changed.items()}}
        if question.combine == "max":
            below = np.ones((count + 1, states))
            for name, row in given.items():
                if name in self.index:
                    below[self.index[name]] = np.cumsum(row)
            up_to = np.cumsum(question.base) * below[self.sets].prod(axis=1)
            up_to[:, -1] = 1.0
            chance = np.diff(up_to, axis=1, prepend=0.0)
        else:
            rows = np.tile(question.base, (count + 1, 1))
            counts = np.zeros(count + 1)
            for i, cause in enumerate(self.causes):
                rows[i] = given.get(cause.name, question.base)
                smokes = question.combine == "smoke"
                counts[i] = cause.shows if smokes else float(cause.name in given)
            weight = counts[self.sets]
            weight[weight.sum(axis=1) == 0, 0] = 1.0  # nobody decides: rows that hold the base
            weight /= weight.sum(axis=1, keepdims=True)
            chance = np.einsum("ij,ijk->ik", weight, rows[self.sets])
        np.maximum(chance, 0.0, out=chance)
        return np.asarray(question.reliable * chance + (1 - question.reliable) / states)


def _engine_cases(
    knowledge: Knowledge, engine: Mapping[str, str]
) -> list[tuple[dict[str, str], float]]:
    """Kinds of engine that are possible, with their shares."""
    cases: list[tuple[dict[str, str], float]] = [({}, 1.0)]
    for context in knowledge.contexts.values():
        told = engine.get(context.name)
        options = [(told, 1.0)] if told else list(zip(context.states, context.shares, strict=True))
        cases = [
            ({**case, context.name: state}, share * part)
            for case, share in cases
            for state, part in options
        ]
    return cases


def _prior(
    cause: Cause,
    case: Mapping[str, str],
    knowledge: Knowledge,
    engine: Mapping[str, str],
    factors: Mapping[str, float],
) -> float:
    p = cause.prior.get(case["fuel"], 0.0) * cause.times.get(case["installation"], 1.0)
    for part in cause.needs:
        told = engine.get(part)
        fitted = knowledge.parts[part].fitted.get(case["fuel"], 0.0)
        p *= {"yes": 1.0, "no": 0.0}.get(told or "", fitted)
    p = min(p, 0.95) * AT_LARGE
    odds = p / (1 - p) * factors.get(cause.name, 1.0)
    return odds / (1 + odds)
