"""A short plain-text reply for someone who sent a clip and few facts."""

import textwrap
from collections.abc import Sequence

from smokecase.causes.record import percent
from smokecase.causes.verdict import FORBIDS
from smokecase.diagnosis import Diagnosis
from smokecase.readings import SCREENING, Examination
from smokecase.report.story import tell_doubts, tell_story

WIDE = 78
ASKED = 3
REPAIRED = (
    "What follows is from before the repair. Film it cold once more after a week of use, from the "
    "same place."
)
CAREFUL = (
    "Careful: exhaust gas is poisonous, so only outdoors; hot coolant is under pressure; keep "
    "clear of belts and fans; fuel under injection pressure goes through skin. Local rules and "
    "licensed people go first."
)


def write_reply(
    examinations: Sequence[Examination], found: Diagnosis, *, repaired: Sequence[str] | None = None
) -> str:
    """Write what the clip shows, what cannot be told from it, three questions, and cautions.

    Parameters
    ----------
    examinations : sequence of Examination
        Clips that the weights rest on.
    found : Diagnosis
    repaired : sequence of str, optional
        Where a repair was done after all that was weighed: what the clips before and after it say
        together.
    """
    parts = [_stop(found)] if found.stops else []
    if repaired is not None:
        parts.append(_filled(" ".join([*repaired, REPAIRED])))
    for examination in examinations:
        parts.append(_filled(f"What {examination.clip} shows: {tell_story(examination)}"))
    likely = ", ".join(
        f"{w.title} {percent(w.weight)} ({100 * w.low:.0f} to {100 * w.high:.0f})"
        for w in found.families[:3]
    )
    until = "What it may have been, by all told before the repair"
    head = "What it may be, by all told so far" if repaired is None else until
    parts.append(_filled(f"{head} (weight, 95 %; several may hold): {likely}."))
    parts.append(_cannot(examinations, found))
    if found.questions and repaired is None:
        asked = [f"{i}. {q.words}" for i, q in enumerate(found.questions[:ASKED], start=1)]
        parts.append(_listed("Questions worth asking:", asked))
    if found.proposals:
        best = found.proposals[0]
        head = "First thing to do" if repaired is None else "If it smokes again"
        parts.append(
            _filled(f"{head} ({best.minutes:.0f} min, estimated): {best.question} "
                    f"{best.how} Care: {best.caution}")
        )  # fmt: skip
    parts += [_filled(CAREFUL), _filled(SCREENING)]
    return "\n\n".join(parts) + "\n"


def _stop(found: Diagnosis) -> str:
    return "\n".join(
        _filled(f"STOP. {FORBIDS[s.forbids]} {s.words} {s.reason} {s.remedy}") for s in found.stops
    )


def _cannot(examinations: Sequence[Examination], found: Diagnosis) -> str:
    lines = [line for e in examinations for line in tell_doubts(e)][:3]
    lines.append("load, standing time and temperatures, which nobody can see in a clip")
    if found.rival and found.rival.fact:
        titles = {c.name: c.title for c in found.causes}
        first, second = titles[found.rival.first], titles[found.rival.second]
        lines.append(f"which of the two it is: {first}, or {second}")
    return _listed("What cannot be told from it:", [f"- {line}" for line in lines])


def _listed(title: str, lines: list[str]) -> str:
    return "\n".join([title, *(textwrap.fill(x, WIDE, subsequent_indent="   ") for x in lines)])


def _filled(text: str) -> str:
    return textwrap.fill(text, WIDE)
