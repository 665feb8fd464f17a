"""Simulated owners: faults and findings drawn from the model's own numbers, each of them jittered.

The model that judges keeps its own numbers, so it is examined outside its assumptions.
"""

from dataclasses import dataclass, replace

import numpy as np

from smokecase.causes.network import Network
from smokecase.causes.witness import Finding

MISREPORTED = 0.05  # answers that are replaced by any other, beyond the model's own unreliability
ENGINES = (
    {"fuel": "diesel", "installation": "car", "turbo": "yes", "egr": "yes"},
    {"fuel": "diesel", "installation": "tractor"},
    {"fuel": "diesel", "installation": "boat"},
    {"fuel": "diesel", "installation": "generator"},
    {"fuel": "petrol", "installation": "car"},
    {"fuel": "diesel"},
)


def jittered(knowledge, rng, factor=1.5):
    """Every prior, link and chance off by its own factor, up to `factor` either way."""

    def off(size=None):
        return np.exp(rng.uniform(-np.log(factor), np.log(factor), size))

    def row(chances):
        moved = chances * off(len(chances))
        return moved / moved.sum()

    causes = {
        name: replace(
            cause,
            prior={fuel: min(p * off(), 0.9) for fuel, p in cause.prior.items()},
            leads_to={other: min(p * off(), 0.9) for other, p in cause.leads_to.items()},
        )
        for name, cause in knowledge.causes.items()
    }
    questions = {
        name: replace(
            question, base=row(question.base), given={c: row(r) for c, r in question.given.items()}
        )
        for name, question in knowledge.questions.items()
    }
    return replace(knowledge, causes=causes, questions=questions, cache={})


@dataclass
class Owner:
    """One engine with what is wrong with it; answers on asking."""

    world: Network
    row: int  # the true set of causes, as a row of the world's network
    rng: np.random.Generator

    @property
    def causes(self):
        count = len(self.world.causes)
        return frozenset(self.world.causes[i].name for i in self.world.sets[self.row] if i < count)

    def answer(self, question):
        """A finding as this owner (or gauge) reports it."""
        chance = self.world.likelihood(self.world.knowledge.questions[question.name])[self.row]
        state = int(self.rng.choice(len(chance), p=chance / chance.sum()))
        if question.kind == "question" and self.rng.random() < MISREPORTED:
            state = int(self.rng.integers(len(chance)))
        likelihood = np.zeros(len(chance))
        likelihood[state] = 1.0
        return Finding(
            name=question.name, likelihood=likelihood, told=question.words[state],
            source="answer", states=(question.states[state],),
        )  # fmt: skip

    def volunteers(self, willing=0.25):
        """What is told unasked: most questions stay open."""
        out = []
        for question in self.world.knowledge.questions.values():
            if (
                question.kind == "question"
                and self.world.knowledge.applies(question, self.world.engine)
                and self.rng.random() < willing * question.answerable
            ):
                out.append(self.answer(question))
        return out


def owners(knowledge, *, worlds, each, seed, factor=1.5):
    """Owners in several jittered worlds, in turn over the engines of `ENGINES`."""
    rng = np.random.default_rng(seed)
    for number in range(worlds):
        engine = ENGINES[number % len(ENGINES)]
        world = Network(jittered(knowledge, rng, factor), engine)
        chance = np.exp(world.log_prior)
        for row in rng.choice(len(chance), size=each, p=chance / chance.sum()):
            yield engine, Owner(world, int(row), rng)


def calibration_error(weights, truths, bins=10):
    """Expected calibration error over bins of equal count.

    Source: Naeini, Cooper, Hauskrecht 2015, AAAI (from memory).
    """
    weights, truths = np.asarray(weights), np.asarray(truths, dtype=float)
    order = np.argsort(weights)
    parts = [part for part in np.array_split(order, bins) if len(part)]
    return sum(len(p) * abs(weights[p].mean() - truths[p].mean()) for p in parts) / len(weights)
