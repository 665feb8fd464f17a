"""What each tap does: reads the event, calls the case's own functions, and says where to go next.

Nothing that a browser sends is trusted: a case is opened by its full number only, an upload must
lie in the upload folder, and every value goes through the same checks as on the command line.
"""

from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from smokecase.apart.clips import examine_apart
from smokecase.case.record import Case, Circumstances
from smokecase.case.store import CaseStore
from smokecase.casework import (
    add_answer,
    add_result,
    bring_clip,
    measure_brought,
    tell_circumstances,
    withdraw,
)
from smokecase.causes.knowledge_file import standard_knowledge
from smokecase.errors import AnswersError, SmokecaseError
from smokecase.languages import say, say_error, text
from smokecase.web.paperwork import make_paper
from smokecase.web.place import Place
from smokecase.web.sitting import Sitting
from smokecase.web.uploads import MOST_FILES, receive
from smokecase.web.views.frame import notice

Told = Mapping[str, Any]
Act = Callable[[Sitting, CaseStore, Place, Told], tuple[Place, str]]

NAMELESS = text("at the page")  # who enters, where nobody gave a name
AMOUNT_FIELDS = ("standing_h", "ambient_degc", "humidity_pct", "coolant_degc", "distance_m",
                 "pipe_diameter_mm")  # fmt: skip
WORD_FIELDS = ("load", "light", "role", "engine", "camera", "background", "place", "observer",
               "words")  # fmt: skip


def do_act(sitting: Sitting, store: CaseStore, place: Place, told: Told) -> tuple[Place, str]:
    """Do what was tapped; returns where to go and what to say first.

    Raises
    ------
    SmokecaseError
        If it cannot be done; nothing is half-done then.
    """
    act = ACTS.get(str(told.get("do")))
    if act is None:
        return place, ""
    return act(sitting, store, place, told)


def _who(told: Told) -> str:
    return str(told.get("by") or "").strip()[:80] or NAMELESS


def _entering(told: Told) -> dict[str, Any]:
    return {"author": _who(told), "time": datetime.now(UTC)}


def _case(store: CaseStore, place: Place) -> Case:
    if not place.case:  # the store would take an empty name for the beginning of any
        what = "no case is open"
        raise AnswersError(what, where="page", remedy="open a case first")
    return store.read_case(place.case)


def _go(sitting: Sitting, store: CaseStore, place: Place, told: Told) -> tuple[Place, str]:
    return place, ""


def _new_case(sitting: Sitting, store: CaseStore, told: Told) -> Case:
    """Open a case under the name that was given, or under day and hour."""
    now = datetime.now().astimezone()
    wanted = str(told.get("called") or "").strip()[:80] or say(
        "Engine of {day}, {hour}", sitting.language
    ).format(day=f"{now:%Y-%m-%d}", hour=f"{now:%H:%M}")
    taken = {case.name for case in store.list_cases()}
    name, n = wanted, 1
    while name in taken:
        n += 1
        name = f"{wanted} ({n})"
    return store.open_case(name, engine={}, author=_who(told), time=now)


def _start(sitting: Sitting, store: CaseStore, place: Place, told: Told) -> tuple[Place, str]:
    case = _new_case(sitting, store, told)
    return Place(case=case.id, step="tell"), ""


def _bring(sitting: Sitting, store: CaseStore, place: Place, told: Told) -> tuple[Place, str]:
    """Take in what the browser sent; one that cannot be read does not keep the others out."""
    sent = told.get("files")
    files = [str(path) for path in sent][:MOST_FILES] if isinstance(sent, list) else []
    wrong: list[str] = []
    entries = []
    case = _case(store, place) if place.case else None
    looks = sitting.desk.looks
    for path in files:
        try:
            received = receive(path, sitting.shop, what_is=looks.what_is)
            if received.kind == "sound":
                what = "this is sound without a picture"
                remedy = "bring a clip; smokecase listen hears sound files"
                raise AnswersError(what, where=received.name, remedy=remedy)
            case = case or _new_case(sitting, store, told)
            entries.append(
                bring_clip(
                    store,
                    case,
                    received.path,
                    name=received.name,
                    look=looks.look_first,
                    **_entering(told),
                )
            )
            case = store.read_case(case.id)
            Path(received.path).unlink(missing_ok=True)  # it is put away, byte for byte
        except SmokecaseError as error:
            wrong.append(notice(say_error(error, sitting.language), kind="wrong"))
    said = "".join(wrong)
    if case is None:
        return place, said
    if len(entries) == 1:
        return Place(case=case.id, step="mark", clip=entries[0].number), said
    return Place(case=case.id, step="bring"), said


def _measure(sitting: Sitting, store: CaseStore, place: Place, told: Told) -> tuple[Place, str]:
    case = _case(store, place)
    number = place.clip
    options: dict[str, Any] = {}
    if told.get("x") not in (None, ""):
        options["exit_px"] = (_amount(told, "x"), _amount(told, "y"))
        if told.get("across") not in (None, ""):
            options["diameter_px"] = _amount(told, "across")
    entry = case.find_entry(number)
    _put_in_line(sitting, case, number, entry.body["name"], told, options)
    return place.at("mark", clip=number), ""


def _measure_all(sitting: Sitting, store: CaseStore, place: Place, told: Told) -> tuple[Place, str]:
    case = _case(store, place)
    for entry in case.of_kind("brought"):
        _put_in_line(sitting, case, entry.number, entry.body["name"], told, {})
    return place.at("bring"), ""


def _put_in_line(
    sitting: Sitting, case: Case, number: int, name: str, told: Told, options: dict[str, Any]
) -> None:
    from smokecase.case.store import open_cases

    who, folder, case_id = _who(told), sitting.shop.cases, case.id

    measure = partial(examine_apart, nursery=sitting.desk.nursery)

    def work(tell: Callable[[float, str], None]) -> int:
        with open_cases(folder) as store:
            entry = measure_brought(
                store, store.read_case(case_id), number, author=who, time=datetime.now(UTC),
                tell=tell, measure=measure, **options,
            )  # fmt: skip
        return entry.number

    sitting.desk.submit(
        ("measure", case_id, number), work, lane="measure", words=f"measuring {name}"
    )


def _amount(told: Told, name: str) -> float:
    text = str(told.get(name)).strip().replace(",", ".")
    try:
        return float(text)
    except ValueError:
        what = f'"{text}" is no number'
        raise AnswersError(
            what, where=name.replace("_", " "), remedy="write it such as 12.5"
        ) from None


def _stop(sitting: Sitting, store: CaseStore, place: Place, told: Told) -> tuple[Place, str]:
    name = tuple(
        int(part) if part.isdigit() else part for part in str(told.get("job") or "").split("/")
    )
    own = place.case in name or name[:1] == ("watch",)
    if own:
        sitting.desk.stop(name)
    return place, notice(say("Stopped. Nothing half-measured was kept.", sitting.language))


def _answer(sitting: Sitting, store: CaseStore, place: Place, told: Told) -> tuple[Place, str]:
    name, given = str(told.get("question") or ""), str(told.get("state") or "")
    states = given.split(",")
    add_answer(
        store, _case(store, place), name, states if len(states) > 1 else given, **_entering(told)
    )
    return place.at("weigh" if told.get("back") == "weigh" else "tell"), ""


def _take(sitting: Sitting, store: CaseStore, place: Place, told: Told) -> tuple[Place, str]:
    """Mark or unmark one of several states; nothing is entered yet."""
    name, state = str(told.get("question") or ""), str(told.get("state") or "")
    before = set(place.trial.split(",")) - {""} if place.about == name else set()
    return place.at("tell", about=name, trial=",".join(sorted(before ^ {state}))), ""


def _try(sitting: Sitting, store: CaseStore, place: Place, told: Told) -> tuple[Place, str]:
    about, trial = str(told.get("question") or ""), str(told.get("state") or "")
    if (place.about, place.trial) == (about, trial):
        return place.at("weigh"), ""
    return place.at("weigh", about=about, trial=trial), ""


def _result(sitting: Sitting, store: CaseStore, place: Place, told: Told) -> tuple[Place, str]:
    check = str(told.get("check") or "")
    given = str(told.get("state") or "")
    if not given:
        given = f"{str(told.get('amount') or '').strip()} {told.get('unit') or ''}".strip()
    add_result(store, _case(store, place), check, given, **_entering(told))
    question = standard_knowledge().questions[check]
    words = say("Entered: {check}", sitting.language).format(
        check=say(question.question, sitting.language)
    )
    return place.at("check"), notice(words)


def _circumstances(
    sitting: Sitting, store: CaseStore, place: Place, told: Told
) -> tuple[Place, str]:
    case = _case(store, place)
    number = int(told.get("clip") or 0)
    plain = case.find_entry(number).circumstances.to_json()
    for name in AMOUNT_FIELDS:
        if name in told:
            plain[name] = _amount(told, name) if str(told[name]).strip() else None
    for name in WORD_FIELDS:
        if name in told:
            plain[name] = str(told[name]).strip()[:200] or None
    filmed = Circumstances(**{name: value for name, value in plain.items() if value is not None})
    entry = tell_circumstances(store, case, number, filmed, **_entering(told))
    words = say("Kept: when and how {name} was filmed.", sitting.language)
    return place.at("look", clip=entry.number), notice(words.format(name=entry.body["name"]))


def _undo(sitting: Sitting, store: CaseStore, place: Place, told: Told) -> tuple[Place, str]:
    number = int(str(told.get("number") or 0))
    withdraw(store, _case(store, place), number, why="undone at the page", **_entering(told))
    words = say("Undone. It stays readable in the story.", sitting.language)
    return place, notice(words)


def _write(sitting: Sitting, store: CaseStore, place: Place, told: Told) -> tuple[Place, str]:
    kind = str(told["do"])
    text = str(told.get(kind) or "").strip()[:4000]
    if not text:
        what = "nothing is written yet"
        raise AnswersError(what, where=kind, remedy="write a few words first")
    store.add(_case(store, place), kind, {"text": text}, **_entering(told))
    words = {
        "note": say("The note is kept.", sitting.language),
        "repair": say("The repair is kept. What is filmed and checked from now on speaks of how it "
                      "is after it.", sitting.language),
    }  # fmt: skip
    return place.at("case"), notice(words[kind])


def _find(sitting: Sitting, store: CaseStore, place: Place, told: Told) -> tuple[Place, str]:
    return Place(step="home", about=str(told.get("words") or "")[:60]), ""


def _paper(sitting: Sitting, store: CaseStore, place: Place, told: Told) -> tuple[Place, str]:
    make_paper(sitting, _case(store, place), str(told["do"]), told, author=_who(told))
    return place.at("report"), ""


def _example(sitting: Sitting, store: CaseStore, place: Place, told: Told) -> tuple[Place, str]:
    from smokecase.web.example import open_example

    return Place(case=open_example(sitting, store, author=_who(told)), step="bring"), ""


ACTS: dict[str, Act] = {
    "go": _go,
    "poll": _go,
    "start": _start,
    "example": _example,
    "bring": _bring,
    "measure": _measure,
    "measure_all": _measure_all,
    "stop": _stop,
    "answer": _answer,
    "take": _take,
    "try": _try,
    "result": _result,
    "circumstances": _circumstances,
    "undo": _undo,
    "note": _write,
    "repair": _write,
    "find": _find,
    "report": _paper,
    "package": _paper,
    "hand_on": _paper,
    "backdrop": _paper,
}
