"""Makes `colour_measured.csv`: what is measured of invented clips, beside what is true of them.

Run again with ``python models/measure_colour_clips.py DIR...``, over sets that
``python -m smokecase.demo.sets DIR --clips 120 --seed 1000`` and the like made; each clip takes
some ten seconds. Clips with a scene or phone that is left out of all learning are marked `unseen`.
Rows of other sets (practice clips, path-traced pairs) stay as they are.
"""

import csv
import json
import math
import sys
from pathlib import Path

import cv2
import numpy as np

from smokecase.demo.sets import HELD_OUT_PHONES, HELD_OUT_SCENES
from smokecase.plume.colour_model import COLOURS, FEATURES
from smokecase.plume.kind import look_at_smoke
from smokecase.sample import take_sample
from smokecase.scene import learn_scene
from smokecase.video.clip import open_clip

TABLE = Path(__file__).with_name("colour_measured.csv")
THINNEST_PCT = 5.0  # 95th percentile of the plume's opacity: thinner smoke has no colour to learn
SEED = 20_261_125


def measure(folder, plain):
    """One row, or None where no smoke was found."""
    clip = open_clip(folder / plain["file"])
    pipe = plain["pipe"]
    doubts = set()
    sample = take_sample(clip, 0.0, math.inf, doubts=doubts, tell=_silent)
    scene = learn_scene(
        clip, sample, exit_px=clip.to_working(*pipe["exit_px"]),
        diameter_px=pipe["diameter_px"] * clip.scale, plate_window_s=None, doubts=doubts,
        tell=_silent, rng=np.random.default_rng(SEED),
    )  # fmt: skip
    look = look_at_smoke(
        scene.veil, scene.windows, plate=scene.plate.light, white=scene.white,
        u_ln_white=scene.u_ln_white, brightest=scene.brightest, exit_px=scene.pipe.exit_px,
        diameter_px=scene.pipe.diameter_px,
    )  # fmt: skip
    if look is None or scene.at_pipe is None or scene.at_pipe.smoke < 0.5:
        return None
    smoke, families = plain["smoke"], plain["families"]
    veil = np.log(smoke["veil_reflectance_rgb"])
    unseen = families["scene"] in HELD_OUT_SCENES or families["phone"] in HELD_OUT_PHONES
    row = {
        "clip": plain["clip"], "set": "unseen" if unseen else "known",
        "scene": families["scene"], "phone": families["phone"], "light": families["light"],
        "smoke": smoke["mixture"], "nuisances": " ".join(plain["scene"]["nuisances"]),
        "trouble": int(plain["refusal_expected"] == "yes"),
        **{f"true_{c}": smoke["colour_weights"][c] for c in COLOURS},
        "true_slope": smoke["alpha_ext"], "true_ln_reflectance": veil[1],
        "true_tint": veil[2] - veil[0],
        **dict(zip(FEATURES, look.features(), strict=True)), "u_ln_veil": look.u_ln_light,
        "off_axis": look.spectral.off_axis, "u_off_axis": look.spectral.u_off_axis,
    }  # fmt: skip
    return {k: round(float(v), 4) if isinstance(v, float) else v for k, v in row.items()}


def _silent(share, words):
    """Tell nothing of the progress within one clip."""


def main(folders):
    """Measure every smoky clip of the folders and write the table anew."""
    cv2.setNumThreads(1)
    with TABLE.open(encoding="utf-8", newline="") as file:
        old = list(csv.DictReader(file))
    rows = [row for row in old if row["set"] not in ("known", "unseen")]
    for folder in folders:
        for path in sorted(folder.glob("*.truth.json")):
            plain = json.loads(path.read_text(encoding="utf-8"))
            thin = max(plain["per_frame"]["opacity_p95"]) < THINNEST_PCT
            row = None if thin else measure(folder, plain)
            sys.stderr.write(f"{plain['clip']}  {'kept' if row else 'no smoke found'}\n")
            if row:
                rows.append(row)
    with TABLE.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(old[0]))
        writer.writeheader()
        writer.writerows(rows)


if __name__ == "__main__":
    main([Path(word) for word in sys.argv[1:]])
