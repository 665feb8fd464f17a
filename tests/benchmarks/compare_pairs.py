"""Compares rendered pairs of known truth: how often right, how often decided. Run by hand.

    python -m tests.benchmarks.compare_pairs WORK_FOLDER [couples] [--seed SEED] [--render]

Two yards of a kind make a couple, with four starts filmed in each: two as dense, two a quarter or
four times as dense, every one in a wind of its own. Kind of smoke, light and phone are the same
within a couple, and are told. Every two clips of one yard are a pair, as in a case, and so are
eight across the yards: 20 pairs from 8 clips, 13 of which differ in density. WORK_FOLDER keeps
the clips and what was measured, so that a second run only compares; --render only makes the clips.

The truth of a pair is that of its mean opacities near the pipe over the common time from the start:
"less" or "more" from a difference of 5 % opacity and 40 % of the larger on, "no difference" up to
3 % opacity or 20 %; in between, either of the two is right. Each pair is also compared as if the
second had been a warm start, which must be refused.
"""

import argparse
import json
import sys
from collections import Counter
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from smokecase.case.compare import compare
from smokecase.case.record import Circumstances
from smokecase.demo.render import render
from smokecase.demo.wish import Wish
from smokecase.examination import examine
from smokecase.readings import Examination

SCENES = ("driveway", "brick_wall", "wood_fence", "gravel_yard", "hedge", "garage_door")
SIZE, SECONDS = (512, 288), 8.0
ACROSS = ("aa", "bb", "dd", "bc", "cb", "da", "ad", "ca")  # clips of the two yards, by letter
COLD = Circumstances(standing_h=12, coolant_degc=5, ambient_degc=5, load="cold start",
                     light="overcast", camera="one phone on a stand")  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Filmed:
    """One clip to render."""

    name: str
    yard: int  # its seed
    wish: Wish


def draw_couple(rng: np.random.Generator, name: str, first_yard: int) -> list[list[Filmed]]:
    """Draw two yards of a kind with four clips each."""
    tau0 = float(np.exp(rng.uniform(np.log(0.15), np.log(1.6))))
    factor = float(rng.choice([0.25, 4.0]))
    wish = Wish(
        smoke=str(rng.choice(["black", "blue", "fuel"])), scene=str(rng.choice(SCENES)),
        light="overcast", envelope=str(rng.choice(["clear", "persist"])), phone="plain",
        hold="tripod", nuisances=(), trouble="nothing", sound=True, tau0_green=tau0,
        camera={"stops": -0.4},
    )  # fmt: skip
    couple = []
    for i, place in enumerate("pq"):
        clips = []
        for letter, times in zip("abcd", (1.0, 1.0, factor, factor), strict=True):
            own = replace(wish, tau0_green=min(tau0 * times, 2.4), jet=_wind(rng))
            clips.append(Filmed(name=f"{name}{place}{letter}", yard=first_yard + i, wish=own))
        couple.append(clips)
    return couple


def pairs_of(couple: list[list[Filmed]]) -> list[tuple[Filmed, Filmed]]:
    """Every two clips of one yard, and eight pairs across; two in three differ in density."""
    across = [(couple[0]["abcd".index(i)], couple[1]["abcd".index(j)]) for i, j in ACROSS]
    return [*(pair for yard in couple for pair in combinations(yard, 2)), *across]


def _wind(rng: np.random.Generator) -> dict[str, Any]:
    angle, speed = rng.uniform(0, 2 * np.pi), float(rng.gamma(1.5, 1.5))
    return {"wind": (speed * np.cos(angle), 0.3 * speed * np.sin(angle)),
            "speed": float(np.exp(rng.uniform(np.log(9), np.log(24)))),
            "gusts": float(rng.uniform(0.3, 1.2))}  # fmt: skip


def make_clip(folder: Path, clip: Filmed) -> Path:
    """Render a clip where it is not there yet."""
    path = folder / f"{clip.name}.mp4"
    if not path.with_suffix(".truth.json").exists():
        render(clip.yard, folder, size=SIZE, seconds=SECONDS, wish=clip.wish, name=path.stem)
    return path


def measured(path: Path) -> Examination:
    """Measure a clip, or read what was measured of it before."""
    kept = path.with_suffix(".measured.json")
    if not kept.exists():
        found = examine(path)
        kept.write_text(json.dumps([found.to_json(), found.to_table()]))
    return Examination.from_json(*json.loads(kept.read_text()))


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


def report(pair: tuple[Filmed, Filmed], folder: Path, counts: Counter[str]) -> str:
    """Compare one pair, count the verdict, and tell it in a line."""
    paths = [folder / f"{clip.name}.mp4" for clip in pair]
    one, other = (measured(path) for path in paths)
    told = [replace(COLD, background=f"yard {clip.yard}") for clip in pair]
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
    place = "one yard " if pair[0].yard == pair[1].yard else "two yards"
    return (
        f"{pair[0].name} {pair[1].name} {place} {means[0]:5.1f} -> {means[1]:5.1f} %  {told_as}  "
        f"{found.sentence}"
    )


def main() -> None:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("couples", nargs="?", type=int, default=3)
    parser.add_argument("--seed", type=int, default=61)
    parser.add_argument("--render", action="store_true", help="only make the clips")
    args = parser.parse_args()
    cv2.setNumThreads(1)
    args.folder.mkdir(parents=True, exist_ok=True)
    counts: Counter[str] = Counter()
    rng = np.random.default_rng(args.seed)
    for i in range(args.couples):
        couple = draw_couple(rng, f"{args.seed}_{i}", 1000 * args.seed + 2 * i)
        for clip in couple[0] + couple[1]:
            path = make_clip(args.folder, clip)
            if args.render:
                say(f"{path.stem} made")
        for pair in [] if args.render else pairs_of(couple):
            say(report(pair, args.folder, counts))
    decided = counts["right"] + counts["wrong"]
    total = decided + counts["cannot tell"]
    if total:
        share = (total - counts["wrong"]) / total
        say(f"\n{total} of {counts.total() - counts['warm start refused']} pairs can be compared "
            f"({counts['cannot be compared']} were refused): right or open {share:.0%}, "
            f"decided {decided / total:.0%}, {dict(counts)}")  # fmt: skip


def say(words: str) -> None:
    """Print at once."""
    sys.stdout.write(words + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
