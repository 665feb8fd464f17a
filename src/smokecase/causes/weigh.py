"""Weights of all causes from the findings, what spoke for and against, and how sure that is."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from smokecase.causes.knowledge import Floats, Knowledge
from smokecase.causes.network import SMOKES, Network
from smokecase.causes.weather import weigh_air
from smokecase.causes.witness import Finding

DRAWS = 200  # of the uncertain numbers, for the intervals
KEPT, MOST_SETS = 0.995, 1500  # what the draws look at: share of the chance, number of sets
_Z = 1.959963984540054  # 95 % of a normal distribution


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """What one finding does to one cause or family, beside all other findings."""

    finding: str
    question: str
    told: str
    decibans: float  # weight of evidence: 10 log10 of the factor on the odds

    @property
    def strength(self) -> str:
        """In plain words."""
        size = abs(self.decibans)
        steps = ((1, "hardly at all"), (3, "a little"), (6, "clearly"), (12, "strongly"))
        word = next((w for bound, w in steps if size < bound), "very strongly")
        return word


@dataclass(frozen=True, slots=True, kw_only=True)
class Weight:
    """Chance [0 to 1] that a cause is there, or one of a family, with its 95 % interval."""

    name: str
    title: str
    family: str
    weight: float
    low: float
    high: float
    makes_smoke: bool  # False for faults that may be there without any part in the smoke
    reasons: tuple[Reason, ...]  # strongest first; those below half a deciban are left out

    @property
    def speaks_for(self) -> tuple[Reason, ...]:
        """Reasons that raise it."""
        return tuple(r for r in self.reasons if r.decibans > 0)

    @property
    def speaks_against(self) -> tuple[Reason, ...]:
        """Reasons that lower it."""
        return tuple(r for r in self.reasons if r.decibans < 0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Posterior:
    """Chances of all sets of causes, given the findings."""

    network: Network
    findings: tuple[Finding, ...]
    chance: Floats  # (sets,) sums to 1
    log_likelihood: Floats  # (findings, sets)

    def of_causes(self) -> Floats:
        """Return the chance of each cause."""
        return np.asarray(self.chance @ self.network.member)

    def of_families(self) -> Floats:
        """Return the chance of each family, that one of its causes is there."""
        return np.asarray(self.chance @ self.network.family)

    def without(self, number: int) -> Floats:
        """Return the chances of all sets had one finding not been told."""
        total = self.network.log_prior + self.log_likelihood.sum(axis=0)
        return _normal(total - self.log_likelihood[number])

    def predicted(self, name: str) -> Floats:
        """Return the chance of each answer to a question not yet asked."""
        question = self.network.knowledge.questions[name]
        return np.asarray(self.chance @ self.network.likelihood(question))


def _normal(log_p: Floats) -> Floats:
    p = np.exp(log_p - log_p.max())
    return np.asarray(p / p.sum())


def weigh_sets(network: Network, findings: Sequence[Finding]) -> Posterior:
    """Chances of all sets of causes, given the findings."""
    logs = np.zeros((len(findings), len(network.sets)))
    for i, finding in enumerate(findings):
        question = network.knowledge.questions[finding.name]
        logs[i] = np.log(network.likelihood(question) @ finding.likelihood)
    chance = _normal(network.log_prior + logs.sum(axis=0))
    return Posterior(network=network, findings=tuple(findings), chance=chance, log_likelihood=logs)


def weigh_causes(
    posterior: Posterior, *, rng: np.random.Generator | None = None
) -> tuple[tuple[Weight, ...], tuple[Weight, ...]]:
    """Weights of all families and of all causes, each heaviest first.

    Parameters
    ----------
    rng : numpy.random.Generator, optional
        For the draws behind the intervals; by default a fixed seed, so that the same case gives the
        same bytes.
    """
    network = posterior.network
    rng = np.random.default_rng(20) if rng is None else rng
    low_high = _intervals(posterior, rng)
    reasons = _reasons(posterior)
    groups = list(network.knowledge.families.values())
    families = [
        (f.name, f.title, f.name, True, w)
        for f, w in zip(groups, posterior.of_families(), strict=True)
    ]
    causes = [
        (c.name, c.title, c.family, c.shows > SMOKES, w)
        for c, w in zip(network.causes, posterior.of_causes(), strict=True)
    ]
    out: list[list[Weight]] = []
    number = 0
    for group in (families, causes):
        weights = []
        for name, title, family, makes_smoke, weight in group:
            low, high = low_high[:, number]
            weights.append(
                Weight(
                    name=name, title=title, family=family, weight=float(weight),
                    low=float(min(low, weight)), high=float(max(high, weight)),
                    makes_smoke=makes_smoke, reasons=reasons[number],
                )
            )  # fmt: skip
            number += 1
        out.append(sorted(weights, key=lambda w: -w.weight))
    return tuple(out[0]), tuple(out[1])


def _log_odds(p: Floats) -> Floats:
    p = np.clip(p, 1e-12, 1 - 1e-12)
    return np.asarray(np.log(p) - np.log1p(-p))


def _reasons(posterior: Posterior) -> list[tuple[Reason, ...]]:
    """For each family and cause: what each finding does beside all others.

    Weight of evidence, 10 log10 of the factor on the odds.

    Source
    ------
    Good 1985, "Weight of evidence: a brief survey" (from memory).
    """
    events = posterior.network.events
    questions = posterior.network.knowledge.questions
    count = len(posterior.findings)
    without = np.array([posterior.chance, *(posterior.without(i) for i in range(count))])
    odds = _log_odds(without @ events)
    rows = odds[0] - odds[1:]
    decibans = 10 / np.log(10) * rows
    out = []
    for column in decibans.T:
        order = [i for i in np.argsort(-np.abs(column), kind="stable") if abs(column[i]) >= 0.5]
        out.append(
            tuple(
                Reason(
                    finding=posterior.findings[i].name,
                    question=questions[posterior.findings[i].name].question,
                    told=posterior.findings[i].told,
                    decibans=float(column[i]),
                )
                for i in order
            )
        )
    return out


def _intervals(posterior: Posterior, rng: np.random.Generator) -> Floats:
    """(2, families + causes) 95 % bounds, from drawing the uncertain numbers anew.

    Each prior and each chance is off by its own lognormal factor, half of it shared by the family.
    In a set of several causes a finding's factor is the mean of its causes' factors. The draws look
    at the likeliest sets only, so the bounds are moved by what the others hold.
    """
    network = posterior.network
    order = np.argsort(-posterior.chance)
    enough = int(np.searchsorted(np.cumsum(posterior.chance[order]), KEPT)) + 1
    keep = order[: min(enough, MOST_SETS)]
    member = network.member[keep]
    count = len(network.causes)
    names = list(network.knowledge.families)
    family_of = np.array([names.index(c.family) for c in network.causes])

    def draw() -> Floats:
        own = rng.standard_normal((DRAWS, count))
        shared = rng.standard_normal((DRAWS, len(names)))[:, family_of]
        return np.asarray((own + shared) / np.sqrt(2))

    spread = np.log([c.spread for c in network.causes]) / _Z
    shift = (draw() * spread) @ member.T
    mean = member / np.maximum(member.sum(axis=1, keepdims=True), 1)
    for finding in posterior.findings:
        question = network.knowledge.questions[finding.name]
        shift += (draw() * (np.log(question.spread) / _Z)) @ mean.T
    log_p = np.log(np.maximum(posterior.chance[keep], 1e-300)) + shift
    p = np.exp(log_p - log_p.max(axis=1, keepdims=True))
    p /= p.sum(axis=1, keepdims=True)
    held = float(posterior.chance[keep].sum())
    rest = posterior.chance @ network.events - posterior.chance[keep] @ network.events[keep]
    drawn = held * (p @ network.events[keep]) + rest
    return np.asarray(np.percentile(drawn, [2.5, 97.5], axis=0))


def separates(posterior: Posterior, first: Floats, second: Floats, name: str) -> float:
    """Tell how well a question parts two events: Hellinger distance of its answers, 0 to 1.

    Parameters
    ----------
    first, second : ndarray, shape (sets,)
        Whether each set belongs to the event.
    """
    network = posterior.network
    table = network.likelihood(network.knowledge.questions[name])
    both = np.array([first * (1 - second), second * (1 - first)]) * posterior.chance
    totals = both.sum(axis=1, keepdims=True)
    if totals.min() <= 0:
        return 0.0
    p, q = both @ table / totals
    return float(np.sqrt(max(0.0, 1 - np.sum(np.sqrt(p * q)))))


def prepare(
    knowledge: Knowledge, engine: Mapping[str, str], weather: Mapping[str, float] | None = None
) -> Network:
    """Return the network for one kind of engine and weather.

    The last few are kept, so that what-if takes milliseconds.
    """
    key = (tuple(sorted(engine.items())), tuple(sorted((weather or {}).items())))
    kept = knowledge.cache.get(key)
    if not isinstance(kept, Network):
        if len(knowledge.cache) >= 4:
            knowledge.cache.pop(next(iter(knowledge.cache)))
        kept = Network(knowledge, engine, weigh_air(weather or {}, engine))
        knowledge.cache[key] = kept
    return kept
