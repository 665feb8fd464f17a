"""Fills an evidence package with all of a case, or a copy of it that can be handed on."""

import json
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

from smokecase.case.chain import to_line
from smokecase.case.package import write_package
from smokecase.case.record import Case, Circumstances, Entry
from smokecase.case.store import CaseStore
from smokecase.casework import versions_of
from smokecase.errors import AnswersError
from smokecase.languages import ENGLISH, say, text
from smokecase.model_files import find_model
from smokecase.optics.light import to_linear, to_srgb8
from smokecase.readings import SCREENING
from smokecase.report.assemble import Made, make_report
from smokecase.report.folder import to_csv
from smokecase.video.clip import Frame
from smokecase.video.mask import Box, Picture, write_masked

Tell = Callable[[float, str], None]

PLACE = (
    "latitude_deg",
    "longitude_deg",
    "view_azimuth_deg",
    "place",
)  # left out of a handed-on copy
SCHEMA = "summary.schema.json"
README = text("""What lies here

data/report.html   the report; open it first (report.pdf: the same to print)
data/reply.txt     the short form
data/ledger.txt    every entry, one a line (JSON), each tied to the line before by fingerprints
data/clips/        {clips}
data/readings/     what was measured: summary and table of each clip, by the number of its entry
data/schemas/      what the fields of the summaries mean
data/software.json the versions that made it
manifest-sha256.txt, tagmanifest-sha256.txt   fingerprints of every file (BagIt, RFC 8493)

Check it with `smokecase case verify FOLDER`, or with any BagIt validator. Without either:
`sha256sum -c manifest-sha256.txt`. {note}""")
KEPT = text("the originals")
HANDED = text("copies without sound and position, masked")


def pack_case(  # noqa: PLR0913 - the door's options, each by name
    store: CaseStore,
    case: Case,
    out: Path,
    *,
    time: datetime,
    key: Path | None = None,
    hand_on: bool = False,
    boxes: Mapping[int, Sequence[tuple[float, ...]]] | None = None,
    language: str = ENGLISH,
    tell: Tell | None = None,
) -> Path:
    """Pack a case.

    With `hand_on`, a copy for others: place and direction left out of readings, report and
    circumstances, originals left out (their fingerprints stay), clips coded anew without their
    data and with the boxes covered, no key pictures; the ledger without what was left out.

    `language` is that of report and README, one of `languages.LANGUAGES`.

    Raises
    ------
    AnswersError
        If a box is told for an entry that is no clip, or without `hand_on`.
    CaseError, WriteError, ClipError
        If a file is damaged, cannot be written, or an original cannot be decoded.
    """
    boxes = boxes or {}
    clips = [e for e in case.entries if e.kind == "clip"]
    for number in boxes:
        if not hand_on:
            what = "boxes are only covered in a copy to hand on"
            raise AnswersError(what, where="--mask", remedy="add --hand-on")
        if number not in {e.number for e in clips}:
            what = f"entry {number} is no clip"
            raise AnswersError(what, where="--mask", remedy="see the entries for its number")
    told = tell or (lambda share, words: None)
    shown = without_place(case) if hand_on else case
    made = make_report(store, shown, made=time, versions=versions_of(case), pictures=not hand_on,
                       language=language,
                       tell=lambda share, words: told(0.4 * share, words))  # fmt: skip
    files = _papers(case, made, hand_on, language)
    for entry in clips:
        if entry.number in case.examinations:
            files |= _readings(case, entry)
    with tempfile.TemporaryDirectory(prefix="smokecase-") as aside:
        for i, entry in enumerate(clips):
            begin = 0.4 + 0.4 * i / len(clips)
            original = store.find_file("clips", entry.body["sha256"])
            if hand_on:
                target = Path(aside) / f"{entry.number:02}.mp4"
                covered = [_box(numbers) for numbers in boxes.get(entry.number, ())]
                write_masked(original, target, covered, to_srgb8=_shown,
                             tell=_part(told, begin, 0.4 / len(clips)))  # fmt: skip
                files[f"clips/{entry.number:02}_masked.mp4"] = target
            else:
                store.read_file("clips", entry.body["sha256"])  # refuses a changed original
                files[f"clips/{entry.number:02}_{_plain_name(entry.body['name'])}"] = original
        words = {
            "Source-Organization": "not told",
            "External-Description": f"Smoke case {case.name}: {len(case.entries)} entries",
            "Bag-Software-Agent": f"smokecase {versions_of(case)['smokecase']}",
            "Last-Entry-Fingerprint": case.entries[-1].fingerprint,
            "Screening-Note": SCREENING,
        }
        return write_package(out, files=files, words=words, day=f"{time:%Y-%m-%d}", key=key,
                             tell=lambda share, words: told(0.8 + 0.2 * share, words))  # fmt: skip


def _plain_name(name: str) -> str:
    """Name that every file system and validator takes; the entry keeps the clip's own."""
    return "".join(c if c.isalnum() or c in "._- " else "_" for c in name)


def _papers(case: Case, made: Made, hand_on: bool, language: str) -> dict[str, Path | bytes]:
    files: dict[str, Path | bytes] = {
        "report.html": made.html.encode(),
        "report.pdf": made.pdf,
        "reply.txt": made.reply.encode(),
        "software.json": _json(versions_of(case)),
        f"schemas/{SCHEMA}": find_model(SCHEMA).read_bytes(),
        "README.txt": (
            say(README, language).format(
                clips=say(HANDED if hand_on else KEPT, language), note=say(SCREENING, language)
            )
            + "\n"
        ).encode(),
    }
    if hand_on:
        lines = [json.dumps(_plain(e), ensure_ascii=False, sort_keys=True) for e in case.entries]
        head = ("Place and direction are left out of these entries, so their fingerprints are "
                "those of the whole ledger and cannot be worked out from these lines.")  # fmt: skip
        files["entries.txt"] = "\n".join([head, *lines, ""]).encode()
    else:
        files["ledger.txt"] = "".join(f"{to_line(e)}\n" for e in case.entries).encode()
    return files


def _plain(entry: Entry) -> dict[str, Any]:
    body = dict(entry.body)
    if "circumstances" in body:
        body["circumstances"] = {k: v for k, v in body["circumstances"].items() if k not in PLACE}
    return {"number": entry.number, "time_utc": entry.time_utc, "kind": entry.kind, "body": body,
            "replaces": entry.replaces, "fingerprint": entry.fingerprint}  # fmt: skip


def without_place(case: Case) -> Case:
    """Case whose entries do not tell where anything was."""
    entries = []
    for entry in case.entries:
        if entry.kind == "clip":
            told = entry.circumstances
            bare = replace(told, latitude_deg=None, longitude_deg=None, view_azimuth_deg=None,
                           place="")  # fmt: skip
            body = {**entry.body, "circumstances": Circumstances.to_json(bare)}
            entries.append(replace(entry, body=body))
        else:
            entries.append(entry)
    return replace(case, entries=tuple(entries))


def _readings(case: Case, entry: Entry) -> dict[str, Path | bytes]:
    examination = case.examinations[entry.number]
    stem = f"readings/{entry.number:02}"
    return {
        f"{stem}_summary.json": _json(examination.to_json()),
        f"{stem}_readings.csv": to_csv(examination).encode(),
    }


def _json(plain: Mapping[str, Any]) -> bytes:
    return (json.dumps(plain, indent=2, ensure_ascii=False, allow_nan=False) + "\n").encode()


def _box(numbers: tuple[float, ...]) -> Box:
    x0, y0, x1, y1, *times = numbers
    if times:
        return Box(x0=x0, y0=y0, x1=x1, y1=y1, from_s=times[0], to_s=times[1])
    return Box(x0=x0, y0=y0, x1=x1, y1=y1)


def _part(tell: Tell, begin: float, length: float) -> Tell:
    return lambda share, words: tell(begin + length * share, words)


def _shown(frame: Frame, transfer: str) -> Picture:
    return to_srgb8(to_linear(frame.codes, transfer))
