"""What the weights rest on: sensitivity, what stays unexplained, the fact that would separate."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from smokecase.causes.weigh import Posterior, Weight, separates


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensitivity:
    """What happens to the leading family if one answer were wrong or had not been given."""

    finding: str
    told: str
    leading_without: str  # family that leads then
    weight_without: float  # of the family that leads now


@dataclass(frozen=True, slots=True, kw_only=True)
class Unexplained:
    """A finding that the likeliest causes do not account for."""

    finding: str
    told: str
    chance: float  # of being told so, given the weights


@dataclass(frozen=True, slots=True, kw_only=True)
class Rival:
    """The cause next to the leading one, and the one fact that would tell them apart."""

    first: str
    second: str
    fact: str  # name of the question or check; empty where nothing separates
    words: str
    distance: float  # Hellinger distance of its answers [0 to 1]


def find_unexplained(posterior: Posterior) -> tuple[Unexplained, ...]:
    """Return findings told with a small chance, though another answer was likely."""
    out = []
    for finding in posterior.findings:
        question = posterior.network.knowledge.questions[finding.name]
        table = posterior.network.likelihood(question)
        expected = posterior.chance @ table
        chance = float(expected @ finding.likelihood)
        best = float(expected.max())
        if chance < 0.15 and chance < 0.4 * best:
            out.append(Unexplained(finding=finding.name, told=finding.told, chance=chance))
    return tuple(sorted(out, key=lambda u: u.chance))


def weigh_sensitivity(posterior: Posterior, leading: str) -> tuple[Sensitivity, ...]:
    """Leave out each finding in turn: what would lead, and with how much weight."""
    names = list(posterior.network.knowledge.families)
    now = posterior.of_families()[names.index(leading)]
    out = []
    for i, finding in enumerate(posterior.findings):
        without = posterior.without(i) @ posterior.network.family
        out.append(
            Sensitivity(
                finding=finding.name, told=finding.told,
                leading_without=names[int(np.argmax(without))],
                weight_without=float(without[names.index(leading)]),
            )
        )  # fmt: skip
    return tuple(sorted(out, key=lambda s: -abs(s.weight_without - now)))


def find_rival(
    posterior: Posterior, causes: tuple[Weight, ...], done: Sequence[str]
) -> Rival | None:
    """Find the second cause, and the question or check that parts it best from the first."""
    causes = tuple(cause for cause in causes if cause.makes_smoke)
    if len(causes) < 2:
        return None
    network = posterior.network
    first, second = (network.member[:, network.index[c.name]] for c in causes[:2])
    known = {n for name in done for n in (name, *network.knowledge.questions[name].instead_of)}
    best, name = 0.0, ""
    for question in network.knowledge.questions.values():
        if (
            question.kind == "measured"
            or question.name in known
            or not network.knowledge.applies(question, network.engine)
        ):
            continue
        distance = separates(posterior, first, second, question.name)
        if distance > best:
            best, name = distance, question.name
    words = network.knowledge.questions[name].question if name else ""
    return Rival(first=causes[0].name, second=causes[1].name, fact=name, words=words, distance=best)
