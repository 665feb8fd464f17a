"""The words of ``smokecase case add``: a clip, its circumstances, and how it is measured."""

import argparse
from datetime import datetime
from pathlib import Path
from typing import Any

from smokecase.case.record import LIGHTS, LOADS, ROLES, Circumstances
from smokecase.commands.examine import WORDS
from smokecase.errors import AnswersError

# option of `examine`, how many numbers its word has
BOXES = {"exit": ("exit_px", 2), "board": ("board_px", 4), "white": ("white_px", 4),
         "plate_window": ("plate_window_s", 2)}  # fmt: skip


def add_words(parser: argparse.ArgumentParser) -> None:
    """Name the words of the command."""
    parser.add_argument("clip", metavar="CLIP", type=Path)
    told = parser.add_argument_group("circumstances, as far as known")
    told.add_argument("--role", choices=ROLES)
    told.add_argument("--of", metavar="ENGINE", default="", help="another engine than the case's")
    told.add_argument("--load", choices=LOADS)
    told.add_argument("--light", choices=LIGHTS, help="as seen from the camera")
    for word, unit, words in (
        ("standing", "H", "hours the engine stood before"),
        ("coolant", "DEGC", "coolant temperature"),
        ("ambient", "DEGC", "temperature of the air outside"),
        ("humidity", "PCT", "relative humidity"),
        ("pressure", "HPA", "air pressure"),
        ("distance", "M", "from the camera to the pipe"),
        ("pipe-diameter", "MM", "outer diameter of the pipe"),
        ("latitude", "DEG", "north positive"),
        ("longitude", "DEG", "east positive"),
        ("view", "DEG", "where the camera looks, from north over east"),
    ):
        told.add_argument(f"--{word}", metavar=unit, type=float, help=words)
    told.add_argument("--filmed", metavar="TIME", help="when, such as 2031-05-04T07:30:00+02:00")
    for word in ("camera", "background", "wind", "place", "observer", "notes"):
        told.add_argument(f"--{word}", metavar="WORDS", default="")
    parser.add_argument("--corrects", metavar="NUMBER", type=int, help="entry it replaces")
    measured = parser.add_argument_group("measuring, as in smokecase examine")
    measured.add_argument("--exit", metavar="X,Y", help="middle of the pipe's end, picture pixels")
    measured.add_argument("--diameter", metavar="PX", type=float, help="the pipe's width, pixels")
    measured.add_argument("--board", metavar="X0,Y0,X1,Y1", help="a plain board behind the plume")
    measured.add_argument("--white", metavar="X0,Y0,X1,Y1", help="something white, or the sky")
    measured.add_argument("--plate-window", metavar="A,B", help="smoke-free from A to B, seconds")
    measured.add_argument("--from", dest="from_s", metavar="S", type=float, help="from this second")
    measured.add_argument("--to", dest="to_s", metavar="S", type=float, help="up to this second")


def circumstances_of(args: argparse.Namespace) -> Circumstances:
    """Read what was told of the clip's circumstances.

    Raises
    ------
    AnswersError
        If a number cannot be meant, or the time has no zone.
    """
    return Circumstances(
        filmed_utc=_time(args.filmed), role=args.role, engine=args.of, standing_h=args.standing,
        coolant_degc=args.coolant, ambient_degc=args.ambient, humidity_pct=args.humidity,
        pressure_hpa=args.pressure, load=args.load, light=args.light, camera=args.camera,
        background=args.background, wind=args.wind, place=args.place, observer=args.observer,
        words=args.notes, latitude_deg=args.latitude, longitude_deg=args.longitude,
        view_azimuth_deg=args.view, distance_m=args.distance, pipe_diameter_mm=args.pipe_diameter,
    )  # fmt: skip


def options_of(args: argparse.Namespace) -> dict[str, Any]:
    """Read how the clip is to be measured; only what was told.

    Raises
    ------
    AnswersError
        If a word is not as many numbers as it needs.
    """
    told: dict[str, Any] = {"diameter_px": args.diameter, "from_s": args.from_s, "to_s": args.to_s}
    for word, (name, count) in BOXES.items():
        if text := getattr(args, word):
            told[name] = read_numbers(text, count, f"--{word.replace('_', '-')}")
    return {name: value for name, value in told.items() if value is not None}


def in_own_words(error: ValueError, clip: str) -> AnswersError:
    """Name the command's own word for an argument of `examine` that cannot be."""
    what = str(error)
    for name, word in WORDS.items():
        what = what.replace(name, word)
    return AnswersError(what, where=clip, remedy="mend that number")


def _time(text: str | None) -> str | None:
    if text is None:
        return None
    try:
        time = datetime.fromisoformat(text)
    except ValueError:
        time = None
    if time is None or time.tzinfo is None:
        what = f'"{text}" is no time with its zone'
        raise AnswersError(what, where="--filmed", remedy="write it as 2031-05-04T07:30:00+02:00")
    return time.isoformat()


def read_numbers(text: str, count: int, where: str) -> tuple[float, ...]:
    """Read numbers with commas between.

    Raises
    ------
    AnswersError
        If they are none, or not as many.
    """
    try:
        numbers = tuple(float(part) for part in text.split(","))
    except ValueError:
        numbers = ()
    if len(numbers) != count:
        what = f'"{text}" is not {count} numbers with commas'
        raise AnswersError(what, where=where, remedy="write them such as 812,640")
    return numbers
