"""Makes sets of invented clips: ``python -m smokecase.demo.sets OUT --clips 120 --seed 1000``.

Goes on where it was stopped: a clip whose truth is there is left alone. One process; clips are
independent, so two runs with different seeds may work side by side.
"""

import argparse
import json
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2

from smokecase.demo.camera import FAMILIES as PHONES
from smokecase.demo.plan import ANY
from smokecase.demo.render import render
from smokecase.demo.scene import FAMILIES as SCENES
from smokecase.demo.wish import Wish

# left out of everything that is trained or tuned, so that a benchmark can ask for the unseen
HELD_OUT_SCENES = ("snow", "own_rear", "wood_fence", "garage_door")
HELD_OUT_PHONES = ("filmic", "local")


def known_families() -> Wish:
    """Draw from the families for training and tuning."""
    return replace(
        ANY, scenes=tuple(s for s in SCENES if s not in HELD_OUT_SCENES),
        phones=tuple(p for p in PHONES if p not in HELD_OUT_PHONES),
    )  # fmt: skip


def unseen_families() -> Wish:
    """Draw from the held-out scenes and phones only."""
    return replace(ANY, scenes=HELD_OUT_SCENES, phones=HELD_OUT_PHONES)


def make_set(
    n: int, seed0: int, out_dir: Path, *, size: tuple[int, int] = (640, 360), wish: Wish = ANY,
    tell: Callable[[float, str], None] | None = None,
) -> list[Path]:  # fmt: skip
    """Render clips with seeds `seed0` to `seed0 + n - 1`; returns their paths.

    A tenth of them is portrait. `tell(share, words)` may raise `Cancelled`; finished clips stay.
    """
    out_dir.mkdir(parents=True, exist_ok=True)
    paths = []
    for k in range(n):
        seed = seed0 + k
        path = out_dir / f"c{seed:06d}.mp4"
        paths.append(path)
        if tell is not None:
            tell(k / n, path.name)
        if path.is_file() and path.with_suffix(".truth.json").is_file():
            continue
        # spread evenly over the range, by seed alone so that a resumed set is the same
        length = 6 + 2 * ((seed * 0.618034) % 1)  # [s]
        render(
            seed, out_dir, size=size[::-1] if seed % 10 == 7 else size, seconds=length, wish=wish
        )
    write_index(out_dir)
    return paths


def write_index(out_dir: Path) -> Path:
    """One line per clip of a folder: families and what to expect."""
    lines = []
    for path in sorted(out_dir.glob("*.truth.json")):
        plain: dict[str, Any] = json.loads(path.read_text())
        smoke = plain["smoke"]
        row = {"clip": plain["clip"], "seed": plain["seed"], **plain["families"],
               "smoke": smoke["mixture"], "envelope": smoke["envelope"],
               "peak_pct": round(max(plain["per_frame"]["opacity_near_pipe"]), 1),
               "refusal_expected": plain["refusal_expected"]}  # fmt: skip
        lines.append(row)
    path = out_dir / "index.jsonl"
    path.write_text("".join(json.dumps(row) + "\n" for row in lines))
    return path


def main(words: list[str] | None = None) -> int:
    """Run the command line of this module."""
    parser = argparse.ArgumentParser(prog="python -m smokecase.demo.sets", description=__doc__)
    parser.add_argument("out", type=Path, help="folder that gets the clips")
    parser.add_argument("--clips", type=int, default=24)
    parser.add_argument("--seed", type=int, default=1, help="of the first clip")
    parser.add_argument("--families", choices=("all", "known", "unseen"), default="all",
                        help="known and unseen share no scene and no phone family")  # fmt: skip
    parser.add_argument("--no-smoke", action="store_true", help="smoke-free clips only")
    args = parser.parse_args(words)
    cv2.setNumThreads(1)
    wish = {"all": ANY, "known": known_families(), "unseen": unseen_families()}[args.families]
    if args.no_smoke:
        wish = replace(wish, smoke="none")
    began = time.monotonic()

    def tell(share: float, name: str) -> None:
        spent = time.monotonic() - began
        sys.stderr.write(f"\r{100 * share:3.0f} %  {name}  {spent:.0f} s spent ")
        sys.stderr.flush()

    make_set(args.clips, args.seed, args.out, wish=wish, tell=tell)
    sys.stderr.write("\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
