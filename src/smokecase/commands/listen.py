"""``smokecase listen``: what the sound of a start and an idle tells, alone or beside another."""

import argparse
import json
import sys
import wave
from pathlib import Path
from typing import TYPE_CHECKING, Any

from smokecase.errors import printable

if TYPE_CHECKING:
    from smokecase.sound.listening import Heard

EXAMPLES = """
examples:
  smokecase listen start.mp4 --cylinders 4
      cranking time, idle speed, evenness of firing
  smokecase listen suspect.mp4 --other healthy.mp4 --cylinders 4 --out sounds
      two starts side by side; sounds/ holds a spectrogram, an order plot and a short
      sound file with the suspect and then the healthy engine, to play to the owner

The sound describes, it does not diagnose. A sound that cannot answer says so and why.
"""


def add(parser: argparse.ArgumentParser) -> None:
    """Name the words of the command."""
    parser.epilog = EXAMPLES
    parser.add_argument("clip", metavar="FILE", help="a clip or a sound file")
    parser.add_argument("--other", metavar="FILE", help="a healthy engine of the kind, to compare")
    parser.add_argument("--cylinders", metavar="N", type=count_cylinders, help="how many cylinders")
    parser.add_argument("--strokes", type=int, choices=(2, 4), default=4,
                        help="two-stroke or four-stroke (4 unless told)")  # fmt: skip
    parser.add_argument("--out", metavar="DIR", help="write pictures and sound to this new folder")
    parser.add_argument("--json", action="store_true", help="print as JSON")


def run(args: argparse.Namespace) -> int:
    """Listen, write the folder if one was named, and print what was heard."""
    from smokecase.sound.beside import compare_sounds, tell_verdict
    from smokecase.sound.figures import tell_figures
    from smokecase.sound.listening import hear

    files = [args.clip, *([args.other] if args.other else [])]
    sounds = [
        (Path(f).name, hear(f, cylinders=args.cylinders, strokes=args.strokes)) for f in files
    ]
    rows = compare_sounds(sounds[0][1].reading, sounds[1][1].reading) if args.other else []
    if args.out:
        _write(Path(args.out), sounds)
    if args.json:
        plain: dict[str, Any] = {
            "version": 1,
            "sounds": [{"file": name, **h.reading.to_json()} for name, h in sounds],
            "comparison": [
                {"name": r.name, "verdict": r.verdict,
                 "difference": r.difference.to_json() if r.difference else None}
                for r in rows
            ],
        }  # fmt: skip
        sys.stdout.write(json.dumps(plain, indent=2, allow_nan=False) + "\n")
        return 0
    for name, heard in sounds:
        sys.stdout.write(f"{printable(name)}\n  {heard.reading.words}\n")
        for figure, words in tell_figures(heard.reading):
            sys.stdout.write(f"  {figure:26}{words}\n")
        for doubt in sorted(heard.reading.doubts):
            sys.stdout.write(f"  Doubt: {doubt.words}; {doubt.remedy}.\n")
    if rows:
        suspect, healthy = (printable(name) for name, _ in sounds)
        sys.stdout.write(f"\nsuspect {suspect} beside healthy {healthy}\n  {tell_verdict(rows)}\n")
    for row in rows:
        both = f"{row.suspect} against {row.healthy}; " if row.difference else ""
        gap = f", by {row.difference}" if row.differs else ""
        sys.stdout.write(f"  {row.name:26}{both}{row.verdict}{gap}\n")
    return 0


def count_cylinders(text: str) -> int:
    """Read a number of cylinders from the command line."""
    if not text.isdigit() or not 1 <= int(text) <= 16:
        msg = f"a number of cylinders from 1 to 16 was expected (got {text!r})"
        raise argparse.ArgumentTypeError(msg)
    return int(text)


def _write(folder: Path, sounds: list[tuple[str, "Heard"]]) -> None:
    from smokecase.errors import WriteError
    from smokecase.report.figure_style import to_png
    from smokecase.report.sound_figures import draw_orders, draw_spectrogram
    from smokecase.sound.beside import one_after_the_other

    roles = ("suspect: ", "healthy: ") if len(sounds) == 2 else ("",)
    heard = [
        (role + printable(name), h)
        for role, (name, h) in zip(roles, sounds, strict=True)
        if h.sound is not None
    ]
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if heard:
            (folder / "spectrogram.png").write_bytes(to_png(draw_spectrogram(heard)))
            orders = draw_orders(heard)
            if orders is not None:
                (folder / "orders.png").write_bytes(to_png(orders))
        if len(heard) == 2 and heard[0][1].sound and heard[1][1].sound:
            joined = one_after_the_other(
                heard[0][1].sound, heard[1][1].sound, heard[0][1].reading, heard[1][1].reading
            )
            with wave.open(str(folder / "suspect_then_healthy.wav"), "wb") as out:
                out.setnchannels(1)
                out.setsampwidth(2)
                out.setframerate(heard[0][1].sound.rate_hz)
                out.writeframes((joined * 32767).astype("<i2").tobytes())
    except OSError as error:
        raise WriteError(
            error.strerror or "it cannot be written",
            where=str(folder),
            remedy="name another folder",
        ) from error
