"""The invented clips that come with the program: an old diesel, its sister, and after repair.

All play in the yard of a cider press that does not exist. ``python -m smokecase.demo.stories
OUT`` makes them again; they lie in `models/demo`, so that the wheel carries them.
"""

import argparse
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2

from smokecase.demo.render import render
from smokecase.demo.wish import Wish

SIZE = (1280, 720)
SECONDS = 20.0
SEED = 7104  # one seed: same yard, same phone, same light


@dataclass(frozen=True, slots=True, kw_only=True)
class Story:
    """One bundled clip."""

    name: str
    wish: Wish


def _wish(title: str, words: str, envelope: str, tau0: float, **engine: Any) -> Wish:
    return Wish(
        title=title, words=words, smoke="fuel", envelope=envelope, tau0_green=tau0,
        scene="brick_wall", light="overcast",
        phone="plain", hold="tripod", nuisances=(), trouble="nothing", sound=True,
        engine={"crank_s": 3.2, "start_s": 5.4, "cylinders": 4, "snaps_s": ()} | engine,
        coding={"codec": "libx264", "crf": 25, "bit_rate": None, "matrix": "bt709", "tagged": True,
                "full_range": False, "rotation_deg": 0, "transfer": "bt709", "depth": 8},
        camera={"shot": 6e-5, "read": 6e-4, "denoise": 0.6, "stops": -0.2, "sharpen": 0.15},
        jet={"speed": 14.0, "wind": (0.8, 0.0), "gusts": 0.7, "lift": 1.2, "life_s": 3.0},
    )  # fmt: skip


STORIES = (
    Story(
        name="press_engine_start",
        wish=_wish(
            "Rough start of the old press engine",
            "Invented: a four-cylinder diesel that drove a cider press stood four weeks in "
            "autumn. It cranks long, starts on three cylinders and smokes pale until it is warm.",
            "rough",
            1.1,
            idle_rpm=720.0,
            weak_cylinder=True,
            crank_rpm=170.0,
        ),
    ),
    Story(
        name="press_engine_sister",
        wish=_wish(
            "Its healthy sister, same yard, same morning",
            "Invented: the second engine of the press, same model year, in good order. It "
            "starts at once and gives one faint puff.",
            "clear",
            0.16,
            idle_rpm=750.0,
            weak_cylinder=False,
            start_s=4.1,
        ),
    ),
    Story(
        name="press_engine_after",
        wish=_wish(
            "The old engine after the repair",
            "Invented: the first engine with one new glow plug and one cleaned injector.",
            "clear",
            0.32,
            idle_rpm=740.0,
            weak_cylinder=False,
            start_s=4.4,
        ),
    ),
)


def make_stories(out_dir: Path) -> list[Path]:
    """Render the bundled clips; each gets its truth beside it."""
    out_dir.mkdir(parents=True, exist_ok=True)
    made = []
    for story in STORIES:
        render(SEED, out_dir, size=SIZE, seconds=SECONDS, wish=story.wish, name=story.name)
        made.append(out_dir / f"{story.name}.mp4")
    return made


def main(words: list[str] | None = None) -> int:
    """Run the command line of this module."""
    parser = argparse.ArgumentParser(prog="python -m smokecase.demo.stories", description=__doc__)
    parser.add_argument("out", type=Path, help="folder that gets the clips")
    args = parser.parse_args(words)
    cv2.setNumThreads(1)
    for path in make_stories(args.out):
        sys.stdout.write(f"{path.name}: {path.stat().st_size / 1e6:.2f} MB\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
