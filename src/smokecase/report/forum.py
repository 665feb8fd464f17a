"""A short plain-text reply for someone who sent a clip and few facts."""

import textwrap
from collections.abc import Sequence
from functools import partial

from smokecase.diagnosis import Diagnosis
from smokecase.languages import ENGLISH, say, text
from smokecase.readings import SCREENING, Examination
from smokecase.report.first_page import tell_cost, tell_stop, tell_weight
from smokecase.report.story import tell_doubts, tell_story

WIDE = 78
ASKED = 3
REPAIRED = text(
    "What follows is from before the repair. Film it cold once more after a week of use, from the "
    "same place."
)
CAREFUL = text(
    "Careful: exhaust gas is poisonous, so only outdoors; hot coolant is under pressure; keep "
    "clear of belts and fans; fuel under injection pressure goes through skin. Local rules and "
    "licensed people go first."
)


def write_reply(
    examinations: Sequence[Examination], found: Diagnosis, *,
    repaired: Sequence[str] | None = None, language: str = ENGLISH,
) -> str:  # fmt: skip
    """Write what the clip shows, what cannot be told from it, three questions, and cautions.

    Parameters
    ----------
    examinations : sequence of Examination
        Clips that the weights rest on.
    found : Diagnosis
    repaired : sequence of str, optional
        Where a repair was done after all that was weighed: what the clips before and after it say
        together.
    language : str
        One of `languages.LANGUAGES`.
    """
    words = partial(say, language=language)
    parts = ["\n".join(_filled(tell_stop(s, language)) for s in found.stops)] if found.stops else []
    if repaired is not None:
        parts.append(_filled(" ".join(words(said) for said in (*repaired, REPAIRED))))
    for examination in examinations:
        shows = words("What {clip} shows: {story}")
        story = words(tell_story(examination))
        parts.append(_filled(shows.format(clip=examination.clip, story=story)))
    likely = ", ".join(f"{words(w.title)} {tell_weight(w, language)}" for w in found.families[:3])
    head = (
        words("What it may be, by all told so far (weight, 95 %; several may hold): {causes}.")
        if repaired is None
        else words("What it may have been, by all told before the repair (weight, 95 %; several "
                   "may hold): {causes}.")
    )  # fmt: skip
    parts.append(_filled(head.format(causes=likely)))
    parts.append(_cannot(examinations, found, language))
    if found.questions and repaired is None:
        asked = [f"{i}. {words(q.words)}" for i, q in enumerate(found.questions[:ASKED], start=1)]
        parts.append(_listed(words("Questions worth asking:"), asked))
    if found.proposals:
        best = found.proposals[0]
        head = words("First thing to do") if repaired is None else words("If it smokes again")
        care = words("Care: {what}").format(what=words(best.caution))
        parts.append(
            _filled(f"{head} ({tell_cost(best, language)}): {words(best.question)} "
                    f"{words(best.how)} {care}")
        )  # fmt: skip
    parts += [_filled(words(CAREFUL)), _filled(words(SCREENING))]
    return "\n\n".join(parts) + "\n"


def _cannot(examinations: Sequence[Examination], found: Diagnosis, language: str) -> str:
    words = partial(say, language=language)
    lines = [line for e in examinations for line in tell_doubts(e, say=words)][:3]
    lines.append(words("load, standing time and temperatures, which nobody can see in a clip"))
    if found.rival and found.rival.fact:
        titles = {c.name: words(c.title) for c in found.causes}
        first, second = titles[found.rival.first], titles[found.rival.second]
        both = words("which of the two it is: {first}, or {second}")
        lines.append(both.format(first=first, second=second))
    return _listed(words("What cannot be told from it:"), [f"- {line}" for line in lines])


def _listed(title: str, lines: list[str]) -> str:
    return "\n".join([title, *(textwrap.fill(x, WIDE, subsequent_indent="   ") for x in lines)])


def _filled(text: str) -> str:
    return textwrap.fill(text, WIDE)
