"""One rendered clip through `examine`, with the pipe given and by itself, and its scores.

A record holds what was measured beside the truth, so that scores can be worked out again
without measuring again.
"""

import math

import numpy as np
from tests.benchmarks.obvious import read_section

from smokecase.examination import examine

SMOKY_PCT = 1.0  # of true section opacity, from which a frame counts as smoky


def measure_clip(truth, *, by_itself=True):
    """Examine one clip; returns a record of plain values."""
    pipe = truth.pipe
    given = examine(truth.video, exit_px=tuple(pipe["exit_px"]), diameter_px=pipe["diameter_px"])
    window = given.settings["plate_window_s"]
    grey, contrast = read_section(
        truth.video, truth.plain["near_pipe_box_px"], truth.moved_px(), window
    )
    trace = given.trace
    true = np.interp(trace.time_s, truth.times_s, truth.section_pct)
    smoke = truth.smoke
    record = {
        "clip": truth.name,
        "conditions": truth.conditions(),
        "truth": {
            "kind": smoke.get("mixture") or smoke["kind"],
            "colour": smoke["colour_class"],
            "weights": smoke["colour_weights"],
            "onset_s": smoke["visible_onset_s"],
            "half_fall_s": smoke["time_to_half_s"],
            "puff_hz": smoke["puff_hz"],
            "refusal_expected": truth.plain["refusal_expected"] == "yes",
            "refusal_excused": bool(truth.plain.get("refusal_excused")),
            "peak_p95_pct": float(truth.plume_p95_pct.max()),
        },
        "given": _summary(given)
        | {
            "time_s": _listed(trace.time_s, 3),
            "true": _listed(true),
            "opacity": _listed(trace.opacity_pct),
            "low": _listed(trace.opacity_low_pct),
            "high": _listed(trace.opacity_high_pct),
            "grey": _listed(_as_long_as(grey, true)),
            "contrast": _listed(_as_long_as(contrast, true)),
        },
    }
    if by_itself:
        record["itself"] = measure_by_itself(truth)
    return record


def measure_by_itself(truth, **told):
    """Without being told where the pipe is: its errors, and opacity in the tool's own section.

    What else is told goes to `examine`.
    """
    found = examine(truth.video, **told)
    trace = found.trace
    record = _summary(found)
    if found.exit_px is None or found.section_px is None or found.diameter_px is None:
        return record
    pipe = truth.pipe
    angle = math.radians(pipe["direction_deg"])
    dx, dy = (a - b for a, b in zip(found.exit_px, pipe["exit_px"], strict=True))
    at = np.minimum(truth.map_frame, len(trace) - 1)
    return record | {
        "along": (dx * math.cos(angle) + dy * math.sin(angle)) / pipe["diameter_px"],
        "across": (dy * math.cos(angle) - dx * math.sin(angle)) / pipe["diameter_px"],
        "wide": found.diameter_px / pipe["diameter_px"] - 1,
        "time_s": _listed(trace.time_s[at], 3),
        "true": _listed(truth.opacity_in(found.section_px)),
        "opacity": _listed(trace.opacity_pct[at]),
        "low": _listed(trace.opacity_low_pct[at]),
        "high": _listed(trace.opacity_high_pct[at]),
    }


def _summary(examination):
    plain = examination.to_json()
    keep = ("refused", "exit_px", "diameter_px", "section_px", "timing", "colour", "colour_open",
            "colour_word", "lighting", "doubts")  # fmt: skip
    return {k: plain[k] for k in keep}


def _as_long_as(column, other):
    """A damaged clip may give more frames to one reader: cut or pad."""
    out = np.full(len(other), np.nan)
    n = min(len(out), len(column))
    out[:n] = column[:n]
    return out


def _listed(column, digits=2):
    """Plain numbers; None where there is none, "inf" where an interval is open."""
    return [
        "inf" if math.isinf(x) else round(float(x), digits) if math.isfinite(x) else None
        for x in column
    ]


def column(record, name):
    """A column of a record as an array, nan where there is no value."""
    return np.array(
        [math.nan if x is None else math.inf if x == "inf" else x for x in record[name]], float
    )


def score(record, truth, method="opacity"):
    """Errors of one run of one clip by one method; None where it gave no opacity.

    `seconds` are errors of one-second means, for seconds with an answer in half their frames;
    `owned` says for each whether the mean interval reaches as far.
    """
    if "true" not in record:
        return None
    value, true = column(record, method), column(record, "true")
    error = value - true
    # the obvious methods always answer: all are compared on the frames that smokecase answered
    known = np.isfinite(error) & np.isfinite(column(record, "opacity"))
    if not known.any():
        return None
    smoky = known & (true > SMOKY_PCT)
    out = {
        "mae": float(np.abs(error[known]).mean()),
        "answered": float(known.mean()),
        "bias": float(error[known].mean()),
        "mae_smoky": float(np.abs(error[smoky]).mean()) if smoky.any() else math.nan,
        "bias_smoky": float(error[smoky].mean()) if smoky.any() else math.nan,
        "kind": truth["kind"],
    }
    second = np.floor(column(record, "time_s")).astype(int)
    seconds, owned = [], []
    low, high = (column(record, k) if method == "opacity" else value for k in ("low", "high"))
    for s in np.unique(second):
        here = second == s
        if known[here].mean() < 0.5:
            continue
        here &= known
        seconds.append(float(error[here].mean()))
        owned.append(bool(low[here].mean() <= true[here].mean() <= high[here].mean()))
    out |= {"seconds": seconds, "owned": owned}
    if method == "opacity":
        inside = (low <= true) & (true <= high)
        half = (high - low) / 2
        out |= {
            "inside": int(inside[known].sum()), "known": int(known.sum()),
            "inside_smoky": int(inside[smoky].sum()), "smoky": int(smoky.sum()),
            "half": _mean(half[known & np.isfinite(half)]),
            "half_smoky": _mean(half[smoky & np.isfinite(half)]),
            "open_share": float(np.isinf(half[known]).mean()),
        }  # fmt: skip
    return out


def _mean(values):
    return float(values.mean()) if len(values) else math.nan


def told_colour(record):
    """black, blue, white, none, or open where the tool says that it cannot tell."""
    weights = record["colour"]
    top = max(weights, key=weights.get)
    return "open" if record["colour_open"] else top
