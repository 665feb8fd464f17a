"""Writes the first page of a case's report: what was seen, what it may be, what to do next."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from smokecase.case.compare import Comparison
from smokecase.case.record import Case, Entry
from smokecase.causes.knowledge import Stop
from smokecase.causes.next_check import Proposal
from smokecase.causes.record import percent
from smokecase.causes.verdict import CAUTIONS, FORBIDS
from smokecase.causes.weigh import Weight
from smokecase.languages import ENGLISH, say, text
from smokecase.report.contents import Bar, Bars, Block, Section, Text
from smokecase.report.course import Course
from smokecase.report.inspector import LEVELS_PCT
from smokecase.report.story import tell_story

SHOWN_FAMILIES = 4
NEXT, AGAIN = text("Next step"), text("If it smokes again")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Material:
    """What a report is written from, besides the case itself."""

    course: Course
    comparisons: Sequence[tuple[Comparison, tuple[int, int]]] = ()  # with their entries
    pictures: Mapping[int, bytes] = field(default_factory=dict)  # contact sheet by clip's entry
    side_by_side: Mapping[int, bytes] = field(default_factory=dict)  # by comparison's place
    levels_pct: tuple[float, ...] = LEVELS_PCT
    versions: Mapping[str, str] = field(default_factory=dict)
    missing: tuple[str, ...] = ()  # sentences on pictures that could not be shown
    language: str = ENGLISH  # one of `languages.LANGUAGES`


def write_first_page(case: Case, material: Material) -> Section:
    """Write the page that answers."""
    found, lang = material.course.diagnosis, material.language
    blocks: list[Block] = [Text(tell_stop(s, lang), (), "stop") for s in found.stops]
    damaged = say("Damaged: {what}", lang)
    blocks += [Text(damaged.format(what=say(fault, lang)), (), "stop") for fault in case.damage]
    blocks += _what_was_seen(case, material)
    blocks += _likeliest(material.course, lang)
    blocks += _next_step(material.course, lang)
    return Section(say("In short", lang), tuple(blocks))


def tell_stop(stop: Stop, lang: str) -> str:
    """Tell a stop sign: what must not be done, why, and what to do instead."""
    words = (text("STOP."), FORBIDS[stop.forbids], stop.words, stop.reason, stop.remedy)
    return " ".join(say(part, lang) for part in words)


def _what_was_seen(case: Case, material: Material) -> list[Block]:
    lang = material.language
    clips = [e for e in case.of_kind("clip") if e.number in case.clips]
    blocks: list[Block] = []
    if not clips:
        none = "No clip of this engine was measured; all below rests on answers."
        return [Text(say(text(none), lang))]
    for comparison, entries in reversed(material.comparisons):
        blocks.append(Text(say(comparison.sentence, lang), entries, "plain" if blocks else "lead"))
    numbers = [e.number for e in material.course.facts if e.kind == "clip"]
    main = next((e for e in reversed(clips) if e.number in numbers), clips[-1])
    when = _when(main, lang)
    story = say(tell_story(case.clips[main.number]), lang)
    blocks.append(Text(f"{when}: {story}", (main.number,), "plain" if blocks else "lead"))
    if main is not clips[-1] and not material.comparisons:
        last = clips[-1]
        story = say(tell_story(case.clips[last.number]), lang)
        blocks.append(Text(f"{_when(last, lang)}: {story}", (last.number,)))
    return blocks


def _when(entry: Entry, lang: str) -> str:
    told = entry.circumstances
    day = (told.filmed_utc or entry.time_utc)[:10]
    parts = [p for p in (say(told.load or "", lang), told.words) if p]
    return f"{entry.body['name']}, {day}" + (f" ({', '.join(parts)})" if parts else "")


def _likeliest(course: Course, lang: str) -> list[Block]:
    found = course.diagnosis
    heading = (
        say("What it was before the repair, by all that was told until then: weight with its 95 % "
            "interval; several can be true at once", lang)
        if course.after_repair
        else say("What it may be, by all that was told until now: weight with its 95 % interval; "
                 "several can be true at once", lang)
    )  # fmt: skip
    bars = tuple(
        Bar(say(w.title, lang), w.weight, w.low, w.high) for w in found.families[:SHOWN_FAMILIES]
    )
    cause = found.causes[0]
    return [
        Bars(bars, heading, tuple(e.number for e in course.facts)),
        Text(say("Likeliest single cause: {cause}, {weight}.", lang).format(
            cause=say(cause.title, lang), weight=tell_weight(cause, lang))),
    ]  # fmt: skip


def _next_step(course: Course, lang: str) -> list[Block]:
    found = course.diagnosis
    blocks: list[Block] = []
    if course.after_repair:
        blocks.append(Text(say("Next step: film it cold once more after a week of use, from the "
                               "same place.", lang), (), "lead"))  # fmt: skip
    if found.proposals:
        best = found.proposals[0]
        head = say(AGAIN if course.after_repair else NEXT, lang)
        step = f"{head} ({tell_cost(best, lang)}): {say(best.question, lang)}"
        blocks.append(Text(step, (), "plain" if course.after_repair else "lead"))
        care = say("Care: {what}", lang).format(what=say(best.caution, lang))
        blocks.append(Text(f"{say(best.reason, lang)} {say(best.how, lang)} {care}"))
    if found.questions and not course.after_repair:
        asked = " ".join(say(q.words, lang) for q in found.questions[:3])
        blocks.append(Text(say("Worth asking as well: {questions}", lang).format(questions=asked)))
    cautions = " ".join(say(c, lang) for c in CAUTIONS)
    before = say("Before any work: {cautions}", lang).format(cautions=cautions)
    blocks.append(Text(before, (), "note"))
    return blocks


def tell_cost(check: Proposal, lang: str) -> str:
    """Tell how long a check takes."""
    if check.wait_days:
        return say("{n} min over {days} days, estimated", lang).format(
            n=f"{check.minutes:.0f}", days=f"{check.wait_days:.0f}"
        )
    return say("{n} min, estimated", lang).format(n=f"{check.minutes:.0f}")


def tell_weight(weight: Weight, lang: str) -> str:
    """Tell a weight with its 95 % interval, in percent."""
    told = f"{percent(weight.weight)} ({100 * weight.low:.0f} to {100 * weight.high:.0f})"
    return say(told, lang)
