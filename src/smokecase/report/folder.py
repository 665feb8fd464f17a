"""Writes the folder of one examination, whole or not at all, and reads it back.

Everything is written to a folder beside the target, which is then moved in place; whoever kills
the work finds the old folder or the new one, never half of one.
"""

import csv
import ctypes
import errno
import io
import json
import os
import shutil
import sys
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np

from smokecase.errors import ClipError, WriteError
from smokecase.readings import SCREENING, Examination
from smokecase.report.figure_style import to_png, to_svg
from smokecase.report.figures import (
    draw_contact_sheet,
    draw_opacity_map,
)
from smokecase.report.story import fill_lines, tell_colour, tell_doubts, tell_story
from smokecase.report.timeline import draw_timeline

Tell = Callable[[float, str], None]

CONTENTS = {
    "README.txt": "this text",
    "summary.json": "all results of the clip, for other programs; models/summary.schema.json "
    "of smokecase describes it",
    "readings.csv": "one line per picture: time, opacity at the measuring section with its 95 % "
    "interval, the plume's densest part, colour weights, doubts; an empty cell is no reading",
    "timeline.png": "the readings over time as a picture",
    "timeline.svg": "the same as a drawing that can be enlarged",
    "contact_sheet.png": "key pictures with the plume's outline, the pipe's end and the section",
    "annotated.mp4": "the clip with the readings drawn in",
    "opacity_map.png": "opacity of every pixel, and half the width of its 95 % interval",
    "opacity_map.npz": "the same as numbers: opacity_pct, low_pct, high_pct; nan is no reading",
    "diagnosis.txt": "the weighted causes, what speaks for and against them, and the next check",
    "diagnosis.json": "the same for other programs; models/diagnosis.schema.json of smokecase "
    "describes it",
}


def write_folder(
    examination: Examination,
    out_dir: str | Path,
    *,
    clip_path: str | Path | None = None,
    annotated: bool = False,
    texts: Mapping[str, str] | None = None,
    tell: Tell | None = None,
) -> Path:
    """Write the folder of one examination.

    Parameters
    ----------
    examination : Examination
    out_dir : str or Path
        The folder; an earlier examination in it is replaced.
    clip_path : str or Path, optional
        The clip; needed for the annotated one.
    annotated : bool
        Also draw the readings into the clip; takes about as long as measuring it.
    texts : mapping of str, optional
        Further text files of the folder by their names, which stand in `CONTENTS`.
    tell : callable, optional
        Called with progress (0 to 1) and words; may raise `Cancelled`.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    WriteError
        If it cannot be written, or holds something that smokecase did not write.
    ValueError
        If an annotated clip is asked for without the clip.
    """
    if annotated and clip_path is None:
        msg = "clip_path must be given for an annotated clip"
        raise ValueError(msg)
    target = Path(out_dir).absolute()
    tell = tell or (lambda share, words: None)
    aside = _aside(target)
    check_folder(target)
    try:
        _clear_leftovers(target)
        aside.mkdir()
        try:
            for name, text in (texts or {}).items():
                (aside / name).write_text(text, encoding="utf-8")
            _fill(aside, examination, clip_path if annotated else None, tell)
            _move_in_place(aside, target)
        finally:
            shutil.rmtree(aside, ignore_errors=True)
    except OSError as error:
        raise _write_error(error, target) from error
    return target


def check_folder(out_dir: str | Path) -> None:
    """See that a folder can be written, before the long work begins.

    Raises
    ------
    WriteError
        If it cannot be written, or holds something that smokecase did not write.
    """
    target = Path(out_dir).absolute()
    aside = _aside(target)
    try:
        _check_target(target)
        target.parent.mkdir(parents=True, exist_ok=True)
        aside.mkdir(exist_ok=True)
        aside.rmdir()
    except OSError as error:
        raise _write_error(error, target) from error


def _aside(target: Path) -> Path:
    return target.parent / f".{target.name}.partial-{os.getpid()}"


def _check_target(target: Path) -> None:
    what = ""
    if target.exists() and not target.is_dir():
        what = "a file of this name is in the way"
    elif target.is_dir() and any(target.iterdir()) and not (target / "summary.json").is_file():
        what = "this folder holds other things, which would be lost"
    if what:
        raise WriteError(what, where=str(target), remedy="name a new folder with --out")


def _clear_leftovers(target: Path) -> None:
    """Remove what a killed run left beside the target; runs that still work are left alone."""
    for leftover in target.parent.glob(f".{target.name}.partial-*"):
        number = leftover.name.rpartition("-")[2]
        if number.isdigit() and (int(number) == os.getpid() or not _lives(int(number))):
            shutil.rmtree(leftover)


def _lives(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def _write_error(error: OSError, target: Path) -> WriteError:
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return WriteError(
            "the disk is full, nothing was written",
            where=str(target),
            remedy="make room, or name a folder on another disk with --out",
        )
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return WriteError(
            "this place may not be written to",
            where=str(target),
            remedy="name a folder of your own with --out",
        )
    return WriteError(
        f"the folder could not be written ({(error.strerror or str(error)).lower()})",
        where=str(target),
        remedy="name another folder with --out",
    )


def _fill(folder: Path, examination: Examination, clip_path: str | Path | None, tell: Tell) -> None:
    tell(0.0, "writing the readings")
    (folder / "readings.csv").write_text(to_csv(examination), encoding="utf-8", newline="")
    summary = json.dumps(examination.to_json(), indent=2, allow_nan=False, ensure_ascii=False)
    (folder / "summary.json").write_text(summary + "\n", encoding="utf-8")
    tell(0.05, "drawing the timeline")
    if examination.source in ("clip", "animation"):  # a still has no time
        timeline = draw_timeline(examination)
        (folder / "timeline.png").write_bytes(to_png(timeline))
        (folder / "timeline.svg").write_bytes(to_svg(timeline))
    tell(0.15, "drawing the key pictures")
    for name, figure in (
        ("contact_sheet.png", draw_contact_sheet(examination)),
        ("opacity_map.png", draw_opacity_map(examination)),
    ):
        if figure is not None:
            (folder / name).write_bytes(to_png(figure))
    if examination.opacity_map is not None:
        found = examination.opacity_map
        np.savez_compressed(
            folder / "opacity_map.npz",
            opacity_pct=found.opacity_pct,
            low_pct=found.low_pct,
            high_pct=found.high_pct,
            screening_note=np.array(SCREENING),
        )
    if clip_path is not None:
        from smokecase.report.annotated import write_annotated  # decoding loads late

        write_annotated(
            examination,
            clip_path,
            folder / "annotated.mp4",
            tell=lambda share, words: tell(0.2 + 0.78 * share, words),
        )
    names = [n for n in CONTENTS if n == "README.txt" or (folder / n).exists()]
    (folder / "README.txt").write_text(_readme(examination, names), encoding="utf-8")
    tell(1.0, "done")


def to_csv(examination: Examination) -> str:
    """Lay out the readings as text: comma, point, one head line; an empty cell is no reading."""
    rows = examination.trace.to_table()
    out = io.StringIO()
    if not rows:
        rows = []
        names = ["time_s", "opacity_pct", "opacity_low_pct", "opacity_high_pct",
                 "centre_line_pct", "plume_p95_pct", "black", "blue", "white", "none",
                 "doubts"]  # fmt: skip
    else:
        names = list(rows[0])
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(names)
    for row in rows:
        writer.writerow([_cell(row[name], name) for name in names])
    return out.getvalue()


def _cell(value: float | str | None, name: str) -> str:
    if value is None or isinstance(value, str):
        return value or ""
    text = f"{value:.6f}" if name == "time_s" else f"{value:.5g}"
    return "0" if float(text) == 0 else text


def _readme(examination: Examination, names: list[str]) -> str:
    def paragraph(text: str, indent: str = "") -> str:
        return fill_lines(text, width=92, indent=indent)

    wide = max(len(n) for n in names) + 2
    files = [paragraph(f"{n:<{wide}}{CONTENTS[n]}", " " * wide) for n in names]
    doubts = [paragraph(f"- {line}", "  ") for line in tell_doubts(examination)]
    remarks = [str(r) for r in examination.settings.get("remarks", [])]
    file = [paragraph(f"- {line}", "  ") for line in remarks]
    story = tell_story(examination)
    colour = tell_colour(examination)
    parts = [
        f"What smokecase read in {examination.clip}",
        paragraph(story if colour in story else f"{story} {colour}"),
        *([paragraph(f"Sound: {examination.heard}")] if examination.heard else []),
        paragraph(SCREENING),
        "Doubts, and what would help\n" + ("\n".join(doubts) if doubts else "none"),
        *(["About the clip's file\n" + "\n".join(file)] if file else []),
        "Files\n" + "\n".join(files),
        paragraph(
            "The measuring section is a square beyond the end of the pipe, 1.1 pipe diameters "
            "wide, from 0.4 to 1.5 diameters; its opacity is the mean over all its pixels. "
            "Opacity is the share of light that the smoke blocks, in green light, in percent; it "
            "is not cut at 0 or 100, so clear air reads a little above or below 0. Brackets hold "
            "the 95 % interval. Places are pixels of the upright picture, x to the right, y "
            "down, 0 at the centre of the top left pixel."
        ),
    ]
    return "\n\n".join(parts) + "\n"


def _move_in_place(aside: Path, target: Path) -> None:
    """Put the new folder where the old one was; the old one is removed afterwards."""
    if not target.exists():
        aside.rename(target)
    elif not any(target.iterdir()):
        target.rmdir()
        aside.rename(target)
    elif not _exchange(aside, target):
        # two steps; between them a kill leaves the old folder under its .old name
        old = target.parent / f".{target.name}.old"
        shutil.rmtree(old, ignore_errors=True)
        target.rename(old)
        aside.rename(target)
        shutil.rmtree(old)


def _exchange(one: Path, other: Path) -> bool:
    """Swap two folders in one step where the system can (Linux, renameat2)."""
    if not sys.platform.startswith("linux"):
        return False
    swap = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
    if swap is None:
        return False
    here, exchange = -100, 2  # AT_FDCWD, RENAME_EXCHANGE: linux/fcntl.h, linux/fs.h
    return bool(swap(here, os.fsencode(one), here, os.fsencode(other), exchange) == 0)


def read_folder(path: str | Path) -> Examination:
    """Read an examination back from its folder; pictures are not restored.

    Raises
    ------
    ClipError
        If the folder is missing, incomplete or was changed into something else.
    """
    folder = Path(path)
    where = str(folder)
    try:
        plain = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
        with (folder / "readings.csv").open(encoding="utf-8", newline="") as file:
            table = list(csv.DictReader(file))
    except (FileNotFoundError, NotADirectoryError) as error:
        what = "this is no folder of a finished examination"
        remedy = "name the folder that was given to examine with --out"
        raise ClipError(what, where=where, remedy=remedy) from error
    except (OSError, ValueError, RecursionError, csv.Error) as error:
        what = f"the examination in this folder cannot be read ({error})"
        raise ClipError(what, where=where, remedy="examine the clip again") from error
    if not isinstance(plain, dict) or plain.get("version") != 1:
        found = plain.get("version") if isinstance(plain, dict) else None
        what = f"summary.json is of version {found}, this smokecase reads version 1"
        raise ClipError(what, where=where, remedy="examine the clip again")
    try:
        return Examination.from_json(plain, table)
    except (KeyError, ValueError, TypeError, AttributeError, ArithmeticError) as error:
        what = f"summary.json or readings.csv was changed and does not fit any more ({error})"
        raise ClipError(what, where=where, remedy="examine the clip again") from error
