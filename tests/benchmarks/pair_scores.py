"""Path-traced pairs through `examine(SMOKE, plate=CLEAR)`: errors of the map inside the plume."""

import json

import cv2
import numpy as np
from tests.benchmarks.obvious import LUMA, read_pair

from smokecase.examination import examine

PLUME_PCT = 2.0  # true opacity from which a pixel belongs to the plume


def find_pairs(folder):
    """Entries of a folder's index."""
    return json.loads((folder / "index.json").read_text())


def read_grey(path):
    """Grey levels 0 to 255 of a picture."""
    return cv2.imread(str(path))[..., ::-1].astype(np.float32) @ np.array(LUMA, np.float32)


def score_pair(found, smoke, clear, true_pct):
    """Scores of an examined pair as plain values.

    `true_pct` is the true opacity (h, w) in percent.
    """
    opacity = found.opacity_map
    shape = true_pct.shape
    columns = (opacity.opacity_pct, opacity.low_pct, opacity.high_pct)
    value, low, high = (_to_shape(m, shape) for m in columns)
    grey, contrast = read_pair(read_grey(smoke), read_grey(clear))
    plume, known = true_pct > PLUME_PCT, np.isfinite(value)
    here, outside = plume & known, ~plume & known
    inside = (low <= true_pct) & (true_pct <= high)
    plain = found.to_json()
    return {
        "mae": _mean(np.abs(value - true_pct)[here]),
        "bias": _mean((value - true_pct)[here]),
        "holds": _mean(inside[here]),
        "half": _mean((high - low)[here] / 2),
        "unanswered": _mean(~known[plume]),
        "clear_mae": _mean(np.abs(value - true_pct)[outside]),
        "grey_mae": _mean(np.abs(grey - true_pct)[plume]),
        "contrast_mae": _mean(np.abs(contrast - true_pct)[plume]),
        "true_mean": _mean(true_pct[plume]),
        "mean": _mean(value[here]),
        "back_lit": "back_lit" in plain["doubts"],
        "colour": plain["colour"],
        "colour_open": plain["colour_open"],
        "colour_word": plain["colour_word"],
        "lighting": plain["lighting"],
        "refused": plain["refused"],
        "doubts": plain["doubts"],
    }


def _to_shape(values, shape):
    if values.shape == shape:
        return values
    return cv2.resize(values, shape[::-1], interpolation=cv2.INTER_NEAREST)


def _mean(values):
    return float(np.mean(values)) if np.size(values) else None


def measure_path_traced(folder, entry):
    """One entry of the index, with its truth."""
    name = entry["id"]
    through = np.load(folder / f"{name}.npz")["T"][..., 1] / 65535.0
    smoke, clear = folder / f"{name}_smoke.png", folder / f"{name}_clear.png"
    scores = score_pair(examine(smoke, plate=clear), smoke, clear, 100.0 * (1.0 - through))
    told = {k: entry[k] for k in ("type", "light", "backdrop", "peak")}
    return {"clip": name} | told | scores
