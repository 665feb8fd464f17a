"""Tells where a case stands and what a comparison gave, as one screen of text; writes both out."""

import json
import textwrap
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from smokecase.case.compare import Comparison
from smokecase.case.record import Case
from smokecase.causes.record import percent
from smokecase.causes.verdict import FORBIDS
from smokecase.errors import WriteError
from smokecase.readings import SCREENING, Examination
from smokecase.report.assemble import Made
from smokecase.report.beside import draw_beside, write_beside
from smokecase.report.case_figures import draw_comparison
from smokecase.report.course import Course, tell_entry

Tell = Callable[[float, str], None]

WIDE = 80
SHOWN = 3


def tell_standing(case: Case, course: Course, comparisons: Sequence[Comparison] = ()) -> str:
    """Tell what a case holds, how each fact moved the weights, and what comes next."""
    found = course.diagnosis
    out = [f'Case "{case.name}": {len(case.entries)} entries, {len(case.clips)} clips of it']
    out += [
        _filled(f"STOP. {FORBIDS[s.forbids]} {s.words} {s.reason} {s.remedy}") for s in found.stops
    ]
    gone = case.replaced()
    out.append("\nEntries")
    for entry in case.entries:
        holds = " [no longer holds]" if entry.number in gone else ""
        out.append(
            _filled(f"{entry.number:3}  {entry.time_utc[:10]}  {tell_entry(entry)}{holds}", 17)
        )
    out.append("\nWeights of the likeliest families after each fact (95 % interval)")
    names = [f.name for f in course.steps[-1].families[:SHOWN]]
    for step in course.steps:
        by_name = {f.name: f for f in step.families}
        number = f"{step.entry.number:3}" if step.entry else "  -"
        cells = "   ".join(
            f"{percent(w.weight):>5} ({100 * w.low:.0f} to {100 * w.high:.0f})".ljust(17)
            for w in (by_name[name] for name in names)
        )
        out.append(f"{number}  {cells}".rstrip())
    titles = {f.name: f.title for f in course.steps[-1].families}
    out += [_filled(f"     column {i}: {titles[n]}", 17) for i, n in enumerate(names, start=1)]
    if course.after_repair:
        out.append(_filled("The weights are those of before the repair."))
    if comparisons:
        out.append("\nCompared")
        out += [_filled(found_pair.sentence) for found_pair in comparisons]
    if found.proposals:
        best = found.proposals[0]
        out.append("\nNext")
        out.append(_filled(f"{best.question} ({best.minutes:.0f} min, estimated) {best.how}"))
        out.append(_filled(f"Care: {best.caution}"))
    out += ["", _filled(SCREENING)]
    return "\n".join(out)


def standing_to_json(
    case: Case, course: Course, comparisons: Sequence[Comparison] = ()
) -> dict[str, Any]:
    """Plain values of the same, version 1."""
    gone = case.replaced()
    return {
        "version": 1,
        "screening_note": SCREENING,
        "case": case.name,
        "damage": list(case.damage),
        "entries": [
            {"number": e.number, "time_utc": e.time_utc, "author": e.author, "kind": e.kind,
             "body": dict(e.body), "replaces": e.replaces, "holds": e.number not in gone,
             "fingerprint": e.fingerprint}
            for e in case.entries
        ],
        "course": [
            {"after_entry": s.entry.number if s.entry else None,
             "families": [{"name": f.name, "weight": f.weight, "low": f.low, "high": f.high}
                          for f in s.families]}
            for s in course.steps
        ],
        "after_repair": course.after_repair,
        "comparisons": [c.to_json() for c in comparisons],
        "diagnosis": course.diagnosis.to_json(),
    }  # fmt: skip


def tell_comparison(found: Comparison) -> str:
    """Tell a comparison: its verdict, whether it could be made, and the numbers."""
    out = [_filled(found.sentence), "", "Can the two be compared?"]
    said = {True: "alike", False: "DIFFERS", None: "not told"}
    for condition in found.conditions:
        mark = said[condition.alike] + ("" if condition.hinders else " (no hindrance)")
        if condition.first or condition.second:
            words = f"  {condition.name}: {condition.first} / {condition.second}: {mark}"
        else:
            words = f"  {condition.words}"
        out.append(_filled(words, 4))
    if found.windows:
        out += ["", f"Mean opacity: {found.first} / {found.second} / difference (95 % interval)"]
        out += [f"  {w.name}: {w.first} / {w.second} / {w.difference}" for w in found.windows]
    for line in (*found.clearing, found.size, found.colour, *found.sound):
        if line:
            out.append(_filled(line))
    return "\n".join([*out, "", _filled(SCREENING)])


def write_comparison(
    found: Comparison, paths: tuple[Path, Path], clips: tuple[Examination, Examination], out: Path,
    *, tell: Tell | None = None,
) -> None:  # fmt: skip
    """Write a comparison: plain values, curve, picture and clip side by side.

    Raises
    ------
    ClipError
        If an original cannot be read.
    WriteError
        If the folder cannot be written.
    """
    names = (found.first, found.second)
    try:
        out.mkdir(parents=True, exist_ok=True)
        (out / "comparison.txt").write_text(tell_comparison(found) + "\n", encoding="utf-8")
        plain = json.dumps(found.to_json(), indent=2, ensure_ascii=False, allow_nan=False)
        (out / "comparison.json").write_text(plain + "\n", encoding="utf-8")
        if found.time_s.size:
            (out / "comparison.png").write_bytes(draw_comparison(found))
        (out / "side_by_side.jpg").write_bytes(draw_beside(paths, clips, names))
        write_beside(paths, found.shift_s, names, out / "side_by_side.mp4", tell=tell)
    except OSError as error:
        raise _unwritable(out, error) from error


def write_report(made: Made, out: Path) -> None:
    """Write page, PDF and reply to a folder.

    Raises
    ------
    WriteError
        If it cannot be written.
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
        for name, content in (
            ("report.html", made.html.encode()),
            ("report.pdf", made.pdf),
            ("reply.txt", made.reply.encode()),
        ):
            aside = out / f".{name}.partial"
            aside.write_bytes(content)
            aside.replace(out / name)
    except OSError as error:
        raise _unwritable(out, error) from error


def _unwritable(out: Path, error: OSError) -> WriteError:
    what = f"this folder cannot be written ({(error.strerror or str(error)).lower()})"
    return WriteError(what, where=str(out), remedy="name another one with --out")


def _filled(text: str, hang: int = 0) -> str:
    return textwrap.fill(text, WIDE, subsequent_indent=" " * hang)
