"""Writes the first page of a case's report: what was seen, what it may be, what to do next."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from smokecase.case.compare import Comparison
from smokecase.case.record import Case, Entry
from smokecase.causes.record import percent
from smokecase.causes.verdict import CAUTIONS, FORBIDS
from smokecase.causes.weigh import Weight
from smokecase.report.contents import Bar, Bars, Block, Section, Text
from smokecase.report.course import Course
from smokecase.report.inspector import LEVELS_PCT
from smokecase.report.story import tell_story

SHOWN_FAMILIES = 4


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


def write_first_page(case: Case, material: Material) -> Section:
    """Write the page that answers."""
    found = material.course.diagnosis
    blocks: list[Block] = [
        Text(f"STOP. {FORBIDS[s.forbids]} {s.words} {s.reason} {s.remedy}", (), "stop")
        for s in found.stops
    ]
    blocks += [Text(f"Damaged: {fault}", (), "stop") for fault in case.damage]
    blocks += _what_was_seen(case, material)
    blocks += _likeliest(material.course)
    blocks += _next_step(material.course)
    return Section("In short", tuple(blocks))


def _what_was_seen(case: Case, material: Material) -> list[Block]:
    clips = [e for e in case.of_kind("clip") if e.number in case.clips]
    blocks: list[Block] = []
    if not clips:
        return [Text("No clip of this engine was measured; all below rests on answers.", ())]
    for comparison, entries in reversed(material.comparisons):
        blocks.append(Text(comparison.sentence, entries, "plain" if blocks else "lead"))
    numbers = [e.number for e in material.course.facts if e.kind == "clip"]
    main = next((e for e in reversed(clips) if e.number in numbers), clips[-1])
    when = _when(main)
    story = tell_story(case.clips[main.number])
    blocks.append(Text(f"{when}: {story}", (main.number,), "plain" if blocks else "lead"))
    if main is not clips[-1] and not material.comparisons:
        last = clips[-1]
        blocks.append(Text(f"{_when(last)}: {tell_story(case.clips[last.number])}", (last.number,)))
    return blocks


def _when(entry: Entry) -> str:
    told = entry.circumstances
    day = (told.filmed_utc or entry.time_utc)[:10]
    parts = [p for p in (told.load, told.words) if p]
    return f"{entry.body['name']}, {day}" + (f" ({', '.join(parts)})" if parts else "")


def _likeliest(course: Course) -> list[Block]:
    found = course.diagnosis
    heading = (
        "What it was before the repair, by all that was told until then"
        if course.after_repair
        else "What it may be, by all that was told until now"
    )
    bars = tuple(Bar(w.title, w.weight, w.low, w.high) for w in found.families[:SHOWN_FAMILIES])
    cause = found.causes[0]
    return [
        Bars(bars, f"{heading}: weight with its 95 % interval; several can be true at once",
             tuple(e.number for e in course.facts)),
        Text(f"Likeliest single cause: {cause.title}, {tell_weight(cause)}."),
    ]  # fmt: skip


def _next_step(course: Course) -> list[Block]:
    found = course.diagnosis
    blocks: list[Block] = []
    if course.after_repair:
        again = "Next step: film it cold once more after a week of use, from the same place."
        blocks.append(Text(again, (), "lead"))
    if found.proposals:
        best = found.proposals[0]
        days = f" over {best.wait_days:.0f} days" if best.wait_days else ""
        head = "If it smokes again" if course.after_repair else "Next step"
        step = f"{head} ({best.minutes:.0f} min{days}, estimated): {best.question}"
        blocks.append(Text(step, (), "plain" if course.after_repair else "lead"))
        blocks.append(Text(f"{best.reason} {best.how} Care: {best.caution}", ()))
    if found.questions and not course.after_repair:
        asked = " ".join(q.words for q in found.questions[:3])
        blocks.append(Text(f"Worth asking as well: {asked}", ()))
    blocks.append(Text("Before any work: " + " ".join(CAUTIONS), (), "note"))
    return blocks


def tell_weight(weight: Weight) -> str:
    """Tell a weight with its 95 % interval, in percent."""
    return f"{percent(weight.weight)} ({100 * weight.low:.0f} to {100 * weight.high:.0f})"
