"""``smokecase examine``: measures the smoke in a clip, a pair of stills or an animated picture."""

import argparse
import json
import math
import sys

from smokecase.commands.listen import count_cylinders
from smokecase.commands.progress import part_of, show_progress
from smokecase.errors import on_screen
from smokecase.report.film_guide import FILM_GUIDE

EXAMPLES = """
examples:
  smokecase examine start.mp4 --out start
      measure the clip; start/contact_sheet.png is the first thing to open
  smokecase examine start.mp4 --out start --exit 812,640 --diameter 58
      the same, with the end of the pipe and its width pointed out, in pixels
  smokecase examine smoke.png --plate clear.png --out pair
      a picture with smoke and one of the same view without

A clip that cannot answer is refused with its reason and what would help; that is
an answer too, and the exit code is 0.

"""
# an argument that examine() refuses, and the word of the command it came from
WORDS = {
    "exit_px": "--exit",
    "diameter_px": "--diameter",
    "plate_window_s": "--plate-window",
    "white_px": "--white",
    "from_s": "--from",
    "to_s": "--to",
}


def add(parser: argparse.ArgumentParser) -> None:
    """Name the words of the command."""
    parser.epilog = EXAMPLES + FILM_GUIDE
    parser.add_argument("clip", metavar="CLIP", nargs="?", help="a clip, picture or animation")
    parser.add_argument("--out", metavar="DIR", help="write readings and pictures to this folder")
    parser.add_argument(
        "--exit", metavar="X,Y", type=_pair, help="middle of the pipe's end, in picture pixels"
    )
    parser.add_argument(
        "--diameter", metavar="PX", type=_number, help="the pipe's width at its end, in pixels"
    )
    parser.add_argument("--plate", metavar="CLEAR", help="a picture of the same view without smoke")
    parser.add_argument(
        "--plate-window", metavar="A,B", type=_pair, help="smoke-free from A to B, in seconds"
    )
    parser.add_argument(
        "--board", metavar="X0,Y0,X1,Y1", type=_box,
        help="a plain board of light and dark patches behind the plume, in picture pixels; "
             "the printed backdrop is found by itself",
    )  # fmt: skip
    parser.add_argument(
        "--white", metavar="X0,Y0,X1,Y1", type=_box,
        help="something white in the same light, or the sky, in picture pixels; "
             "the colour of the smoke is told against it",
    )  # fmt: skip
    parser.add_argument("--from", dest="from_s", metavar="S", type=_number, default=0.0,
                        help="measure from this second on")  # fmt: skip
    parser.add_argument("--to", dest="to_s", metavar="S", type=_number, default=math.inf,
                        help="measure up to this second")  # fmt: skip
    parser.add_argument("--cylinders", metavar="N", type=count_cylinders,
                        help="how many cylinders the engine has, for the sound")  # fmt: skip
    parser.add_argument("--strokes", type=int, choices=(2, 4), default=4,
                        help="two-stroke or four-stroke (4 unless told)")  # fmt: skip
    parser.add_argument("--annotated", action="store_true",
                        help="also write the clip with the readings drawn in")  # fmt: skip
    parser.add_argument("--json", action="store_true", help="print the summary as JSON")
    parser.add_argument("--film-guide", action="store_true", help="tell how to film, and stop")
    parser.set_defaults(parser=parser)


def run(args: argparse.Namespace) -> int:
    """Measure, write the folder if one was named, and print the summary."""
    if args.film_guide:
        sys.stdout.write(FILM_GUIDE)
        return 0
    if args.clip is None:
        args.parser.error("name the clip to examine, or ask for --film-guide")
    if args.annotated and args.out is None:
        args.parser.error("--annotated needs a folder: add --out DIR")
    from smokecase.apart.clips import OWN, examine_apart
    from smokecase.report.folder import check_folder, write_folder
    from smokecase.report.story import tell_summary

    if args.out is not None:
        check_folder(args.out)
    share_of_writing = 0.0 if args.out is None else 0.45 if args.annotated else 0.1
    with show_progress() as tell:
        try:
            examination = examine_apart(
                args.clip,
                limits=OWN,
                exit_px=args.exit,
                diameter_px=args.diameter,
                plate=args.plate,
                plate_window_s=args.plate_window,
                board_px=args.board,
                white_px=args.white,
                from_s=args.from_s,
                to_s=args.to_s,
                cylinders=args.cylinders,
                strokes=args.strokes,
                tell=part_of(tell, 0.0, 1.0 - share_of_writing),
            )
        except ValueError as error:
            return _wrong_word(args.parser, error)
        if args.out is not None:
            folder = write_folder(
                examination,
                args.out,
                clip_path=args.clip,
                annotated=args.annotated,
                tell=part_of(tell, 1.0 - share_of_writing, 1.0),
            )
    if args.json:
        sys.stdout.write(json.dumps(examination.to_json(), indent=2, ensure_ascii=False) + "\n")
    else:
        sys.stdout.write(on_screen(tell_summary(examination)) + "\n")
        if args.out is not None:
            names = ("contact_sheet.png", "timeline.png", "opacity_map.png")
            pictures = " and ".join(n for n in names if (folder / n).is_file())
            sys.stdout.write(f"\nWritten to {folder}; open {pictures or 'README.txt'}.\n")
    return 0


def _wrong_word(parser: argparse.ArgumentParser, error: ValueError) -> int:
    """Name the command's own word for an argument that was out of bounds; others pass."""
    text = str(error)
    for name, word in WORDS.items():
        if text.startswith(name):
            parser.error(text.replace(name, word, 1))
    raise error


def _number(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        msg = f"a number was expected, such as 12.5 (got {text!r})"
        raise argparse.ArgumentTypeError(msg)
    return value


def _pair(text: str) -> tuple[float, float]:
    parts = text.split(",")
    if len(parts) != 2:
        msg = f"two numbers with a comma were expected, such as 812,640 (got {text!r})"
        raise argparse.ArgumentTypeError(msg)
    return _number(parts[0]), _number(parts[1])


def _box(text: str) -> tuple[float, float, float, float]:
    parts = [_number(part) for part in text.split(",")]
    if len(parts) != 4 or parts[0] >= parts[2] or parts[1] >= parts[3]:
        msg = f"four numbers were expected, such as 300,200,700,500 (got {text!r})"
        raise argparse.ArgumentTypeError(msg)
    return parts[0], parts[1], parts[2], parts[3]
