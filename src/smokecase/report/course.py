"""Where a case stands: its weights now, and how each new fact moved them.

A repair ends a stretch: what was seen before speaks of the fault, what is seen after speaks of the
repair.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from smokecase.case.record import Case, Circumstances, Entry
from smokecase.causes.knowledge import DONT_KNOW
from smokecase.causes.knowledge_file import standard_knowledge
from smokecase.causes.weigh import Weight
from smokecase.diagnosis import Diagnosis, diagnose, what_if
from smokecase.readings import Examination

Tell = Callable[[float, str], None]

FACTS = ("clip", "answer", "result")
WARM_DEGC = 60.0  # an engine above this is warm; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """The weights after one entry."""

    entry: Entry | None  # None: before anything was told
    words: str
    families: tuple[Weight, ...]  # heaviest first


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Course:
    """The weights of a case and how they came about."""

    diagnosis: Diagnosis
    steps: tuple[Step, ...]
    facts: tuple[Entry, ...]  # the entries that the weights rest on
    after_repair: bool  # whether later entries speak of a repair and do not count here


def follow_case(case: Case, *, tell: Tell | None = None) -> Course:
    """Weigh a case as it stands, and after each of its facts.

    Raises
    ------
    AnswersError
        If an answer or result in it cannot be used.
    """
    told = tell or (lambda share, words: None)
    facts, after_repair = weighed_facts(case)
    found = _weigh(case, ())
    steps = [Step(entry=None, words="nothing told yet", families=found.families)]
    for i, entry in enumerate(facts):
        told((i + 1) / (len(facts) + 1), f"weighing entry {entry.number}")
        found = _weigh(case, facts[: i + 1])
        steps.append(Step(entry=entry, words=tell_entry(entry), families=found.families))
    return Course(diagnosis=found, steps=tuple(steps), facts=facts, after_repair=after_repair)


def weigh_case(case: Case) -> Course:
    """Weigh a case as it stands, without the way there.

    Raises
    ------
    AnswersError
        If an answer or result in it cannot be used.
    """
    facts, after_repair = weighed_facts(case)
    return Course(diagnosis=_weigh(case, facts), steps=(), facts=facts, after_repair=after_repair)


def leading_after_each(case: Case) -> dict[int, tuple[str, float]]:
    """Title and weight of the family that leads after each fact, by the number of its entry.

    Raises
    ------
    AnswersError
        If an answer or result in it cannot be used.
    """
    families = standard_knowledge().families
    facts, _ = weighed_facts(case)
    found = {}
    for i, entry in enumerate(facts):
        now = facts[: i + 1]
        weights = what_if(to_tables(case, now), examinations=_examinations(case, now))
        best = max(families, key=lambda name: weights[name])
        found[entry.number] = (families[best].title, weights[best])
    return found


def weigh_otherwise(case: Case, question: str, given: Any) -> dict[str, float]:
    """Weigh every family and cause as if one answer or result were another; milliseconds.

    Raises
    ------
    AnswersError
        If it cannot be one.
    """
    facts, _ = weighed_facts(case)
    tables = {name: dict(table) for name, table in to_tables(case, facts).items()}
    if is_of_engine(question):
        tables["engine"].pop(question, None)
        if given != DONT_KNOW:
            tables["engine"][question] = given
    else:
        done = question in tables["results"]
        tables["results" if done else "answers"][question] = given
    return what_if(tables, examinations=_examinations(case, facts))


def weighed_facts(case: Case) -> tuple[tuple[Entry, ...], bool]:
    """Choose the facts that speak of the fault, and tell whether a repair ended their stretch.

    They are those of the last stretch in which something was answered or checked; where nothing
    was, of the last one that smoked.
    """
    stretches: list[list[Entry]] = [[]]
    for entry in case.in_force():
        if entry.kind == "repair":
            stretches.append([])
        elif entry.kind in FACTS and not _of_another(entry):
            stretches[-1].append(entry)
    asked = [any(e.kind != "clip" for e in stretch) for stretch in stretches]
    smoked = [any(_smokes(case.examinations.get(e.number)) for e in s) for s in stretches]
    for speaks in (asked, smoked):
        if any(speaks):
            last = max(i for i, said in enumerate(speaks) if said)
            return tuple(stretches[last]), last < len(stretches) - 1
    return tuple(e for stretch in stretches for e in stretch), False


def _of_another(entry: Entry) -> bool:
    return entry.kind == "clip" and bool(entry.circumstances.engine)


def _smokes(examination: Examination | None) -> bool:
    return examination is not None and examination.colour.none < 0.5


def _examinations(case: Case, facts: tuple[Entry, ...]) -> list[Examination]:
    return [case.examinations[e.number] for e in facts if e.number in case.examinations]


def to_tables(case: Case, facts: tuple[Entry, ...]) -> dict[str, Mapping[str, Any]]:
    """Facts as the tables of an answers file."""
    clips = [e for e in facts if e.kind == "clip"]
    weather: dict[str, str] = {}
    for entry in clips:
        told = entry.circumstances
        if told.ambient_degc is not None:
            weather["temperature"] = f"{told.ambient_degc:g} degC"
        if told.humidity_pct is not None:
            weather["humidity"] = f"{told.humidity_pct:g} %"
    engine = engine_of(case)
    answers = {e.body["question"]: e.body["answer"] for e in facts if e.kind == "answer"}
    return {
        "engine": engine,
        "weather": weather,
        "answers": {name: given for name, given in answers.items() if not is_of_engine(name)},
        "results": {e.body["check"]: e.body["result"] for e in facts if e.kind == "result"},
        "clips": {e.body["name"]: _shows(e.circumstances) for e in clips},
    }


def engine_of(case: Case) -> dict[str, str]:
    """Facts of the engine: those that the case was opened with, and those answered since.

    A repair does not end them, as it ends what was seen and checked.
    """
    answered = {
        e.body["question"]: e.body["answer"]
        for e in case.of_kind("answer")
        if is_of_engine(e.body["question"]) and e.body["answer"] != DONT_KNOW
    }
    return {**case.engine, **answered}


def is_of_engine(name: str) -> bool:
    """Whether a name is a fact of the engine, such as its fuel, and no question about the smoke."""
    knowledge = standard_knowledge()
    return name in knowledge.contexts or name in knowledge.parts


def _shows(told: Circumstances) -> str:
    """Tell what a clip shows, in the knowledge file's words."""
    warm = told.coolant_degc is not None and told.coolant_degc >= WARM_DEGC
    if told.load == "cold start":
        return "cold_start"
    if told.load in ("acceleration", "under load"):
        return "load"
    if told.load == "cranking":
        return "warm_start" if warm else "cold_start"
    return "warm_idle" if warm else "unknown"


def _weigh(case: Case, facts: tuple[Entry, ...]) -> Diagnosis:
    return diagnose(
        _examinations(case, facts), answers=to_tables(case, facts), unasked=not_known(facts)
    )


def not_known(facts: tuple[Entry, ...]) -> frozenset[str]:
    """Questions that were answered with "don't know": not to be asked again."""
    return frozenset(
        e.body["question"]
        for e in facts
        if e.kind == "answer"
        and e.body["answer"] == DONT_KNOW
        and e.body["question"] in standard_knowledge().questions
    )


def tell_entry(entry: Entry, *, say: Callable[[str], str] = str) -> str:
    """Tell an entry in the words of the question or check that it answers.

    `say` says each text in the reader's language.
    """
    name = entry.body.get("question") or entry.body.get("check")
    knowledge = standard_knowledge()
    question = knowledge.questions.get(str(name)) or knowledge.contexts.get(str(name))
    part = knowledge.parts.get(str(name))
    if question is None and part is None:
        return str(entry)
    given = entry.body["answer"] if entry.kind == "answer" else entry.body["result"]
    if part is not None:
        return f"{say(part.question)} {say(str(given).replace('_', ' '))}"
    assert question is not None
    states = given if isinstance(given, list) else [given]
    words = {**dict(zip(question.states, question.words, strict=True)), DONT_KNOW: "don't know"}
    said = ", ".join(say(words.get(str(state), str(state).replace("_", " "))) for state in states)
    corrects = f" {say(f'(corrects entry {entry.replaces})')}" if entry.replaces else ""
    return f"{say(question.question)} {said}{corrects}"
