"""`smokecase backdrop`: make the printable backdrop."""

import argparse
import sys
from pathlib import Path

from smokecase.errors import WriteError
from smokecase.optics.target import MAX_SHEETS, PAPERS_MM
from smokecase.report.backdrop import write_backdrop

WORDS = """Print the sheets at 100 % on matt paper and hang them behind the plume. The last page
of the PDF shows how to hang and film them; each sheet is written as SVG too."""


def add(parser: argparse.ArgumentParser) -> None:
    """Name the command's words."""
    parser.description = f"{parser.description}\n\n{WORDS}"
    parser.add_argument("--out", required=True, metavar="FILE.pdf", help="the PDF to write")
    parser.add_argument("--paper", choices=list(PAPERS_MM), default="A4", help="default A4")
    parser.add_argument(
        "--sheets",
        type=int,
        choices=range(1, MAX_SHEETS + 1),
        default=1,
        metavar="N",
        help=f"sheets to hang side by side, 1 to {MAX_SHEETS} (default 1)",
    )
    parser.add_argument(
        "--distance",
        type=_metres,
        default=2.0,
        metavar="M",
        help="metres from phone to backdrop, which decides the size of the patches (default 2)",
    )


def run(args: argparse.Namespace) -> int:
    """Write the files and say where they are."""
    path = Path(args.out)
    if path.suffix.lower() != ".pdf":
        what = "the name does not end in .pdf"
        raise WriteError(what, where=path.name, remedy="write --out FILE.pdf")
    written = write_backdrop(path, paper=args.paper, sheets=args.sheets, distance_m=args.distance)
    for file in written:
        sys.stdout.write(f"{file}\n")
    sys.stdout.write("Print at 100 %, then check the ruler on the sheet with a steel rule.\n")
    return 0


def _metres(word: str) -> float:
    value = float(word)
    if not 0.2 <= value <= 20:
        msg = "a distance of 0.2 to 20 m is wanted"
        raise argparse.ArgumentTypeError(msg)
    return value
