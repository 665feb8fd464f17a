"""`smokecase selfcheck`: whether a set-up reads 0 without smoke, and a known film as it is."""

import argparse
import json
import os
import sys
from pathlib import Path

from smokecase.errors import WriteError
from smokecase.measured import Measured

STEPS = """steps:
  1  hang the backdrop, set up the phone, engine off
  2  film five seconds:                   smokecase selfcheck CLEAR.mp4
  3  hold a grey film or gauze of known transmission before the middle of the patches,
     film again without touching the phone:
                    smokecase selfcheck CLEAR.mp4 --film FILM.mp4 --passes 50
  The result is kept beside the clear clip as CLEAR.selfcheck.json.
"""


def add(parser: argparse.ArgumentParser) -> None:
    """Name the command's words."""
    parser.epilog = STEPS
    parser.add_argument("clear", metavar="CLEAR", help="the backdrop without smoke")
    parser.add_argument("--film", metavar="FILM", help="the same view with a film before it")
    parser.add_argument(
        "--passes", type=_percent, metavar="PCT", help="light that the film lets through, percent"
    )
    parser.add_argument(
        "--passes-u", type=_percent, default=1.0, metavar="PCT",
        help="how far that may be off, standard uncertainty in percent (default 1)",
    )  # fmt: skip
    parser.add_argument(
        "--board", type=_box, metavar="X0,Y0,X1,Y1",
        help="a plain board of light and dark patches, in picture pixels",
    )  # fmt: skip
    parser.add_argument(
        "--white", type=_box, metavar="X0,Y0,X1,Y1",
        help="something white in the same light, where the board is a plain one",
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help="print the result as JSON")
    parser.set_defaults(parser=parser)


def run(args: argparse.Namespace) -> int:
    """Check, keep the result beside the clip, and print the verdict."""
    if (args.film is None) != (args.passes is None):
        args.parser.error("--film and --passes belong together")
    from smokecase.selfcheck import check_setup

    passes = None
    if args.passes is not None:
        passes = Measured(value=args.passes, u=args.passes_u, unit="%")
    try:
        check = check_setup(
            args.clear, film=args.film, film_passes=passes, board_px=args.board, white_px=args.white
        )
    except ValueError as error:
        args.parser.error(str(error).replace("white_px", "--white"))
    plain = json.dumps(check.to_json(), indent=2, allow_nan=False) + "\n"
    path = Path(args.clear)
    _keep(path.with_name(f"{path.stem}.selfcheck.json"), plain)
    sys.stdout.write(plain if args.json else f"{check.verdict}\n")
    return 0


def _keep(path: Path, text: str) -> None:
    aside = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        aside.write_text(text)
        aside.replace(path)
    except OSError as error:
        what = f"the result could not be kept ({error.strerror})"
        remedy = "copy the clip to a folder that can be written"
        raise WriteError(what, where=path.name, remedy=remedy) from error


def _percent(word: str) -> float:
    value = float(word)
    if not 0 <= value <= 100:
        msg = f"a share of 0 to 100 percent was expected (got {word})"
        raise argparse.ArgumentTypeError(msg)
    return value


def _box(word: str) -> tuple[float, ...]:
    parts = [float(part) for part in word.split(",")]
    if len(parts) != 4 or parts[0] >= parts[2] or parts[1] >= parts[3]:
        msg = f"four numbers were expected, such as 300,200,700,500 (got {word!r})"
        raise argparse.ArgumentTypeError(msg)
    return tuple(parts)
