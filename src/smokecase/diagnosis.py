"""Story 2: what was measured, answered and found becomes weighted causes and the next check.

::

    examinations --seen--> findings --weigh--> weights --next_check--> proposals
    answers, results --witness--^                  `--verdict, worth--> stop signs, worth saving
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from smokecase.causes.answers_file import Statement, state
from smokecase.causes.explain import find_rival, find_unexplained, weigh_sensitivity
from smokecase.causes.knowledge import DONT_KNOW, Knowledge
from smokecase.causes.knowledge_file import standard_knowledge
from smokecase.causes.next_check import propose, questions_first
from smokecase.causes.record import Diagnosis
from smokecase.causes.search import Prices
from smokecase.causes.seen import clip_findings, fog_findings
from smokecase.causes.verdict import barred, contradictions, stop_signs
from smokecase.causes.weigh import prepare, weigh_causes, weigh_sets
from smokecase.causes.witness import Finding, hear_answer
from smokecase.causes.worth import read_costs, to_prices, weigh_worth
from smokecase.condensation import FogForecast
from smokecase.readings import Examination

__all__ = ["Diagnosis", "add_words", "diagnose", "gather", "what_if"]


def diagnose(  # noqa: PLR0913 (each is a way in of its own; all but one by name)
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
        Answers by name, engine facts (fuel, installation, ...) and weather among them; or tables as
        in an answers file; or what `read_answers` gave.
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
    told = tell or (lambda share, words: None)
    statement = imply(_statement(answers, results, knowledge), knowledge)
    told(0.1, "listening to the answers")
    costs = read_costs(statement.costs, knowledge, where=statement.places.get("costs", ""))
    prices = prices or to_prices(costs)
    network = prepare(knowledge, statement.engine, statement.weather)
    findings, replaced = gather(knowledge, statement, examinations, network.air.forecast)
    set_aside = tuple(f.name for f in replaced)
    told(0.3, "weighing the causes")
    posterior = weigh_sets(network, findings)
    families, causes = weigh_causes(posterior)
    told(0.7, "looking for the next check")
    done = [f.name for f in findings] + list(set_aside) + sorted(unasked)
    stops = stop_signs(knowledge, (*findings, *replaced), statement.engine)
    worth = None
    if statement.costs:
        told(0.9, "comparing what it costs")
        worth = weigh_worth(posterior, costs, forbidden=bool(stops))
    return Diagnosis(
        engine=dict(statement.engine),
        families=families,
        causes=causes,
        findings=findings,
        set_aside=set_aside,
        stops=stops,
        contradictions=contradictions(knowledge, (*findings, *replaced)),
        unexplained=find_unexplained(posterior),
        sensitivity=weigh_sensitivity(posterior, families[0].name),
        rival=find_rival(posterior, causes, done),
        proposals=propose(posterior, done, prices=prices, barred=barred(stops)),
        questions=questions_first(posterior, done, prices=prices),
        forecast=network.air.forecast,
        worth=worth,
        notes=_notes(examinations, findings, network.air.forecast),
        knowledge=knowledge.fingerprint,
    )


def what_if(
    answers: Mapping[str, Any] | Statement,
    *,
    results: Mapping[str, Any] | None = None,
    examinations: Sequence[Examination] = (),
    knowledge: Knowledge | None = None,
) -> dict[str, float]:
    """Weigh only, in milliseconds: the weight of every family and cause by its name.

    Raises
    ------
    AnswersError
        As `diagnose`.
    """
    knowledge = knowledge or standard_knowledge()
    statement = imply(_statement(answers, results, knowledge), knowledge)
    network = prepare(knowledge, statement.engine, statement.weather)
    findings, _ = gather(knowledge, statement, examinations, network.air.forecast)
    posterior = weigh_sets(network, findings)
    names = [*knowledge.families, *(cause.name for cause in network.causes)]
    weights = [*posterior.of_families(), *posterior.of_causes()]
    return {name: float(weight) for name, weight in zip(names, weights, strict=True)}


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
    """Return a statement with more answers or results; later ones replace earlier ones.

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


def imply(statement: Statement, knowledge: Knowledge) -> Statement:
    """Fill in what the answers say of the engine without being asked.

    Who tells of glow plugs has a diesel, who tells of a turbo's drain has a turbo.
    """
    engine = dict(statement.engine)
    for name, told in statement.told.items():
        question = knowledge.questions[name]
        if told == DONT_KNOW:
            continue
        for part in question.needs:
            if part != "water_cooling":  # "no coolant loss" is told of air-cooled engines too
                engine.setdefault(part, "yes")
        for context, states in (("fuel", question.fuel), ("installation", question.installation)):
            if len(states) == 1:
                engine.setdefault(context, states[0])
    return replace(statement, engine=engine)


def gather(
    knowledge: Knowledge,
    statement: Statement,
    examinations: Sequence[Examination],
    forecast: FogForecast | None = None,
) -> tuple[tuple[Finding, ...], tuple[Finding, ...]]:
    """Sort all findings into those that count and those that a better one replaces.

    A log or a look replaces the word for the same thing, so that it does not count twice.
    """
    heard = [
        hear_answer(
            knowledge, name, told, engine=statement.engine, where=statement.places.get(name, "")
        )
        for name, told in statement.told.items()
    ]
    findings = [f for f in heard if f is not None]
    shows = [statement.clips.get(e.clip, "unknown") for e in examinations]
    findings += clip_findings(knowledge, examinations, shows)
    findings += fog_findings(examinations, forecast)
    names = {f.name for f in findings}
    better = {other for name in names for other in knowledge.questions[name].instead_of}
    kept = tuple(f for f in findings if f.name not in better)
    return kept, tuple(f for f in findings if f.name in better)


def _notes(
    examinations: Sequence[Examination],
    findings: Sequence[Finding],
    forecast: FogForecast | None,
) -> tuple[str, ...]:
    notes = [str(forecast)] if forecast else []
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
