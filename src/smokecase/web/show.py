"""Shows the step that a visitor is at: reads the case and hands its parts to the views."""

import uuid
from collections.abc import Mapping
from typing import Any

from smokecase.case.record import Case, Entry
from smokecase.case.store import CaseStore, open_cases
from smokecase.casework import ask_next
from smokecase.causes.knowledge import DONT_KNOW
from smokecase.causes.knowledge_file import standard_knowledge
from smokecase.causes.record import percent
from smokecase.errors import CaseError, SmokecaseError
from smokecase.languages import say, say_error
from smokecase.report.assemble import compare_entries
from smokecase.report.course import engine_of, leading_after_each, weigh_otherwise
from smokecase.web.acts import do_act
from smokecase.web.desk import Job
from smokecase.web.paperwork import paper_jobs, papers_ready
from smokecase.web.place import Place, numbers_of
from smokecase.web.sitting import HALF_PX, MARK_PX, Sitting
from smokecase.web.views.causes import show_causes
from smokecase.web.views.checks import show_checks
from smokecase.web.views.clips import show_clips
from smokecase.web.views.comparing import densest_s, show_choice, show_comparison
from smokecase.web.views.frame import ahead, frame, heading, notice
from smokecase.web.views.home import show_home
from smokecase.web.views.ledger import show_ledger
from smokecase.web.views.mark import show_mark
from smokecase.web.views.papers import show_papers
from smokecase.web.views.questions import show_questions
from smokecase.web.views.smoke import show_smoke


def answer_tap(sitting: Sitting, told: Mapping[str, Any], *, here: bool = True) -> str:
    """Do what was tapped, once, and show the page after it.

    A browser that got no answer asks again with the same mark; it gets the answer that was made.

    Parameters
    ----------
    sitting : Sitting
    told : mapping
        What the browser sent.
    here : bool
        Whether the visitor sits at this machine. Another sees only the cases that its browser has
        the full number of.
    """
    ask = str(told.get("ask") or "")[:60]
    return sitting.once(ask, lambda: _answer(sitting, told, ask, here=here))


def _answer(sitting: Sitting, told: Mapping[str, Any], ask: str, *, here: bool) -> str:
    """Do what was tapped and show the page after it; every error becomes one sentence on it."""
    place, said = Place.read(told), ""
    lang = sitting.language
    mine = None if here else numbers_of(told.get("mine"))
    with open_cases(sitting.shop.cases) as store:
        try:
            place, said = do_act(sitting, store, place, told)
        except (SmokecaseError, ValueError) as error:
            said = notice(say_error(error, lang), kind="wrong")
        place = _after_work(sitting, place)
        case = None
        try:
            if place.case:
                case = store.read_case(place.case)
            body = _step(sitting, store, place, case, mine)
        except CaseError as error:
            said += notice(say_error(error, lang), kind="wrong")
            place, case = Place(), None
            body = show_home(_listed(store, mine), lang)
        except SmokecaseError as error:
            said += notice(say_error(error, lang), kind="wrong")
            body = heading(say("This step cannot be shown", lang))
            body += ahead(say("Go to the story of the case", lang), "case")
    return frame(
        body, place, lang, case=case, said=said, turn=uuid.uuid4().hex, ask=ask, own=not here
    )


def _after_work(sitting: Sitting, place: Place) -> Place:
    """Go on by itself from measuring to what was measured."""
    if place.step != "mark" or not place.clip:
        return place
    job = sitting.desk.find(("measure", place.case, place.clip))
    if job is not None and job.state == "done":
        return place.at("look", clip=int(job.result))
    return place


def _listed(store: CaseStore, mine: frozenset[str] | None, words: str = "") -> list[Case]:
    """Give the cases to list: all at this machine, elsewhere only those that the visitor knows."""
    cases = store.find_cases(words) if words else store.list_cases()
    return [case for case in cases if mine is None or case.id in mine]


def _step(
    sitting: Sitting, store: CaseStore, place: Place, case: Case | None, mine: frozenset[str] | None
) -> str:
    if case is None or place.step == "home":
        words = place.about if place.step == "home" and case is None else ""
        return show_home(_listed(store, mine, words), sitting.language, words=words)
    return STEPS[place.step](sitting, store, place, case)


def _bring(sitting: Sitting, store: CaseStore, place: Place, case: Case) -> str:
    return show_clips(case, sitting.thumbs(store, case), sitting.desk, sitting.language)


def _mark(sitting: Sitting, store: CaseStore, place: Place, case: Case) -> str:
    entry = _clip(case, place.clip, ("brought", "clip"))
    if entry is None:
        return _bring(sitting, store, place, case)
    at_s = 0.0
    if entry.number in case.examinations:
        at_s = case.examinations[entry.number].timing.peak_s or 0.0
    picture = sitting.picture(store, entry, at_s, MARK_PX)
    return show_mark(case, entry, picture, sitting.desk, sitting.language)


def _clip(case: Case, number: int, kinds: tuple[str, ...]) -> Entry | None:
    """Find the entry that is meant: the one named, what replaced it, or the latest."""
    held = [e for kind in kinds for e in case.of_kind(kind)]
    by_number = {e.number: e for e in held}
    at = number
    for entry in case.entries:  # oldest first, so that a chain of corrections is followed
        if entry.replaces == at and entry.kind in kinds:
            at = entry.number
    if number and at in by_number:
        return by_number[at]
    own = [e for e in held if not e.circumstances.engine]
    return max(own or held, key=lambda e: e.number) if held else None


def _look(sitting: Sitting, store: CaseStore, place: Place, case: Case) -> str:
    lang = sitting.language
    entry = _clip(case, place.clip, ("clip",))
    if entry is None or entry.number not in case.examinations:
        return heading(say("The smoke", lang), say("No clip is measured yet.", lang)) + ahead(
            say("Bring a clip", lang), "bring"
        )
    seen = case.examinations[entry.number]
    outlines = ""
    if "outlines_sha256" in entry.body:
        outlines = store.read_file("pictures", entry.body["outlines_sha256"]).decode()
    watch = sitting.watch(store, entry)
    # a player shows the densest moment by itself; the first picture is there already
    at_s = (seen.timing.peak_s or 0.0) if isinstance(watch, Job) else 0.0
    still = sitting.picture(store, entry, at_s, MARK_PX)
    return show_smoke(case, entry, watch=watch, outlines=outlines,
                      still=still, desk=sitting.desk, lang=lang)  # fmt: skip


def _tell(sitting: Sitting, store: CaseStore, place: Place, case: Case) -> str:
    lang = sitting.language
    course = sitting.weigh(case)
    lead = ""
    if course.facts or engine_of(case):
        best = course.diagnosis.families[0]
        lead = say("Leads so far: {cause}, {weight}", lang).format(
            cause=say(best.title, lang), weight=percent(best.weight)
        )
    return show_questions(
        case, ask_next(case, course), standard_knowledge(), about=place.about,
        taken=frozenset(place.trial.split(",")) - {""}, lead=lead, lang=lang,
    )  # fmt: skip


def _weigh(sitting: Sitting, store: CaseStore, place: Place, case: Case) -> str:
    course = sitting.weigh(case)
    answers: dict[str, object] = {
        e.body["question"]: e.body["answer"] for e in course.facts if e.kind == "answer"
    }
    answers |= {name: given for name, given in case.answers.items() if name in engine_of(case)}
    tried: dict[str, float] = {}
    if place.about and place.trial:
        states = place.trial.split(",")
        tried = weigh_otherwise(case, place.about, states if len(states) > 1 else place.trial)
    return show_causes(
        course.diagnosis, standard_knowledge(), answers=answers, about=place.about, tried=tried,
        trial=place.trial or DONT_KNOW, after_repair=course.after_repair, lang=sitting.language,
    )  # fmt: skip


def _check(sitting: Sitting, store: CaseStore, place: Place, case: Case) -> str:
    proposals = sitting.weigh(case).diagnosis.proposals
    return show_checks(case, proposals, standard_knowledge(), place.about, sitting.language)


def _compare(sitting: Sitting, store: CaseStore, place: Place, case: Case) -> str:
    lang = sitting.language
    clips = [e for e in case.of_kind("clip") if e.number in case.examinations]
    if len(clips) < 2:
        return show_choice(case, 0, 0, lang)
    first = _clip(case, place.clip, ("clip",)) if place.clip else _by_role(clips, 0)
    second = _clip(case, place.other, ("clip",)) if place.other else _by_role(clips, 1)
    if first is None or second is None or first.number == second.number:
        first = first or clips[0]
        second = next(e for e in clips if e.number != first.number)
    roles = (first.circumstances.role, second.circumstances.role)
    names = ("suspect", "healthy") if {"suspect", "healthy"} & set(roles) else ("before", "after")
    found, _ = compare_entries(case, first, second, names=names)
    watch = (sitting.watch(store, first), sitting.watch(store, second))
    at = densest_s(found)
    stills = [
        sitting.picture(store, entry, max(0.0, at + shift), HALF_PX)
        for entry, shift in zip((first, second), found.shift_s, strict=True)
    ]
    return show_choice(case, first.number, second.number, lang) + show_comparison(
        found, (first, second), watch, (stills[0], stills[1]), sitting.desk, lang
    )


def _by_role(clips: list[Entry], place: int) -> Entry:
    """Take the clip whose role says where it stands; else the first and the last."""
    roles = (("suspect", "before"), ("healthy", "after"))[place]
    named = [e for e in clips if e.circumstances.role in roles]
    return named[-1] if named else clips[0 if place == 0 else -1]


def _story(sitting: Sitting, store: CaseStore, place: Place, case: Case) -> str:
    return show_ledger(case, leading_after_each(case), sitting.language)


def _report(sitting: Sitting, store: CaseStore, place: Place, case: Case) -> str:
    made, reply = papers_ready(sitting, store, case)
    return show_papers(case, made, reply, paper_jobs(sitting, case), sitting.desk, sitting.language)


STEPS = {
    "bring": _bring,
    "mark": _mark,
    "look": _look,
    "tell": _tell,
    "weigh": _weigh,
    "check": _check,
    "compare": _compare,
    "case": _story,
    "report": _report,
}
