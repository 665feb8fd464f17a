"""Fits the odds of `smokecase.plume.smoke_or_not` and says how often they are right.

Run again with ``python models/fit_smoke_or_not.py`` for the fit alone, from the numbers kept in
`smoke_or_not_measured.csv`; with sets that ``python -m smokecase.demo.sets`` made, as in
``python models/fit_smoke_or_not.py DIR...``, their clips are examined first (some ten seconds
each) and their rows made anew. Exit and diameter are given, as a user taps them.

Clips with smoke that nobody could see are left out: a plume's densest part below 6 %, and plates
made to hide it. Both kinds of clip count alike however many there are of each.
"""

import csv
import json
import sys
from pathlib import Path

import cv2
import numpy as np
from sklearn.linear_model import LogisticRegression
from sklearn.model_selection import StratifiedKFold, cross_val_predict

from smokecase.demo.sets import HELD_OUT_PHONES, HELD_OUT_SCENES
from smokecase.examination import examine
from smokecase.plume.kind import NO_SMOKE
from smokecase.plume.smoke_or_not import LEAST_SHARE, ODDS

TABLE = Path(__file__).with_name("smoke_or_not_measured.csv")
COLUMNS = ("clip", "set", "smoke", "plume_p95_pct", "change_rank", "flicker_rank")
THINNEST_PCT = 6.0
HIDING = "veil_like_plate"  # trouble of a clip that is made to hide its smoke
FOLDS, ROUNDS = 10, 4


def measure(folder, plain):
    """One row, or None where there is nothing to learn."""
    trouble = plain["wish"]["trouble"]
    densest = max(plain["per_frame"]["opacity_p95"])
    smoky = plain["smoke"]["colour_class"] != "none"
    if smoky and (densest < THINNEST_PCT or trouble == HIDING):
        return None
    pipe = plain["pipe"]
    found = examine(
        folder / plain["file"], exit_px=tuple(pipe["exit_px"]), diameter_px=pipe["diameter_px"]
    )
    at_pipe = found.settings["at_pipe"]
    if at_pipe is None:
        return None
    families = plain["families"]
    unseen = families["scene"] in HELD_OUT_SCENES or families["phone"] in HELD_OUT_PHONES
    told = {k: round(v, 4) for k, v in at_pipe.items()}
    return {
        "clip": plain["clip"], "set": "unseen" if unseen else "known", "smoke": int(smoky),
        "plume_p95_pct": round(densest, 1), **told,
    }  # fmt: skip


def fit(features, smoke):
    """Offset and one weight per column, and the weight of smoke of each clip left out in turn."""
    model = LogisticRegression(class_weight="balanced", max_iter=2000)
    parts = [StratifiedKFold(FOLDS, shuffle=True, random_state=k) for k in range(ROUNDS)]
    left_out = np.mean(
        [cross_val_predict(model, features, smoke, cv=p, method="predict_proba") for p in parts],
        axis=0,
    )[:, 1]
    model.fit(features, smoke)
    return (float(model.intercept_[0]), *map(float, model.coef_[0])), left_out


def tell(odds, left_out, smoky):
    """Print the odds beside those in use, and what they are worth."""
    print(f"odds {tuple(round(x, 2) for x in odds)}, in use {ODDS}")
    for words, weight in (("with smoke", left_out[smoky]), ("without", left_out[~smoky])):
        told, none = np.mean(weight > 0.5), np.mean(weight <= 1.0 - NO_SMOKE)
        print(
            f"{len(weight)} clips {words}, left out in turn: {100 * told:.0f} % told to smoke, "
            f"{100 * none:.0f} % told to show no smoke, the rest left open"
        )


def main(folders):
    """Measure what is given, then fit."""
    cv2.setNumThreads(1)
    rows = []
    if TABLE.exists():
        with TABLE.open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
    for folder in folders:
        for path in sorted(folder.glob("*.truth.json")):
            plain = json.loads(path.read_text(encoding="utf-8"))
            rows = [row for row in rows if row["clip"] != plain["clip"]]
            row = measure(folder, plain)
            sys.stderr.write(f"{plain['clip']}  {'kept' if row else 'left out'}\n")
            if row:
                rows.append(row)
    if folders:
        with TABLE.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, COLUMNS)
            writer.writeheader()
            writer.writerows(rows)
    known = [row for row in rows if row["set"] == "known"]
    smoke = np.array([int(row["smoke"]) for row in known])
    shares = np.array([[float(row["change_rank"]), float(row["flicker_rank"])] for row in known])
    tell(*fit(-np.log(shares + LEAST_SHARE), smoke), smoke.astype(bool))


if __name__ == "__main__":
    main([Path(word) for word in sys.argv[1:]])
