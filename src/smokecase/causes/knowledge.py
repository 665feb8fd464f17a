"""What is known of causes, questions and checks: the records, and how they are looked up.

`knowledge_file.py` reads them from `models/knowledge/` and refuses what cannot be. Everything a
user reads stands in those files, in English; a translation may use the English words as keys.
"""

import difflib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from smokecase.errors import AnswersError

Floats = NDArray[np.float64]
DONT_KNOW = "dont_know"  # always allowed as an answer: the question is left out

EMPTY: Mapping[str, float] = MappingProxyType({})


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """A group of causes that make the same kind of smoke."""

    name: str
    title: str
    smoke: str  # what the smoke is made of


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """A fault, or a harmless reason for what is seen."""

    name: str
    title: str
    family: str
    prior: Mapping[str, float]  # by fuel, where the needed parts are fitted
    times: Mapping[str, float]  # by installation
    needs: tuple[str, ...]
    excludes: tuple[str, ...]  # causes that cannot be there with it
    harmless: bool
    spread: float  # the prior may be wrong by this factor, 95 %
    shows: float  # share of the smoke beside other causes
    hours: tuple[float, float]
    parts: tuple[float, float]
    ruin: float  # chance to ruin the engine within a year when it is run on
    with_engine: bool  # another engine cures it
    cure: str
    leads_to: Mapping[str, float]
    origin: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """How a number with its unit becomes states."""

    kind: str  # band, per_cylinder, ratio, each
    dimension: str
    unit: str
    low: float  # of the gauge, in `unit`
    high: float
    u: float  # standard uncertainty in `unit`
    u_rel: float
    bands: Mapping[str, tuple[float, float]]
    least: Mapping[str, float]  # per_cylinder: lowest sound value by fuel
    spread_pct: float
    good: tuple[float, float]  # each
    take: str  # of several numbers in a band: highest or lowest
    magnitude: bool  # the sign does not matter


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """What a check costs and asks for."""

    minutes: float
    wait_days: float
    money: float
    danger: int  # 0 none, 1 take care, 2 can hurt, 3 for trained people
    engine: str  # off, crank, idle, rev, drive: what the engine does in it
    tools: str
    caution: str
    after: tuple[str, ...]
    settles: tuple[str, ...]
    quantity: Quantity | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Question:
    """Something that can be asked, measured or checked, and what each cause makes of it."""

    name: str
    kind: str  # question, measured, check
    question: str
    why: str
    how: str
    states: tuple[str, ...]
    words: tuple[str, ...]  # of each state
    combine: str  # max, smoke or one
    base: Floats  # (states,)
    given: Mapping[str, Floats]  # by cause
    reliable: float
    answerable: float
    spread: float
    several: bool  # several states may be named at once
    instead_of: tuple[str, ...]  # answers that this one replaces when both are there
    fuel: tuple[str, ...]
    installation: tuple[str, ...]
    needs: tuple[str, ...]
    origin: str
    origins: Mapping[str, str]  # of single rows
    bench: Bench | None = None

    def origin_of(self, cause: Cause) -> str:
        """Who says so, for one cause."""
        return self.origins.get(cause.name) or self.origins.get(cause.family) or self.origin


@dataclass(frozen=True, slots=True, kw_only=True)
class Context:
    """A fact about the engine itself, such as its fuel."""

    name: str
    question: str
    states: tuple[str, ...]
    words: tuple[str, ...]
    shares: tuple[float, ...]
    origin: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A part that an engine may have."""

    name: str
    question: str
    fitted: Mapping[str, float]  # by fuel
    origin: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """A finding after which the engine is not run or the vehicle not driven."""

    name: str
    when: Mapping[str, tuple[str, ...]]
    fuel: tuple[str, ...]
    forbids: str  # run, drive, rev
    words: str
    reason: str
    remedy: str
    origin: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Contradiction:
    """Two answers that do not fit together."""

    when: Mapping[str, tuple[str, ...]]
    words: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Knowledge:
    """Everything from `models/knowledge/`, checked."""

    families: Mapping[str, Family]
    causes: Mapping[str, Cause]
    questions: Mapping[str, Question]  # questions, measured and checks, in the order of the files
    contexts: Mapping[str, Context]
    parts: Mapping[str, Part]
    stops: tuple[Stop, ...]
    contradictions: tuple[Contradiction, ...]
    fingerprint: str  # SHA-256 over all files
    cache: dict[object, object] = field(default_factory=dict, repr=False)

    def find_question(self, name: str, *, where: str) -> Question:
        """Find a question, measured finding or check by its name.

        Raises
        ------
        AnswersError
            If there is none; the nearest names are offered.
        """
        found = self.questions.get(name)
        if found is None:
            what = f'no question or check has the name "{name}"'
            asked = (q.name for q in self.questions.values() if q.kind != "measured")
            names = [*asked, *self.contexts, *self.parts]
            remedy = nearest(name, names, "see smokecase knowledge for all names")
            raise AnswersError(what, where=where, remedy=remedy)
        return found

    def applies(self, question: Question, engine: Mapping[str, str]) -> bool:
        """Whether a question makes sense for this engine; unknown facts never rule it out."""
        fuel, place = engine.get("fuel"), engine.get("installation")
        return (
            (not question.fuel or fuel is None or fuel in question.fuel)
            and (not question.installation or place is None or place in question.installation)
            and all(engine.get(part) != "no" for part in question.needs)
        )


def find_state(question: Question | Context, name: str, *, where: str) -> int:
    """Return the index of a state by its name.

    Raises
    ------
    AnswersError
        If there is none; the nearest name is offered.
    """
    if name in question.states:
        return question.states.index(name)
    what = f'"{name}" is no answer to "{question.name}"'
    every = ", ".join(question.states)
    raise AnswersError(
        what, where=where, remedy=nearest(name, question.states, f"use one of {every}")
    )


def nearest(name: str, names: Iterable[str], otherwise: str) -> str:
    """Offer the nearest name, or two where both are nearly as near."""
    near = difflib.get_close_matches(name, list(names), n=2, cutoff=0.6)

    def alike(other: str) -> float:
        return difflib.SequenceMatcher(None, other, name).ratio()

    if len(near) == 2 and alike(near[1]) < alike(near[0]) - 0.05:
        near = near[:1]
    return "did you mean " + " or ".join(f'"{n}"' for n in near) if near else otherwise
