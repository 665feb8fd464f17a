"""`smokecase coefficient`: smoke per metre from an examination and a known way through it."""

import argparse
import csv
import io
import os
import sys
from pathlib import Path

from smokecase.errors import AnswersError, WriteError
from smokecase.measured import Measured
from smokecase.readings import SCREENING, Examination

EXAMPLES = """
examples:
  smokecase coefficient start --path-mm 95 --path-u-mm 5
      the plume is 95 mm deep at the measuring section, give or take 5
  smokecase coefficient start --behind-mm 300 --distance-m 2
      the printed backdrop was filmed: it hung 300 mm behind the plume, 2 m from the phone
  smokecase coefficient start --pipe-mm 60
      the pipe is 60 mm across outside; the plume's depth is taken from its width

Writes coefficient.csv into the folder of the examination.
"""
COLUMNS = (
    "time_s", "k_per_m", "k_low_per_m", "k_high_per_m", "standard_opacity_pct",
    "standard_opacity_low_pct", "standard_opacity_high_pct", "ringelmann", "ringelmann_low",
    "ringelmann_high",
)  # fmt: skip


def add(parser: argparse.ArgumentParser) -> None:
    """Name the command's words."""
    parser.epilog = EXAMPLES
    parser.add_argument("folder", metavar="DIR", help="folder of an examination")
    known = parser.add_mutually_exclusive_group()
    known.add_argument("--path-mm", type=_above_zero, metavar="MM", help="depth of the plume")
    known.add_argument("--pipe-mm", type=_above_zero, metavar="MM", help="outer pipe diameter")
    parser.add_argument("--path-u-mm", type=_above_zero, metavar="MM",
                        help="how far off it may be, one sigma (a tenth unless told)")  # fmt: skip
    parser.add_argument("--behind-mm", type=_above_zero, default=350.0, metavar="MM",
                        help="from plume to backdrop (350 unless told)")  # fmt: skip
    parser.add_argument("--distance-m", type=_above_zero, default=2.0, metavar="M",
                        help="from the phone to the backdrop (2 unless told)")  # fmt: skip
    parser.add_argument("--standard-mm", type=_above_zero, default=430.0, metavar="MM",
                        help="path length to convert opacity to (430 unless told)")  # fmt: skip


def run(args: argparse.Namespace) -> int:
    """Compute, write the table, and print the strongest second."""
    from smokecase.coefficient import path_from_pipe, trace_coefficient
    from smokecase.report.folder import read_folder

    examination = read_folder(args.folder)
    if args.path_mm is not None:
        value = args.path_mm / 1000.0
        path = Measured(value=value, u=(args.path_u_mm or args.path_mm / 10) / 1000.0, unit="m")
    else:
        pipe = _pipe(args, examination)
        found = path_from_pipe(examination, pipe)
        if found is None:
            what = "the plume's width cannot be told from this examination"
            raise AnswersError(what, where=args.folder, remedy="give its depth with --path-mm")
        path = found
    rows = list(trace_coefficient(examination, path, standard_m=args.standard_mm / 1000.0))
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in rows:
        cells = [f"{row.time_s:.4f}"]
        for number in (row.k, row.standard_opacity, row.ringelmann):
            parts = (number.value, number.low, number.high) if number else ("", "", "")
            cells += [_cell(p) for p in parts]
        writer.writerow(cells)
    _write(Path(args.folder) / "coefficient.csv", text.getvalue())
    top = max((r for r in rows if r.k), key=lambda r: r.k.value if r.k else 0.0, default=None)
    if top is None:
        sys.stdout.write("No reading from which a coefficient follows.\n")
    else:
        sys.stdout.write(f"Path through the plume: {path}\n")
        sys.stdout.write(f"Highest, at {top.time_s:.2f} s: k = {top.k} (indicative)\n")
        standard = f"{args.standard_mm:g} mm"
        sys.stdout.write(f"  the same over {standard}: {top.standard_opacity}\n")
        shown = top.ringelmann or "none, the smoke was not found to be black"
        sys.stdout.write(f"  Ringelmann number: {shown}\n")
    sys.stdout.write(f"{SCREENING}\n")
    return 0


def _pipe(args: argparse.Namespace, examination: Examination) -> Measured:
    """Outer diameter of the pipe: as told, or by the backdrop's scale."""
    from smokecase.coefficient import pipe_from_backdrop

    if args.pipe_mm is not None:
        return Measured(value=args.pipe_mm, u=0.01 * args.pipe_mm, unit="mm")
    behind, distance = args.behind_mm / 1000.0, args.distance_m
    if behind >= distance:
        what = f"the backdrop cannot hang {behind:g} m behind a plume and {distance:g} m away"
        raise AnswersError(what, where="--behind-mm", remedy="check both")
    # guesses where nothing was told, a tape measure's sloppiness where it was
    found = pipe_from_backdrop(
        examination,
        behind_m=Measured(value=behind, u=0.3 * behind, unit="m"),
        distance_m=Measured(value=distance, u=0.15 * distance, unit="m"),
    )
    if found is None:
        what = "no printed backdrop was found in this examination, so there is no scale"
        remedy = (
            "give the pipe's outer diameter with --pipe-mm, or the plume's depth with --path-mm"
        )
        raise AnswersError(what, where=args.folder, remedy=remedy)
    return found


def _cell(value: object) -> str:
    number = float(value) if isinstance(value, float) else None
    if number is None or number != number or abs(number) == float("inf"):
        return ""
    return f"{number:.4f}"


def _write(path: Path, text: str) -> None:
    aside = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        aside.write_text(text)
        aside.replace(path)
    except OSError as error:
        what = f"the table could not be written ({error.strerror})"
        raise WriteError(what, where=path.name, remedy="check the folder") from error


def _above_zero(word: str) -> float:
    value = float(word)
    if not value > 0:
        msg = f"a length above zero was expected (got {word})"
        raise argparse.ArgumentTypeError(msg)
    return value
