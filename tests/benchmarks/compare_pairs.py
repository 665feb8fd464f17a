"""Compares rendered pairs of known truth: how often right, how often decided. Run by hand.

    python tests/benchmarks/compare_pairs.py WORK_FOLDER [pairs]

About a minute and a half a pair. Both clips of a pair show the same kind of yard, light, phone
and smoke, from different seeds, so that place, wind and swirl differ; the smoke of the second is
as dense, a quarter, or four times as dense. WORK_FOLDER keeps the clips, so a second run only
measures.

The truth of a pair is that of its mean opacities near the pipe over the common time from the start:
"less" or "more" from a difference of 5 % opacity and 40 % of the larger on, "no difference" up to
3 % opacity or 20 %; in between, either of the two is right.
"""

import json
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from smokecase.case.compare import compare
from smokecase.case.record import Circumstances
from smokecase.demo.render import render
from smokecase.demo.wish import Wish
from smokecase.examination import examine
from smokecase.readings import Examination

SCENES = ("driveway", "brick_wall", "wood_fence", "gravel_yard", "hedge", "garage_door")
COLD = Circumstances(standing_h=12, coolant_degc=5, ambient_degc=5, load="cold start")
WARM = replace(COLD, standing_h=0.3, coolant_degc=75)


def say(words: str) -> None:
    sys.stdout.write(words + "\n")
    sys.stdout.flush()


def make_clip(folder: Path, seed: int, wish: Wish) -> Path:
    path = folder / f"c{seed:06d}.mp4"
    if not path.with_suffix(".truth.json").exists():
        render(seed, folder, size=(640, 360), seconds=10.0, wish=wish)
    return path


def true_mean(path: Path, seconds: float) -> float:
    truth = json.loads(path.with_suffix(".truth.json").read_text())
    start_s = truth["engine"]["start_s"]
    time_s = np.array(truth["per_frame"]["time_s"]) - start_s
    opacity = np.array(truth["per_frame"]["opacity_near_pipe"], dtype=float)
    return float(opacity[(time_s >= 0) & (time_s < seconds)].mean())


def truth_of(first: float, second: float) -> set[str]:
    change, larger = second - first, max(first, second, 1e-9)
    sign = "more" if change > 0 else "less"
    if abs(change) >= 5 and abs(change) >= 0.4 * larger:
        return {sign}
    if abs(change) <= 3 or abs(change) <= 0.2 * larger:
        return {"no difference"}
    return {sign, "no difference"}


def main() -> None:
    cv2.setNumThreads(1)
    folder, pairs = Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 12
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(61)
    counts: Counter[str] = Counter()
    for i in range(pairs):
        scene = str(rng.choice(SCENES))
        tau0 = float(np.exp(rng.uniform(np.log(0.15), np.log(1.6))))
        factor = float(rng.choice([1.0, 0.25, 4.0]))
        wish = Wish(
            smoke=str(rng.choice(["black", "blue", "fuel"])), scene=scene, light="overcast",
            envelope=str(rng.choice(["clear", "persist"])), phone="plain", hold="tripod",
            nuisances=(), trouble="nothing", sound=True, tau0_green=tau0, camera={"stops": -0.4},
        )  # fmt: skip
        paths = (
            make_clip(folder, 7000 + 2 * i, wish),
            make_clip(folder, 7001 + 2 * i, replace(wish, tau0_green=min(tau0 * factor, 2.4))),
        )
        clips = [examine(p) for p in paths]
        report(i, paths, clips, counts)
    decided = counts["right"] + counts["wrong"]
    total = decided + counts["cannot tell"]
    say(f"\n{total} pairs that can be compared: {counts}")
    if total:
        share = (total - counts["wrong"]) / total
        say(f"right or open {share:.0%}, decided {decided / total:.0%}")


def report(
    i: int, paths: tuple[Path, Path], clips: list[Examination], counts: Counter[str]
) -> None:
    found = compare(clips[0], clips[1], first_told=COLD, second_told=COLD)
    seconds = float(found.time_s[-1]) if found.time_s.size else 5.0
    means = [true_mean(p, seconds) for p in paths]
    truth = truth_of(means[0], means[1])
    if found.verdict == "cannot be compared":
        counts["cannot be compared"] += 1
    elif found.verdict == "cannot tell":
        counts["cannot tell"] += 1
    else:
        counts["right" if found.verdict in truth else "wrong"] += 1
    other = compare(clips[0], clips[1], first_told=COLD, second_told=WARM).verdict
    counts["warm start refused"] += other == "cannot be compared"
    say(f"{i:2} {means[0]:5.1f} -> {means[1]:5.1f} %  truth {sorted(truth)}  {found.sentence}")


if __name__ == "__main__":
    main()
