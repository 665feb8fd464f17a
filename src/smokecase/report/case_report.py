"""Writes a case's report: the first page answers, then come proofs, method and limits."""

from collections.abc import Callable
from datetime import datetime
from functools import partial

from smokecase.case.compare import Comparison
from smokecase.case.record import Case, Circumstances, Entry
from smokecase.causes.knowledge_file import standard_knowledge
from smokecase.languages import say, text
from smokecase.readings import Examination
from smokecase.report.case_figures import draw_comparison, draw_curve
from smokecase.report.case_story import write_causes, write_entries
from smokecase.report.contents import (
    Block,
    Items,
    Picture,
    Report,
    Section,
    Table,
    Text,
)
from smokecase.report.first_page import Material, write_first_page
from smokecase.report.inspector import inspect_clip
from smokecase.report.story import tell_doubts, tell_story

Tell = Callable[[float, str], None]

NOT_TOLD = "not told"
# circumstances of engine and weather; the observer's own stand in the inspector's record
TOLD = {
    "role": text("role"), "engine": text("engine"), "standing_h": text("stood for [h]"),
    "coolant_degc": text("coolant [°C]"), "ambient_degc": text("air outside [°C]"),
    "humidity_pct": text("humidity [%]"), "pressure_hpa": text("air pressure [hPa]"),
    "load": text("load"), "light": text("light"),
    "camera": text("camera"), "pipe_diameter_mm": text("pipe diameter [mm]"),
}  # fmt: skip
METHOD = (
    text(
        "Opacity is the share of light that the smoke keeps from coming through, in percent: 0 "
        "is clear air, 100 a black wall. The program learns from the smoke-free pictures what "
        "lies behind the plume, lays every picture on that view, and reads how much fainter the"
        " pattern behind the plume has become in a square just beyond the end of the pipe (the "
        "measuring section, 1.1 pipe widths wide). What the smoke adds by its own brightness is"
        " taken out."
    ),
    text(
        "Figures in brackets are the 95 % interval: in 95 of 100 such readings the truth should"
        " lie inside. They grow where the picture is noisy, shaky or lit badly. A value a "
        "little below zero is noise around clear air and is left as it is, since cutting it "
        "would make averages lie."
    ),
    text(
        "Two clips are told apart with care: that one smokes less or more is said where a real "
        "difference, beyond 3 % opacity and a fifth of the larger, is at least 90 % sure, and "
        "that chance stands beside it; that there is no difference is said where one that "
        "matters, 5 % opacity and two fifths of the larger, is ruled out. Doubts that both "
        "clips share cancel."
    ),
    text(
        "Weights of causes say how likely each is there, given all that was measured, answered "
        "and found; several can be true at once, so they need not sum to 100 %. Their interval "
        "shows how far they move when the chances behind them are wrong by as much as they may "
        "be."
    ),
)
LIMITS = (
    text(
        "A camera reads an open plume, no closed cell: its figure is not that of a smoke meter,"
        " and a reading in 1/m is not given here."
    ),
    text(
        "What the smoke is made of is inferred from colour, time course and answers; nothing "
        "was analysed."
    ),
    text(
        "Only what was filmed is known: load, standing time and temperatures are as told, not "
        "measured by the program."
    ),
    text(
        "Chances behind the weights rest partly on workshop practice without a published "
        "source; the command `smokecase knowledge` shows the origin of each."
    ),
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
    lang = material.language
    told(0.0, "writing the first page")
    sections = [
        write_first_page(case, material),
        write_causes(material.course, lang),
        write_entries(case, material.course, lang),
    ]
    for i, (comparison, entries) in enumerate(material.comparisons):
        told(0.1, f"comparing {comparison.first} and {comparison.second}")
        sections.append(_comparison(comparison, entries, material.side_by_side.get(i), lang))
    clips = [e for e in case.of_kind("clip") if e.number in case.examinations]
    for i, entry in enumerate(clips):
        told(0.2 + 0.6 * i / len(clips), f"showing {entry.body['name']}")
        examination = case.examinations[entry.number]
        sections.append(_clip(entry, examination, material.pictures.get(entry.number), lang))
        sections.append(
            inspect_clip(entry, examination, levels_pct=material.levels_pct, language=lang)
        )
    sections += [_method(lang), _proofs(case, material)]
    last = case.entries[-1].fingerprint if case.entries else "-"
    shown = made.strftime("%Y-%m-%d, %H:%M %Z").strip()
    return Report(
        title=say("Smoke report: {case}", lang).format(case=case.name),
        subtitle=_engine(case, lang),
        made=say("made {day}", lang).format(day=shown),
        sections=tuple(sections),
        closing=say(
            "Made by smokecase {version} on {day}; fingerprint of the last entry: {last}.", lang
        ).format(version=material.versions.get("smokecase", ""), day=shown, last=last),
        language=lang,
    )


def _engine(case: Case, lang: str) -> str:
    """Tell of the engine what was told when the case was opened: each question, its answer."""
    knowledge = standard_knowledge()
    facts = []
    for name, value in case.engine.items():
        context, part = knowledge.contexts.get(name), knowledge.parts.get(name)
        asked = context.question if context else part.question if part else name.replace("_", " ")
        given = dict(zip(context.states, context.words, strict=True)) if context else {}
        if value:
            answer = say(given.get(value, str(value).replace("_", " ")), lang)
            facts.append(f"{say(asked, lang)} {answer}")
    return "; ".join(facts) or say("nothing is told of the engine", lang)


# -- comparisons and clips -----------------------------------------------------------------------


def _comparison(
    comparison: Comparison, entries: tuple[int, int], beside: bytes | None, lang: str
) -> Section:
    first, second = say(comparison.first, lang), say(comparison.second, lang)
    sentence = say(comparison.sentence, lang)
    blocks: list[Block] = [Text(sentence, entries, "lead")]
    if beside is not None:
        blocks.append(
            Picture(beside,
                    say("Both clips at their densest: {first}, {second}", lang).format(
                        first=first, second=second),
                    say("The densest moment of each clip: {first} on the left, {second} on the "
                        "right", lang).format(first=first, second=second), entries)
        )  # fmt: skip
    if comparison.windows:
        blocks.append(
            Picture(draw_comparison(comparison, lang), f"{say('Two curves.', lang)} {sentence}",
                    say("Opacity at the pipe in both clips, laid on the start of the engine; "
                        "bands are 95 % intervals", lang), entries)
        )  # fmt: skip
        blocks.append(
            Table((say("over this time", lang), first, second, say("difference", lang)),
                  tuple(tuple(say(str(part), lang)
                              for part in (w.name, w.first, w.second, w.difference))
                        for w in comparison.windows),
                  say("Mean opacity with its 95 % interval; two starts are taken to differ by a "
                      "tenth, and what one camera in one place leaves open alike cancels in the "
                      "difference", lang),
                  (0.4, 0.2, 0.2, 0.2), entries)
        )  # fmt: skip
        lines = (*comparison.clearing, comparison.size, comparison.colour, *comparison.sound)
        blocks.append(Items(tuple(say(line, lang) for line in lines if line), entries))
    blocks.append(Text(say("Whether the two can be compared:", lang), entries))
    blocks.append(Items(tuple(_conditions(comparison, lang)), entries))
    title = say("Compared: {first} and {second}", lang).format(first=first, second=second)
    return Section(title, tuple(blocks))


def _conditions(comparison: Comparison, lang: str) -> list[str]:
    """Whether the two can be compared: what is alike, what differs, what nobody told."""
    lines = []
    for alike, words in (
        (False, say("Differs: {what}.", lang)),
        (True, say("Alike: {what}.", lang)),
        (None, say("Not told, or not to be told: {what}.", lang)),
    ):
        named = [
            f"{say(c.name, lang)} ({say(c.first, lang)} / {say(c.second, lang)})"
            if {c.first, c.second} - {"", NOT_TOLD}
            else say(c.name if c.first else c.words, lang)
            for c in comparison.conditions
            if c.alike is alike
        ]
        if named:
            lines.append(words.format(what="; ".join(named)))
    return lines


def _clip(entry: Entry, examination: Examination, sheet: bytes | None, lang: str) -> Section:
    n = (entry.number,)
    story = say(tell_story(examination), lang)
    blocks: list[Block] = [Text(story, n)]
    if sheet is not None:
        blocks.append(
            Picture(sheet,
                    say("Key pictures of {clip} with the plume outlined", lang).format(
                        clip=examination.clip),
                    say("Key pictures: outline of the plume, measuring section (dashed square), "
                        "end of the pipe (cross)", lang), n)
        )  # fmt: skip
    if len(examination.trace) > 1:
        blocks.append(
            Picture(draw_curve(examination, lang), f"{say('Opacity over time.', lang)} {story}",
                    say("Opacity over time; the band is the 95 % interval", lang), n)
        )  # fmt: skip
    if examination.heard:
        heard = say("Sound: {what}", lang).format(what=say(examination.heard, lang))
        blocks.append(Text(heard, n))
    doubts = tell_doubts(examination, say=partial(say, language=lang))
    if doubts:
        blocks.append(Text(say("Doubts, and what would help next time:", lang), n))
        blocks.append(Items(tuple(doubts), n))
    blocks.append(_circumstances(entry.circumstances, n, lang))
    return Section(say("Clip {name}", lang).format(name=entry.body["name"]), tuple(blocks))


def _circumstances(told: Circumstances, n: tuple[int, ...], lang: str) -> Table:
    plain = told.to_json()
    rows = tuple(
        (say(words, lang), say(str(plain[name]), lang))
        for name, words in TOLD.items()
        if name in plain
    )
    nothing = (("-", say("nothing was told", lang)),)
    return Table((say("circumstance", lang), say("as told", lang)), rows or nothing,
                 say("Circumstances, as told by people, without intervals", lang), (0.36, 0.64),
                 n)  # fmt: skip


# -- method, limits, proofs ----------------------------------------------------------------------


def _method(lang: str) -> Section:
    blocks: list[Block] = [Text(say(paragraph, lang)) for paragraph in METHOD]
    limits = tuple(say(limit, lang) for limit in LIMITS)
    blocks += [Text(say("What this cannot tell:", lang)), Items(limits)]
    return Section(say("How it was measured, and how sure it is", lang), tuple(blocks))


def _proofs(case: Case, material: Material) -> Section:
    lang = material.language
    files = tuple(
        (say(e.body["name"], lang), f"{e.number}", e.body["sha256"])
        for e in case.entries
        if e.kind in ("clip", "report")
    )
    versions = ", ".join(f"{say(name, lang)} {value}" for name, value in material.versions.items())
    whole = (
        say("NOT whole: {what}", lang).format(what=" ".join(say(d, lang) for d in case.damage))
        if case.damage
        else say("No entry was changed, exchanged or taken out.", lang)
    )
    ledger = say("Ledger: {n} entries, each tied to the one before.", lang)
    made_with = say("Software: {versions}. Knowledge: {fingerprint}.", lang)
    head = (say("file", lang), say("entry", lang), say("fingerprint (SHA-256)", lang))
    blocks: list[Block] = [
        Table(head, files or (("-", "", ""),),
              say("Files of this case; a changed file has another fingerprint", lang),
              (0.24, 0.1, 0.66)),
        Text(f"{ledger.format(n=len(case.entries))} {whole}"),
        Text(made_with.format(versions=versions, fingerprint=material.course.diagnosis.knowledge),
             (), "small"),
    ]  # fmt: skip
    if material.missing:
        absent = say("Not shown: {what}", lang)
        lines = tuple(absent.format(what=say(words, lang)) for words in material.missing)
        blocks.insert(0, Items(lines))
    return Section(say("Files and proofs", lang), tuple(blocks))
