"""Story 2: what was measured, answered and found becomes weighted causes and the next check.

::

    examinations --seen--> findings --weigh--> weights --next_check--> proposals
    answers, results --witness--^                  `--verdict--> stop signs, worth saving
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from smokecase.causes.answers_file import Statement, state
from smokecase.causes.knowledge import Contradiction, Knowledge, Stop
from smokecase.causes.knowledge_file import standard_knowledge
from smokecase.causes.next_check import Ask, Outcome, Prices, Proposal, propose, questions_first
from smokecase.causes.seen import clip_findings
from smokecase.causes.verdict import CAUTIONS, FORBIDS, contradictions, stop_signs
from smokecase.causes.weigh import (
    Posterior,
    Reason,
    Weight,
    prepare,
    separates,
    weigh_causes,
    weigh_sets,
)
from smokecase.causes.witness import Finding, hear_answer
from smokecase.readings import SCREENING, Examination

VERSION = 1  # of the JSON


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Diagnosis:
    """Weighted causes with reasons, the next check, and what stands above both."""

    engine: Mapping[str, str]
    families: tuple[Weight, ...]  # heaviest first
    causes: tuple[Weight, ...]
    findings: tuple[Finding, ...]
    set_aside: tuple[str, ...]  # findings replaced by a better one
    stops: tuple[Stop, ...]
    contradictions: tuple[Contradiction, ...]
    unexplained: tuple[Unexplained, ...]
    sensitivity: tuple[Sensitivity, ...]
    rival: Rival | None
    proposals: tuple[Proposal, ...]  # best first; the first carries a plan
    questions: tuple[Ask, ...]  # worth asking next
    notes: tuple[str, ...]
    knowledge: str  # fingerprint of the knowledge files

    def __str__(self) -> str:
        return self.text()

    def text(self, *, decibans: bool = False) -> str:
        """One screen of text; with weights of evidence as numbers where asked."""
        return "\n".join(_lines(self, decibans))

    def to_table(self) -> list[dict[str, str | float]]:
        """Families and causes as rows."""
        return [
            {"kind": kind, "name": w.name, "title": w.title, "family": w.family,
             "weight": w.weight, "low": w.low, "high": w.high}
            for kind, group in (("family", self.families), ("cause", self.causes))
            for w in group
        ]  # fmt: skip

    def to_json(self) -> dict[str, Any]:
        """Plain values, version 1."""
        return {
            "version": VERSION,
            "screening_note": SCREENING,
            "engine": dict(self.engine),
            "families": [_weight_json(w) for w in self.families],
            "causes": [_weight_json(w) for w in self.causes],
            "findings": [
                {
                    "name": f.name,
                    "source": f.source,
                    "told": f.told,
                    "likelihood": [float(x) for x in f.likelihood],
                }
                for f in self.findings
            ],
            "set_aside": list(self.set_aside),
            "stop_signs": [
                {k: getattr(s, k) for k in ("name", "forbids", "words", "reason", "remedy")}
                for s in self.stops
            ],
            "contradictions": [c.words for c in self.contradictions],
            "unexplained": [_plain(u) for u in self.unexplained],
            "sensitivity": [_plain(s) for s in self.sensitivity],
            "rival": _plain(self.rival) if self.rival else None,
            "next_checks": [_proposal_json(p) for p in self.proposals],
            "questions_first": [_plain(q) for q in self.questions],
            "notes": list(self.notes),
            "cautions": list(CAUTIONS),
            "knowledge": self.knowledge,
        }


def diagnose(
    examinations: Sequence[Examination] = (),
    *,
    answers: Mapping[str, Any] | Statement | None = None,
    results: Mapping[str, Any] | None = None,
    knowledge: Knowledge | None = None,
    prices: Prices | None = None,
    unasked: frozenset[str] = frozenset(),
    tell: Callable[[float, str], None] | None = None,
) -> Diagnosis:
    """Weigh the causes from clips, answers and check results, or from any of them alone.

    Parameters
    ----------
    examinations : sequence of Examination
        Clips of this engine.
    answers : mapping or Statement, optional
        Answers by name, engine facts (fuel, installation, ...) and weather among them; or tables as in
        an answers file; or what `read_answers` gave.
    results : mapping, optional
        Check results by name: states, or numbers with units such as ``"5 inHg"``.
    knowledge : Knowledge, optional
        Other than the one that comes with smokecase.
    unasked : frozenset of str
        Questions not to propose again, because nobody knows.
    prices : Prices, optional
        What an hour, danger and a wrong end cost.

    Raises
    ------
    AnswersError
        If a name, state, number or unit cannot be used.

    Examples
    --------
    >>> found = diagnose(answers={"fuel": "diesel", "smoke_colour": "black", "power": "down"})
    >>> found.families[0].name
    'overfuelling'
    """
    knowledge = knowledge or standard_knowledge()
    prices = prices or Prices()
    told = tell or (lambda share, words: None)
    statement = _statement(answers, results, knowledge)
    told(0.1, "listening to the answers")
    findings, set_aside = gather(knowledge, statement, examinations)
    network = prepare(knowledge, statement.engine, statement.weather)
    told(0.3, "weighing the causes")
    posterior = weigh_sets(network, findings)
    families, causes = weigh_causes(posterior)
    told(0.7, "looking for the next check")
    done = [f.name for f in findings] + list(set_aside) + sorted(unasked)
    return Diagnosis(
        engine=dict(statement.engine),
        families=families,
        causes=causes,
        findings=findings,
        set_aside=set_aside,
        stops=stop_signs(knowledge, findings, statement.engine),
        contradictions=contradictions(knowledge, findings),
        unexplained=_unexplained(posterior),
        sensitivity=_sensitivity(posterior, families[0].name),
        rival=_rival(posterior, causes, done),
        proposals=propose(posterior, done, prices=prices),
        questions=questions_first(posterior, done, prices=prices),
        notes=_notes(examinations, findings),
        knowledge=knowledge.fingerprint,
    )


def _statement(
    answers: Mapping[str, Any] | Statement | None,
    results: Mapping[str, Any] | None,
    knowledge: Knowledge,
) -> Statement:
    if isinstance(answers, Statement):
        return add_words(answers, {"results": results or {}}, knowledge)
    plain = dict(answers or {})
    tables = {"engine", "weather", "answers", "results", "clips", "costs"}
    if not (plain and set(plain) <= tables):
        plain = {"answers": plain}
    plain["results"] = {**plain.get("results", {}), **(results or {})}
    return state(plain, knowledge)


def add_words(
    statement: Statement | None, words: Mapping[str, Mapping[str, Any]], knowledge: Knowledge
) -> Statement:
    """A statement with more answers or results; later ones replace earlier ones.

    Raises
    ------
    AnswersError
        If a name or an engine's fact cannot be used.
    """
    more = state(words, knowledge)
    if statement is None:
        return more
    return Statement(
        engine={**statement.engine, **more.engine},
        weather={**statement.weather, **more.weather},
        told={**statement.told, **more.told},
        clips=statement.clips,
        costs=statement.costs,
        places={**statement.places, **more.places},
    )


def gather(
    knowledge: Knowledge, statement: Statement, examinations: Sequence[Examination]
) -> tuple[tuple[Finding, ...], tuple[str, ...]]:
    """All findings that count, and the names of those replaced by a better one."""
    heard = [
        hear_answer(
            knowledge, name, told, engine=statement.engine, where=statement.places.get(name, "")
        )
        for name, told in statement.told.items()
    ]
    findings = [f for f in heard if f is not None]
    shows = [statement.clips.get(e.clip, "unknown") for e in examinations]
    findings += clip_findings(knowledge, examinations, shows)
    names = {f.name for f in findings}
    replaced = {
        other for name in names for other in knowledge.questions[name].instead_of if other in names
    }
    # a log or a look replaces the word for the same thing, so that it does not count twice
    kept = tuple(f for f in findings if f.name not in replaced)
    return kept, tuple(f.name for f in findings if f.name in replaced)


# -- what the weights rest on --------------------------------------------------------------


def _unexplained(posterior: Posterior) -> tuple[Unexplained, ...]:
    """Findings told with a small chance, given the weights, though another answer was likely."""
    out = []
    for i, finding in enumerate(posterior.findings):
        question = posterior.network.knowledge.questions[finding.name]
        table = posterior.network.likelihood(question)
        expected = posterior.chance @ table
        chance = float(expected @ finding.likelihood)
        best = float(expected.max())
        if chance < 0.15 and chance < 0.4 * best:
            out.append(Unexplained(finding=finding.name, told=finding.told, chance=chance))
        del i
    return tuple(sorted(out, key=lambda u: u.chance))


def _sensitivity(posterior: Posterior, leading: str) -> tuple[Sensitivity, ...]:
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


def _rival(posterior: Posterior, causes: tuple[Weight, ...], done: Sequence[str]) -> Rival | None:
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


def _notes(examinations: Sequence[Examination], findings: Sequence[Finding]) -> tuple[str, ...]:
    notes = []
    for clip in examinations:
        if clip.refused:
            notes.append(
                f"{clip.clip} gives no opacity ({clip.refused}); it does not sharpen the weights."
            )
        elif clip.colour.colour_open:
            notes.append(f"{clip.clip} leaves the colour of the smoke open.")
    if not findings:
        notes.append(
            "Nothing is told yet: the weights are what is usual. Answer the questions first."
        )
    return tuple(notes)


# -- showing -------------------------------------------------------------------------------


def percent(weight: float) -> str:
    """A weight in percent, as shown everywhere."""
    return "<1 %" if weight < 0.01 else ">99 %" if weight > 0.99 else f"{100 * weight:.0f} %"


def _range(weight: Weight) -> str:
    return f"{percent(weight.weight):>5} ({100 * weight.low:.0f} to {100 * weight.high:.0f})"


def _reason(reason: Reason, decibans: bool) -> str:
    way = "for" if reason.decibans > 0 else "against"
    number = f" ({reason.decibans:+.1f} dB)" if decibans else ""
    return f"{way} it {reason.strength}{number}: {reason.told}"


def _lines(found: Diagnosis, decibans: bool) -> list[str]:
    out = []
    for stop in found.stops:
        out += [
            f"STOP. {FORBIDS[stop.forbids]} {stop.words}",
            f"  {stop.reason}",
            f"  {stop.remedy}",
        ]
    out.append("What it may be (weight, 95 % interval; several can be true at once)")
    for family in found.families[:5]:
        out.append(f"  {_range(family):22} {family.title}")
        for cause in [c for c in found.causes if c.family == family.name][:3]:
            if cause.weight >= 0.03:
                out.append(f"      {_range(cause):20} {cause.title}")
    leading = found.families[0]
    for reason in leading.reasons[:3]:
        out.append(f"  speaks {_reason(reason, decibans)}")
    for item in found.unexplained:
        out.append(f"Unexplained: {item.told}")
    for pair in found.contradictions:
        out.append(f"Does not fit: {pair.words}")
    if found.rival and found.rival.fact:
        out.append(f"One fact would separate the two leading causes: {found.rival.words}")
    if found.proposals:
        best = found.proposals[0]
        time = f"{best.minutes:.0f} min" + (
            f" and {best.wait_days:.0f} days" if best.wait_days else ""
        )
        out.append(f"Next check ({time}): {best.question}")
        out += [f"  {best.reason}", f"  How: {best.how}", f"  Care: {best.caution}"]
    if found.questions:
        out.append("Worth asking first:")
        out += [f"  {q.words} ({q.question})" for q in found.questions]
    out += [*found.notes, SCREENING]
    return out


def _plain(record: Any) -> dict[str, Any]:
    out = {}
    for name in record.__dataclass_fields__:
        value = getattr(record, name)
        out[name] = [list(v) for v in value] if isinstance(value, tuple) else value
    return out


def _weight_json(weight: Weight) -> dict[str, Any]:
    return {
        "name": weight.name, "title": weight.title, "family": weight.family,
        "weight": weight.weight, "low": weight.low, "high": weight.high,
        "reasons": [
            {"finding": r.finding, "told": r.told, "decibans": r.decibans, "strength": r.strength}
            for r in weight.reasons
        ],
    }  # fmt: skip


def _proposal_json(proposal: Proposal) -> dict[str, Any]:
    plain = {
        k: getattr(proposal, k)
        for k in ("check", "question", "how", "reason", "minutes", "wait_days", "money", "danger",
                  "tools", "caution", "value", "cost")
    }  # fmt: skip
    plain["outcomes"] = [_outcome_json(o) for o in proposal.outcomes]
    return plain


def _outcome_json(outcome: Outcome) -> dict[str, Any]:
    keys = ("state", "words", "chance", "leads", "leads_weight", "act")
    plain = {k: getattr(outcome, k) for k in keys}
    plain["then"] = _proposal_json(outcome.then) if outcome.then else None
    return plain
