"""Writes a case's report: the first page answers, then come proofs, method and limits."""

from collections.abc import Callable
from datetime import datetime

from smokecase.case.compare import Comparison
from smokecase.case.record import Case, Circumstances, Entry
from smokecase.causes.record import percent
from smokecase.causes.weigh import Weight
from smokecase.readings import Examination
from smokecase.report.case_figures import draw_comparison, draw_course, draw_curve
from smokecase.report.contents import (
    Block,
    Items,
    Picture,
    Report,
    Section,
    Table,
    Text,
)
from smokecase.report.course import Course, tell_entry
from smokecase.report.first_page import Material, tell_weight, write_first_page
from smokecase.report.inspector import inspect_clip
from smokecase.report.story import tell_doubts, tell_story

Tell = Callable[[float, str], None]

SHOWN_CAUSES, SHOWN_REASONS = 5, 4
# circumstances of engine and weather; the observer's own stand in the inspector's record
TOLD = {
    "role": "role", "engine": "engine", "standing_h": "stood for [h]",
    "coolant_degc": "coolant [°C]", "ambient_degc": "air outside [°C]",
    "humidity_pct": "humidity [%]", "pressure_hpa": "air pressure [hPa]",
    "load": "load", "light": "light",
    "camera": "camera", "pipe_diameter_mm": "pipe diameter [mm]",
}  # fmt: skip
METHOD = (
    "Opacity is the share of light that the smoke keeps from coming through, in percent: 0 is "
    "clear air, 100 a black wall. The program learns from the smoke-free pictures what lies behind "
    "the plume, lays every picture on that view, and reads how much fainter the pattern behind the "
    "plume has become in a square just beyond the end of the pipe (the measuring section, 1.1 pipe "
    "widths wide). What the smoke adds by its own brightness is taken out.",
    "Figures in brackets are the 95 % interval: in 95 of 100 such readings the truth should lie "
    "inside. They grow where the picture is noisy, shaky or lit badly. A value a little below zero "
    "is noise around clear air and is left as it is, since cutting it would make averages lie.",
    "Two clips are told apart with care: that one smokes less or more is said where a real "
    "difference, beyond 3 % opacity and a fifth of the larger, is at least 90 % sure, and that "
    "chance stands beside it; that there is no difference is said where one that matters, 5 % "
    "opacity and two fifths of the larger, is ruled out. Doubts that both clips share cancel.",
    "Weights of causes say how likely each is there, given all that was measured, answered and "
    "found; several can be true at once, so they need not sum to 100 %. Their interval shows how "
    "far they move when the chances behind them are wrong by as much as they may be.",
)
LIMITS = (
    "A camera reads an open plume, no closed cell: its figure is not that of a smoke meter, and a "
    "reading in 1/m is not given here.",
    "What the smoke is made of is inferred from colour, time course and answers; nothing was "
    "analysed.",
    "Only what was filmed is known: load, standing time and temperatures are as told, not measured "
    "by the program.",
    "Chances behind the weights rest partly on workshop practice without a published source; the "
    "command `smokecase knowledge` shows the origin of each.",
)


def write_contents(
    case: Case, material: Material, *, made: datetime, tell: Tell | None = None
) -> Report:
    """Write a case's report.

    Parameters
    ----------
    case : Case
    material : Material
    made : datetime
        When the report is made, with its zone.
    tell : callable, optional
        Called with progress (0 to 1) and words; may raise `Cancelled`.
    """
    told = tell or (lambda share, words: None)
    told(0.0, "writing the first page")
    sections = [
        write_first_page(case, material), _causes(material.course), _course(case, material.course)
    ]  # fmt: skip
    for i, (comparison, entries) in enumerate(material.comparisons):
        told(0.1, f"comparing {comparison.first} and {comparison.second}")
        sections.append(_comparison(comparison, entries, material.side_by_side.get(i)))
    clips = [e for e in case.of_kind("clip") if e.number in case.examinations]
    for i, entry in enumerate(clips):
        told(0.2 + 0.6 * i / len(clips), f"showing {entry.body['name']}")
        examination = case.examinations[entry.number]
        sections.append(_clip(entry, examination, material.pictures.get(entry.number)))
        sections.append(inspect_clip(entry, examination, levels_pct=material.levels_pct))
    sections += [_method(), _proofs(case, material)]
    last = case.entries[-1].fingerprint if case.entries else "none"
    shown = made.strftime("%d %B %Y, %H:%M %Z").strip()
    return Report(
        title=f"Smoke report: {case.name}",
        subtitle=_engine(case),
        made=f"made {shown}",
        sections=tuple(sections),
        closing=f"Made by smokecase {material.versions.get('smokecase', '')} on {shown}; "
        f"fingerprint of the last entry: {last}.",
    )


def _engine(case: Case) -> str:
    facts = ", ".join(
        f"{name.replace('_', ' ')}: {value}" for name, value in case.engine.items() if value
    )
    return facts or "nothing is told of the engine"


# -- what the weights rest on --------------------------------------------------------------------


def _causes(course: Course) -> Section:
    found = course.diagnosis
    shown = [c for c in found.causes if c.weight >= 0.03][:SHOWN_CAUSES]
    facts = tuple(e.number for e in course.facts)
    words = "The likeliest single causes, with their weights, and what speaks for and against each"
    blocks: list[Block] = [Text(f"{words}:", facts)]
    for cause in shown:
        blocks += [Text(f"{cause.title}: {tell_weight(cause)}", (), "lead"), Items(_reasons(cause))]
    doubtful = [f"Not explained by the likeliest causes: {u.told}." for u in found.unexplained]
    doubtful += [f"Does not fit together: {c.words}" for c in found.contradictions]
    doubtful += list(found.notes)
    leading = found.families[0].name
    doubtful += [
        f"Without one fact ({s.told}) another family would lead."
        for s in found.sensitivity[:3]
        if s.leading_without != leading
    ]
    if found.rival and found.rival.fact:
        doubtful.append(f"One fact would separate the two leading causes: {found.rival.words}")
    if doubtful:
        blocks.append(Items(tuple(doubtful)))
    return Section("Why these causes", tuple(blocks), new_page=True)


def _reasons(weight: Weight) -> tuple[str, ...]:
    said = []
    for reason in weight.reasons[:SHOWN_REASONS]:
        way = "for" if reason.decibans > 0 else "against"
        asked = reason.question + ("" if reason.question.endswith("?") else ":")
        said.append(f"{way}, {reason.strength}: {asked} {reason.told}")
    return tuple(said) or ("only how common it is",)


def _course(case: Case, course: Course) -> Section:
    gone = case.replaced()
    rows = tuple(
        (
            f"{e.number}",
            e.time_utc[:16].replace("T", " "),
            e.author or "not told",
            tell_entry(e) + (" [no longer holds]" if e.number in gone else ""),
        )
        for e in case.entries
    )
    blocks: list[Block] = [
        Table(("no.", "entered (UTC)", "by", "entry"), rows,
              "Every entry of this case; none is ever changed, corrections are entries too",
              (0.07, 0.2, 0.15, 0.58))
    ]  # fmt: skip
    if len(course.steps) > 1:
        words = "; ".join(_moved(course, i) for i in range(1, len(course.steps)))
        blocks.append(
            Picture(draw_course(course), f"How the weights moved. {words}",
                    "How each fact moved the weights of the likeliest families; the numbers are "
                    "those of the entries above",
                    tuple(e.number for e in course.facts))
        )  # fmt: skip
        blocks.append(Items(tuple(_moved(course, i) for i in range(1, len(course.steps)))))
    return Section("The story so far", tuple(blocks))


def _moved(course: Course, i: int) -> str:
    """One sentence: what an entry did to the family that it moved most."""
    before = {f.name: f for f in course.steps[i - 1].families}
    after = course.steps[i]
    most = max(after.families, key=lambda f: abs(f.weight - before[f.name].weight))
    number, words = (after.entry.number, tell_entry(after.entry)) if after.entry else (0, "")
    if abs(most.weight - before[most.name].weight) < 0.005:
        return f"Entry {number} ({words}) moved nothing."
    return (
        f"Entry {number} ({words}): {most.title} went from "
        f"{percent(before[most.name].weight)} to {tell_weight(most)}."
    )


# -- comparisons and clips -----------------------------------------------------------------------


def _comparison(comparison: Comparison, entries: tuple[int, int], beside: bytes | None) -> Section:
    blocks: list[Block] = [Text(comparison.sentence, entries, "lead")]
    if beside is not None:
        blocks.append(
            Picture(beside, f"{comparison.first} beside {comparison.second} at their peaks",
                    f"The densest moment of each clip: {comparison.first} on the left, "
                    f"{comparison.second} on the right", entries)
        )  # fmt: skip
    if comparison.windows:
        blocks.append(
            Picture(draw_comparison(comparison), f"Two curves. {comparison.sentence}",
                    "Opacity at the pipe in both clips, laid on the start of the engine; bands "
                    "are 95 % intervals", entries)
        )  # fmt: skip
        blocks.append(
            Table(("over the", comparison.first, comparison.second, "difference"),
                  tuple((w.name, str(w.first), str(w.second), str(w.difference))
                        for w in comparison.windows),
                  "Mean opacity with its 95 % interval; two starts are taken to differ by a tenth, "
                  "and what one camera in one place leaves open alike cancels in the difference",
                  (0.4, 0.2, 0.2, 0.2), entries)
        )  # fmt: skip
        lines = (*comparison.clearing, comparison.size, comparison.colour, *comparison.sound)
        blocks.append(Items(tuple(line for line in lines if line), entries))
    blocks.append(Text("Whether the two can be compared:", entries))
    blocks.append(Items(tuple(_conditions(comparison)), entries))
    title = f"Compared: {comparison.first} and {comparison.second}"
    return Section(title, tuple(blocks))


def _conditions(comparison: Comparison) -> list[str]:
    """Whether the two can be compared: what is alike, what differs, what nobody told."""
    lines = []
    for alike, words in (
        (False, "Differs"),
        (True, "Alike"),
        (None, "Not told, or not to be told"),
    ):
        named = [
            f"{c.name} ({c.first} / {c.second})" if c.first or c.second else c.words
            for c in comparison.conditions
            if c.alike is alike
        ]
        if named:
            lines.append(f"{words}: {'; '.join(named)}.")
    return lines


def _clip(entry: Entry, examination: Examination, sheet: bytes | None) -> Section:
    n = (entry.number,)
    blocks: list[Block] = [Text(tell_story(examination), n)]
    if sheet is not None:
        blocks.append(
            Picture(sheet, f"Key pictures of {examination.clip} with the plume outlined",
                    "Key pictures: outline of the plume, measuring section (dashed square), end of "
                    "the pipe (cross)", n)
        )  # fmt: skip
    if len(examination.trace) > 1:
        blocks.append(
            Picture(draw_curve(examination), f"Opacity over time. {tell_story(examination)}",
                    "Opacity over time; the band is the 95 % interval", n)
        )  # fmt: skip
    if examination.heard:
        blocks.append(Text(f"Sound: {examination.heard}", n))
    doubts = tell_doubts(examination)
    if doubts:
        blocks.append(Text("Doubts, and what would help next time:", n))
        blocks.append(Items(tuple(doubts), n))
    blocks.append(_circumstances(entry.circumstances, n))
    return Section(f"Clip {entry.body['name']}", tuple(blocks))


def _circumstances(told: Circumstances, n: tuple[int, ...]) -> Table:
    plain = told.to_json()
    rows = tuple((words, str(plain[name])) for name, words in TOLD.items() if name in plain)
    return Table(("circumstance", "as told"), rows or (("none", "nothing was told"),),
                 "Circumstances, as told by people, without intervals", (0.36, 0.64),
                 n)  # fmt: skip


# -- method, limits, proofs ----------------------------------------------------------------------


def _method() -> Section:
    blocks: list[Block] = [Text(paragraph) for paragraph in METHOD]
    blocks += [Text("What this cannot tell:"), Items(LIMITS)]
    return Section("How it was measured, and how sure it is", tuple(blocks))


def _proofs(case: Case, material: Material) -> Section:
    files = tuple(
        (e.body["name"], f"{e.number}", e.body["sha256"])
        for e in case.entries
        if e.kind in ("clip", "report")
    )
    versions = ", ".join(f"{name} {value}" for name, value in material.versions.items())
    whole = "No entry was changed, exchanged or taken out." if not case.damage else (
        "NOT whole: " + " ".join(case.damage)
    )  # fmt: skip
    blocks: list[Block] = [
        Table(("file", "entry", "fingerprint (SHA-256)"), files or (("none", "", ""),),
              "Files of this case; a changed file has another fingerprint", (0.24, 0.1, 0.66)),
        Text(f"Ledger: {len(case.entries)} entries, each tied to the one before. {whole}"),
        Text(f"Software: {versions}. Knowledge: {material.course.diagnosis.knowledge}.", (),
             "small"),
    ]  # fmt: skip
    if material.missing:
        blocks.insert(0, Items(tuple(f"Not shown: {words}" for words in material.missing)))
    return Section("Files and proofs", tuple(blocks))
