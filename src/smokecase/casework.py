"""What a door does with a case: add a clip, an answer, a check result, a report; undo.

Each function checks what was given before it becomes an entry, because entries are never changed.
"""

import json
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from smokecase.case.record import Case, Circumstances, Entry
from smokecase.case.store import CaseStore
from smokecase.causes.knowledge_file import standard_knowledge
from smokecase.causes.next_check import Ask
from smokecase.causes.witness import hear_answer
from smokecase.diagnosis import add_words
from smokecase.errors import AnswersError
from smokecase.languages import ENGLISH
from smokecase.model_files import fingerprint
from smokecase.readings import Examination, PlumeOutline
from smokecase.report.assemble import Made, make_report
from smokecase.report.course import Course, engine_of
from smokecase.report.inspector import LEVELS_PCT
from smokecase.report.key_pictures import key_pictures_to_json

if TYPE_CHECKING:
    from smokecase.first_look import FirstLook

Tell = Callable[[float, str], None]
Look = Callable[[Path], "FirstLook"]
Measure = Callable[..., Examination]  # `examine`, or the same in a process of its own
OF_ENGINE = "It decides which causes there can be at all, and what may be asked."


def bring_clip(  # noqa: PLR0913 - an entry's fields and who looks, each by name
    store: CaseStore,
    case: Case,
    path: Path,
    *,
    name: str,
    author: str,
    time: datetime,
    look: Look | None = None,
) -> Entry:
    """Put a file away byte for byte and enter it, to be measured later.

    `look` stands in for `look_first`, such as one that works in a process of its own.

    Raises
    ------
    ClipError
        If no picture can be read from it; then nothing is kept.
    AnswersError
        If the case holds this very file already.
    CaseError, WriteError
        If it cannot be put away.
    """
    from smokecase.first_look import look_first  # decoding loads late

    seen = (look or look_first)(path)
    _refuse_twice(case, fingerprint(path), name, None)
    sha256 = store.put_file("clips", path, ending=path.suffix or ".clip")
    body = {
        "name": name, "sha256": sha256, "size_bytes": path.stat().st_size, "source": seen.source,
        "width": seen.width, "height": seen.height, "duration_s": seen.duration_s,
        "doubts": sorted(doubt.name for doubt in seen.doubts),
    }  # fmt: skip
    return store.add(case, "brought", body, author=author, time=time)


def measure_brought(  # noqa: PLR0913 - an entry's fields and who measures, each by name
    store: CaseStore,
    case: Case,
    number: int,
    *,
    author: str,
    time: datetime,
    tell: Tell | None = None,
    measure: Measure | None = None,
    **options: Any,
) -> Entry:
    """Measure a file that was brought, or a clip anew; `options` are those of `examine`.

    `measure` stands in for `examine`, such as one that works in a process of its own. What was
    told of the clip's circumstances stays.

    Raises
    ------
    ClipError
        If it cannot be read.
    AnswersError
        If the entry is neither, or does not hold any more.
    """
    entry = case.find_entry(number)
    if entry.kind not in ("brought", "clip") or entry not in case.in_force():
        what = f"entry {number} is no clip, or does not hold any more"
        raise AnswersError(what, where=f'case "{case.name}"', remedy="see the entries first")
    return add_clip(
        store, case, store.find_file("clips", entry.body["sha256"]), name=entry.body["name"],
        circumstances=entry.circumstances, author=author, time=time, replaces=number, tell=tell,
        measure=measure, **options,
    )  # fmt: skip


def tell_circumstances(
    store: CaseStore,
    case: Case,
    number: int,
    circumstances: Circumstances,
    *,
    author: str,
    time: datetime,
) -> Entry:
    """Tell under what circumstances a clip was filmed; its readings stay as they are.

    Raises
    ------
    AnswersError
        If the entry is no clip, or does not hold any more.
    """
    entry = case.find_entry(number)
    if entry.kind != "clip" or entry not in case.in_force():
        what = f"entry {number} is no clip, or does not hold any more"
        raise AnswersError(what, where=f'case "{case.name}"', remedy="see the entries first")
    body = {**entry.body, "circumstances": circumstances.to_json()}
    return store.add(case, "clip", body, author=author, time=time, replaces=number)


def add_clip(  # noqa: PLR0913 - an entry's fields and the clip's options, each by name
    store: CaseStore,
    case: Case,
    path: Path,
    *,
    circumstances: Circumstances,
    author: str,
    time: datetime,
    name: str = "",
    replaces: int | None = None,
    tell: Tell | None = None,
    measure: Measure | None = None,
    **options: Any,
) -> Entry:
    """Measure a clip, put it away with its readings and key pictures, and enter it.

    `options` are those of `examine`, which `measure` may stand in for; `name` is that of the file
    unless told.

    Raises
    ------
    ClipError
        If it cannot be read.
    AnswersError
        If the case holds this very clip already.
    CaseError, WriteError
        If it cannot be put away.
    """
    measured_by = measure or _here()
    told = tell or (lambda share, words: None)
    name = name or path.name
    told(0.0, f"measuring {name}")
    examination = measured_by(path, tell=lambda share, words: told(0.85 * share, words), **options)
    examination = replace(examination, clip=name)
    _refuse_twice(case, examination.sha256, name, replaces)
    told(0.86, "putting it away")
    sha256 = store.put_file("clips", path, ending=path.suffix or ".clip")
    body = {
        "name": name,
        "sha256": sha256,
        "size_bytes": path.stat().st_size,
        "readings_sha256": store.put_examination(examination),
        "circumstances": circumstances.to_json(),
    }
    if examination.key_frames:
        shown = key_pictures_to_json(examination.key_frames)
        body["key_pictures_sha256"] = store.put_file("pictures", shown.encode(), ending="json")
    if examination.outlines:
        drawn = outlines_to_json(examination.outlines)
        body["outlines_sha256"] = store.put_file("pictures", drawn.encode(), ending="json")
    entry = store.add(case, "clip", body, author=author, time=time, replaces=replaces)
    told(1.0, "done")
    return entry


def _here() -> Measure:
    from smokecase.examination import examine  # measuring loads late: a second and more

    return examine


def outlines_to_json(outlines: tuple[PlumeOutline, ...]) -> str:
    """Write the plume's outlines as text: a list of [time, [[x, y, x, y, ...], ...]]."""
    rows = [[round(o.time_s, 3), [shape.ravel().tolist() for shape in o.shapes]] for o in outlines]
    return json.dumps(rows, separators=(",", ":"))


def _refuse_twice(case: Case, sha256: str, name: str, replaces: int | None) -> None:
    for entry in case.in_force():
        brought = entry.kind in ("clip", "brought") and entry.body["sha256"] == sha256
        if brought and replaces != entry.number:
            what = f"this clip is entry {entry.number} already"
            remedy = f"to tell other circumstances, add it with --corrects {entry.number}"
            raise AnswersError(what, where=name, remedy=remedy)


def add_answer(
    store: CaseStore, case: Case, question: str, given: Any, *, author: str, time: datetime
) -> Entry:
    """Enter an answer; one to a question answered before corrects the earlier one.

    Raises
    ------
    AnswersError
        If the question is not known, or the answer cannot be one to it.
    """
    _check(case, "answers", question, given)
    return store.add(case, "answer", {"question": question, "answer": given}, author=author,
                     time=time,
                     replaces=_earlier(case, "answer", "question", question))  # fmt: skip


def add_result(
    store: CaseStore, case: Case, check: str, result: Any, *, author: str, time: datetime
) -> Entry:
    """Enter a check result, a state or a number with its unit; a later one corrects the earlier.

    After a repair the same check can be done again: then both hold, each for its time.

    Raises
    ------
    AnswersError
        If the check is not known, or the result cannot be one of it.
    """
    _check(case, "results", check, result)
    return store.add(case, "result", {"check": check, "result": result}, author=author,
                     time=time, replaces=_earlier(case, "result", "check", check))  # fmt: skip


def _check(case: Case, table: str, name: str, given: Any) -> None:
    knowledge = standard_knowledge()
    engine = {fact: state for fact, state in engine_of(case).items() if fact != name}
    statement = add_words(None, {"engine": engine, table: {name: given}}, knowledge)
    for told_name, told in statement.told.items():
        hear_answer(knowledge, told_name, told, engine=statement.engine, where=name)


def ask_next(case: Case, course: Course) -> tuple[Ask, ...]:
    """Choose what to ask next: the engine's own facts first, then what is worth most.

    Nothing is asked that was answered, "don't know" included.
    """
    knowledge = standard_knowledge()
    answered = {e.body["question"] for e in case.of_kind("answer")}
    told = answered | set(engine_of(case))
    facts = tuple(
        Ask(question=c.name, words=c.question, why=OF_ENGINE, how="",
            states=tuple(zip(c.states, c.words, strict=True)), bits=0.0, value=0.0)
        for c in knowledge.contexts.values() if c.name not in told
    )  # fmt: skip
    return facts + tuple(q for q in course.diagnosis.questions if q.question not in answered)


def check_engine(engine: Mapping[str, str]) -> None:
    """Check the facts of an engine.

    Raises
    ------
    AnswersError
        If one is not known, or cannot be.
    """
    add_words(None, {"engine": dict(engine)}, standard_knowledge())


def _earlier(case: Case, kind: str, field: str, name: str) -> int | None:
    """Entry on the same thing since the last repair."""
    repaired = max((e.number for e in case.of_kind("repair")), default=0)
    same = [e.number for e in case.of_kind(kind)
            if e.body[field] == name and e.number > repaired]  # fmt: skip
    return same[-1] if same else None


def withdraw(
    store: CaseStore, case: Case, number: int, *, why: str, author: str, time: datetime
) -> Entry:
    """Undo an entry by a later one; what it replaced holds again.

    Raises
    ------
    AnswersError
        If there is no such entry, it opened the case, or it does not hold any more.
    """
    entry = case.find_entry(number)
    where = f'case "{case.name}"'
    if entry.kind == "opened":
        what = "entry 1 opened the case and stays"
        raise AnswersError(what, where=where, remedy="open a new case")
    if number in case.replaced():
        what = f"entry {number} does not hold any more"
        raise AnswersError(what, where=where, remedy="see the entries for what replaced it")
    return store.add(case, "withdrawn", {"why": why}, author=author, time=time, replaces=number)


def save_report(  # noqa: PLR0913 - the door's options, each by name
    store: CaseStore,
    case: Case,
    *,
    author: str,
    time: datetime,
    levels_pct: tuple[float, ...] = LEVELS_PCT,
    language: str = ENGLISH,
    tell: Tell | None = None,
) -> tuple[Made, Entry]:
    """Make a case's report, put it away, and enter its fingerprint.

    `language` is one of `languages.LANGUAGES`.

    Raises
    ------
    AnswersError, CaseError, WriteError
        If the case cannot be weighed, read or written.
    """
    made = make_report(store, case, made=time, versions=versions_of(case), levels_pct=levels_pct,
                       language=language, tell=tell)  # fmt: skip
    html = store.put_file("reports", made.html.encode(), ending="html")
    pdf = store.put_file("reports", made.pdf, ending="pdf")
    reply = store.put_file("reports", made.reply.encode(), ending="txt")
    body = {"name": f"report of {time:%Y-%m-%d %H:%M}", "sha256": html, "pdf_sha256": pdf,
            "reply_sha256": reply}  # fmt: skip
    return made, store.add(case, "report", body, author=author, time=time)


def versions_of(case: Case) -> dict[str, str]:
    """Versions of the software now, and of that which measured the clips where it differs."""
    import numpy as np

    from smokecase import __version__

    versions = {"smokecase": __version__, "numpy": np.__version__}
    measured = {e.versions.get("smokecase", "unknown") for e in case.examinations.values()}
    if measured - {__version__}:
        versions["clips measured with smokecase"] = ", ".join(sorted(measured))
    return versions
