"""How well the pipe's exit is found: one line per clip, and the shares that matter.

    python tests/benchmarks/exit_finder.py FOLDER [--given exit] [--given diameter] [--most N]

FOLDER holds NAME.mp4 with NAME.truth.json in the practice clips' format. The walk before the
finder (sampling, steadying, exposure, plate) is a plain one of this script's own.
"""

import argparse
import json
import math
from pathlib import Path

import cv2
import numpy as np

from smokecase.optics.light import to_linear
from smokecase.plume.section import find_exit
from smokecase.video.clip import open_clip
from smokecase.video.steady import find_landmarks, fit_view_to, warp_to_plate

SAMPLES = 60


def sampled(path):
    """Steadied frames on the first one's view, their times, the plate and the working scale."""
    clip = open_clip(path)
    every = max(1, round(clip.duration_s * clip.nominal_fps / SAMPLES))
    frames, times = [], []
    for frame in clip.frames():
        if frame.index % every == 0 or (frame.index < 12 and frame.index % 3 == 0):
            frames.append(np.clip(to_linear(frame.codes, clip.transfer), 0, None))
            times.append(frame.time_s)
    times = np.array(times)
    marks = find_landmarks(np.sqrt(frames[0][..., 1]))
    steady = [warp_to_plate(f, fit_view_to(marks, np.sqrt(f[..., 1])))[0] for f in frames]
    early = max(3, int((times < max(1.0, 0.15 * times[-1])).sum()))
    plate = np.median(np.stack(steady[:early]), axis=0).astype(np.float32)
    return [f / commonest_gain(f, plate) for f in steady], times, plate, clip.scale


def commonest_gain(frame, plate):
    """Gain per channel that most of the picture agrees on (half-sample mode of the log ratio)."""
    gains = []
    for c in range(3):
        seen, clear = (
            cv2.resize(a[..., c], None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA).ravel()
            for a in (frame, plate)
        )
        usable = (clear > 0.003) & (clear < 0.9) & (seen > 0.002) & (seen < 0.9)
        ratio = np.sort(np.log(seen[usable] / clear[usable]))
        while len(ratio) > 200:
            half = len(ratio) // 2
            start = int(np.argmin(ratio[half:] - ratio[:-half]))
            ratio = ratio[start : start + half]
        gains.append(np.exp(np.median(ratio)) if len(ratio) else 1.0)
    return np.array(gains, np.float32)


def measured(path, truth, given):
    """Errors of one clip; lengths in pipe diameters."""
    frames, times, plate, scale = sampled(path)
    pipe = truth["pipe"]
    exit_px = tuple((v + 0.5) * scale - 0.5 for v in pipe["exit_px"])
    diameter = pipe["diameter_px"] * scale
    told = {}
    if "exit" in given:
        told["exit_px"] = exit_px
    if "diameter" in given:
        told["diameter_px"] = diameter
    found = find_exit(frames, times, plate, **told)
    doubts = sorted(d.name for d in found.doubts)
    best = found.candidates[0].score if found.candidates else math.nan
    if found.exit_px is None:
        return {"found": False, "doubts": doubts, "score": best}
    angle = math.radians(pipe["direction_deg"])
    dx, dy = found.exit_px[0] - exit_px[0], found.exit_px[1] - exit_px[1]
    return {
        "found": True,
        "along": (dx * math.cos(angle) + dy * math.sin(angle)) / diameter,
        "across": (dy * math.cos(angle) - dx * math.sin(angle)) / diameter,
        "u_exit": found.u_exit_px / diameter,
        "wide": found.diameter_px / diameter - 1,
        "u_wide": found.u_diameter_px / diameter,
        "turn": (found.direction_deg - pipe["direction_deg"] + 180) % 360 - 180,
        "u_turn": found.u_direction_deg,
        "doubts": doubts,
        "score": best,
    }


def shown(name, row, kind):
    if not row["found"]:
        return f"{name:10} {kind:12} not found (best score {row['score']:.2f}) {row['doubts']}"
    return (
        f"{name:10} {kind:12} score {row['score']:.2f}  along {row['along']:+.2f} "
        f"across {row['across']:+.2f} (u {row['u_exit']:.2f})  "
        f"diameter {100 * row['wide']:+.0f} % (u {100 * row['u_wide']:.0f})  "
        f"direction {row['turn']:+.1f} deg (u {row['u_turn']:.1f})  {row['doubts']}"
    )


def summary(rows):
    """Shares over the clips with smoke, and what was claimed where there is none."""
    smoky = [r for r in rows if r["smoky"]]
    found = [r for r in smoky if r["found"]]
    lines = [f"smoke clips {len(smoky)}, exit claimed on {len(found)}"]
    for across, wide in ((0.25, 0.20), (0.20, 0.15)):
        right = [
            abs(r["across"]) <= across and abs(r["along"]) <= 0.5 and abs(r["wide"]) <= wide
            for r in found
        ]
        lines.append(f"  within {across} D across and {100 * wide:.0f} %: {sum(right)}")
    sure = [r for r in found if not r["doubts"]]
    lines.append(f"  direction within 10 deg: {sum(abs(r['turn']) <= 10 for r in found)}")
    lost = [r for r in sure if abs(r["across"]) > 0.25 or abs(r["wide"]) > 0.2]
    lines.append(f"  without a doubt: {len(sure)}, of these wrong: {len(lost)}")
    for value, u in (("across", "u_exit"), ("wide", "u_wide"), ("turn", "u_turn")):
        inside = [abs(r[value]) < 1.96 * r[u] for r in found]
        lines.append(f"  {value} inside its 95 % interval: {sum(inside)} of {len(inside)}")
    clear = [r for r in rows if not r["smoky"]]
    lines.append(f"smoke-free clips {len(clear)}, exit claimed on {sum(r['found'] for r in clear)}")
    return "\n".join(lines)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--given", action="append", default=[], choices=("exit", "diameter"))
    parser.add_argument("--most", type=int, default=10**6)
    args = parser.parse_args()
    cv2.setNumThreads(1)
    rows = []
    for path in sorted(args.folder.glob("*.mp4"))[: args.most]:
        truth_file = path.with_suffix(".truth.json")
        if not truth_file.exists():
            continue
        truth = json.loads(truth_file.read_text())
        kind = truth["smoke"]["kind"]
        rows.append(measured(path, truth, args.given) | {"smoky": kind != "none"})
        print(shown(path.stem, rows[-1], kind), flush=True)  # noqa: T201 a benchmark's answer
    print(summary(rows))  # noqa: T201


if __name__ == "__main__":
    main()
