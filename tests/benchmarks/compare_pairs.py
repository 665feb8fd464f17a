"""Compares rendered pairs of known truth: how often right, how often decided. Run by hand.

    python -m tests.benchmarks.compare_pairs WORK_FOLDER [pairs] [--seed SEED] [--render]

About two minutes a pair. Every other pair shows one yard twice, as a case does, with another wind
and swirl; the rest show two yards of a kind. Kind of smoke, light and phone are the same within a
pair, and are told; the smoke of the second is as dense, a quarter, or four times as dense.
WORK_FOLDER keeps the clips, so a second run only measures; --render only makes them.

The truth of a pair is that of its mean opacities near the pipe over the common time from the start:
"less" or "more" from a difference of 5 % opacity and 40 % of the larger on, "no difference" up to
3 % opacity or 20 %; in between, either of the two is right. Each pair is also compared as if the
second had been a warm start, which must be refused.
"""

import argparse
import json
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from smokecase.case.compare import compare
from smokecase.case.record import Circumstances
from smokecase.demo.render import render
from smokecase.demo.wish import Wish
from smokecase.examination import examine

SCENES = ("driveway", "brick_wall", "wood_fence", "gravel_yard", "hedge", "garage_door")
COLD = Circumstances(standing_h=12, coolant_degc=5, ambient_degc=5, load="cold start",
                     light="overcast", camera="one phone on a stand")  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """Two clips to render."""

    names: tuple[str, str]
    seeds: tuple[int, int]
    wishes: tuple[Wish, Wish]

    @property
    def one_yard(self) -> bool:
        """Whether both show the same place."""
        return self.seeds[0] == self.seeds[1]


def draw_pairs(count: int, seed: int) -> Iterator[Pair]:
    """Draw pairs; the same seed gives the same."""
    rng = np.random.default_rng(seed)
    for i in range(count):
        tau0 = float(np.exp(rng.uniform(np.log(0.15), np.log(1.6))))
        factor = float(rng.choice([1.0, 0.25, 4.0]))
        wish = Wish(
            smoke=str(rng.choice(["black", "blue", "fuel"])), scene=str(rng.choice(SCENES)),
            light="overcast", envelope=str(rng.choice(["clear", "persist"])), phone="plain",
            hold="tripod", nuisances=(), trouble="nothing", sound=True, tau0_green=tau0,
            camera={"stops": -0.4},
        )  # fmt: skip
        first = 1000 * seed + 2 * i
        second = first if i % 2 == 0 else first + 1
        winds = [_wind(rng) for _ in range(2)]
        other = replace(wish, tau0_green=min(tau0 * factor, 2.4), jet=winds[1])
        yield Pair(
            names=(f"p{seed}_{i:02d}a", f"p{seed}_{i:02d}b"), seeds=(first, second),
            wishes=(replace(wish, jet=winds[0]), other),
        )  # fmt: skip


def _wind(rng: np.random.Generator) -> dict[str, Any]:
    angle, speed = rng.uniform(0, 2 * np.pi), float(rng.gamma(1.5, 1.5))
    return {"wind": (speed * np.cos(angle), 0.3 * speed * np.sin(angle)),
            "speed": float(np.exp(rng.uniform(np.log(9), np.log(24)))),
            "gusts": float(rng.uniform(0.3, 1.2))}  # fmt: skip


def make_clips(folder: Path, pair: Pair) -> tuple[Path, Path]:
    """Render both clips where they are not there yet."""
    paths = tuple(folder / f"{name}.mp4" for name in pair.names)
    for path, seed, wish in zip(paths, pair.seeds, pair.wishes, strict=True):
        if not path.with_suffix(".truth.json").exists():
            render(seed, folder, size=(640, 360), seconds=10.0, wish=wish, name=path.stem)
    return paths[0], paths[1]


def true_mean(path: Path, seconds: float) -> float:
    """Mean opacity near the pipe over the common time from the start. [%]."""
    truth = json.loads(path.with_suffix(".truth.json").read_text())
    time_s = np.array(truth["per_frame"]["time_s"]) - truth["engine"]["start_s"]
    opacity = np.array(truth["per_frame"]["opacity_near_pipe"], dtype=float)
    return float(opacity[(time_s >= 0) & (time_s < seconds)].mean())


def truth_of(first: float, second: float) -> set[str]:
    """Give the verdicts that are right."""
    change, larger = second - first, max(first, second, 1e-9)
    sign = "more" if change > 0 else "less"
    if abs(change) >= 5 and abs(change) >= 0.4 * larger:
        return {sign}
    if abs(change) <= 3 or abs(change) <= 0.2 * larger:
        return {"no difference"}
    return {sign, "no difference"}


def report(pair: Pair, paths: tuple[Path, Path], counts: Counter[str]) -> str:
    """Compare one pair, count the verdict, and tell it in a line."""
    one, other = (examine(path) for path in paths)
    told = [replace(COLD, background="the yard" if pair.one_yard else name) for name in pair.names]
    found = compare(one, other, first_told=told[0], second_told=told[1])
    seconds = float(found.time_s[-1]) if found.time_s.size else 5.0
    means = [true_mean(p, seconds) for p in paths]
    right = truth_of(means[0], means[1])
    if found.verdict in ("cannot be compared", "cannot tell"):
        told_as = found.verdict
    else:
        told_as = "right" if found.verdict in right else "wrong"
    counts[told_as] += 1
    warm = replace(told[1], standing_h=0.3, coolant_degc=75)
    refused = compare(one, other, first_told=told[0], second_told=warm).verdict
    counts["warm start refused"] += refused == "cannot be compared"
    place = "one yard " if pair.one_yard else "two yards"
    return (
        f"{pair.names[0][:-1]} {place} {means[0]:5.1f} -> {means[1]:5.1f} %  {told_as}  "
        f"{found.sentence}"
    )


def main() -> None:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("pairs", nargs="?", type=int, default=16)
    parser.add_argument("--seed", type=int, default=61)
    parser.add_argument("--render", action="store_true", help="only make the clips")
    args = parser.parse_args()
    cv2.setNumThreads(1)
    args.folder.mkdir(parents=True, exist_ok=True)
    counts: Counter[str] = Counter()
    for pair in draw_pairs(args.pairs, args.seed):
        paths = make_clips(args.folder, pair)
        say(f"{pair.names[0][:-1]} made" if args.render else report(pair, paths, counts))
    decided = counts["right"] + counts["wrong"]
    total = decided + counts["cannot tell"]
    if total:
        share = (total - counts["wrong"]) / total
        say(f"\n{total} of {args.pairs} pairs can be compared ({counts['cannot be compared']} were "
            f"refused): right or open {share:.0%}, decided {decided / total:.0%}, "
            f"{dict(counts)}")  # fmt: skip


def say(words: str) -> None:
    """Print at once."""
    sys.stdout.write(words + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
