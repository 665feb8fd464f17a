"""Writes the story of a case: why these causes, and every entry with how it moved the weights."""

from functools import partial

from smokecase.case.record import Case, Entry
from smokecase.causes.record import percent
from smokecase.causes.weigh import Weight
from smokecase.languages import say
from smokecase.report.case_figures import draw_course
from smokecase.report.contents import Block, Items, Picture, Section, Table, Text
from smokecase.report.course import Course, tell_entry
from smokecase.report.first_page import tell_weight

SHOWN_CAUSES, SHOWN_REASONS = 5, 4


def write_causes(course: Course, lang: str) -> Section:
    """Write why these causes: what speaks for and against each, and what stays in doubt."""
    found = course.diagnosis
    shown = [c for c in found.causes if c.weight >= 0.03][:SHOWN_CAUSES]
    facts = tuple(e.number for e in course.facts)
    words = say("The likeliest single causes, with their weights, and what speaks for and against "
                "each:", lang)  # fmt: skip
    blocks: list[Block] = [Text(words, facts)]
    for cause in shown:
        head = f"{say(cause.title, lang)}: {tell_weight(cause, lang)}"
        blocks += [Text(head, (), "lead"), Items(_reasons(cause, lang))]
    doubtful = [
        say("Not explained by the likeliest causes: {told}.", lang).format(told=say(u.told, lang))
        for u in found.unexplained
    ]
    doubtful += [
        say("These two do not fit together: {what}", lang).format(what=say(c.words, lang))
        for c in found.contradictions
    ]
    doubtful += [say(note, lang) for note in found.notes]
    leading = found.families[0].name
    doubtful += [
        say("Without one fact ({told}) another family would lead.", lang).format(
            told=say(s.told, lang)
        )
        for s in found.sensitivity[:3]
        if s.leading_without != leading
    ]
    if found.rival and found.rival.fact:
        doubtful.append(
            say("One fact would separate the two leading causes: {fact}", lang).format(
                fact=say(found.rival.words, lang)
            )
        )
    if doubtful:
        blocks.append(Items(tuple(doubtful)))
    return Section(say("Why these causes", lang), tuple(blocks), new_page=True)


def _reasons(weight: Weight, lang: str) -> tuple[str, ...]:
    said = []
    for reason in weight.reasons[:SHOWN_REASONS]:
        way = say("for it", lang) if reason.decibans > 0 else say("against it", lang)
        question = say(reason.question, lang)
        asked = question + ("" if question.endswith("?") else ":")
        said.append(f"{way}, {say(reason.strength, lang)}: {asked} {say(reason.told, lang)}")
    return tuple(said) or (say("only how common it is", lang),)


def write_entries(case: Case, course: Course, lang: str) -> Section:
    """Write every entry of the case, and how each fact moved the weights."""
    gone = case.replaced()
    rows = tuple(
        (
            f"{e.number}",
            e.time_utc[:16].replace("T", " "),
            _by(e, lang),
            _told(e, lang) + (f" [{say('no longer holds', lang)}]" if e.number in gone else ""),
        )
        for e in case.entries
    )
    head = (say("no.", lang), say("entered (UTC)", lang), say("by", lang), say("entry", lang))
    blocks: list[Block] = [
        Table(head, rows,
              say("Every entry of this case; none is ever changed, corrections are entries too",
                  lang), (0.07, 0.2, 0.15, 0.58))
    ]  # fmt: skip
    if len(course.steps) > 1:
        moved = tuple(_moved(course, i, lang) for i in range(1, len(course.steps)))
        alt = f"{say('How the weights moved.', lang)} {' '.join(moved)}"
        blocks.append(
            Picture(draw_course(course, lang), alt,
                    say("How each fact moved the weights of the likeliest families; the numbers "
                        "are those of the entries above", lang),
                    tuple(e.number for e in course.facts))
        )  # fmt: skip
        blocks.append(Items(moved))
    return Section(say("The story so far", lang), tuple(blocks))


def _by(entry: Entry, lang: str) -> str:
    """Who entered it; where nobody gave a name, a few words of the program stand there."""
    return say(entry.author, lang) or say("not told", lang)


def _told(entry: Entry, lang: str) -> str:
    return say(tell_entry(entry, say=partial(say, language=lang)), lang)


def _moved(course: Course, i: int, lang: str) -> str:
    """One sentence: what an entry did to the family that it moved most."""
    before = {f.name: f for f in course.steps[i - 1].families}
    after = course.steps[i]
    most = max(after.families, key=lambda f: abs(f.weight - before[f.name].weight))
    number, told = (after.entry.number, _told(after.entry, lang)) if after.entry else (0, "")
    if abs(most.weight - before[most.name].weight) < 0.005:
        return say("Entry {n} ({told}) moved nothing.", lang).format(n=number, told=told)
    return say("Entry {n} ({told}): {cause} went from {before} to {after}.", lang).format(
        n=number, told=told, cause=say(most.title, lang),
        before=percent(before[most.name].weight), after=tell_weight(most, lang),
    )  # fmt: skip
