"""The accuracy gate: fails where smokecase reads worse than the bars below say.

    python -m tests.benchmarks.gate

Measures the rendered clips and path-traced pairs that lie in the clone, two at a time. The whole
table, on more clips, is made by `python -m tests.benchmarks.accuracy`.
"""

import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import cv2
import numpy as np
from tests.benchmarks.clip_scores import measure_clip, score, told_colour
from tests.benchmarks.pair_scores import find_pairs, measure_path_traced
from tests.benchmarks.truth_files import find_truths, read_truth

ROOT = Path(__file__).parents[2]
CLIPS = (ROOT / "models" / "demo", ROOT / "tests" / "data" / "practice")
PAIRS = ROOT / "tests" / "data" / "pathtraced"

# figure: (bar, True where the figure must not fall below it); percent of opacity unless said
BARS = {
    "mean absolute error, pipe given": (5.0, False),
    "share of one-second means within 15 % of opacity": (0.95, True),
    "share of frames inside the 95 % interval": (0.93, True),
    "largest error of the first visible smoke [s]": (0.3, False),
    # open is an answer, wrong is not: two of the five hold thin smoke, and stand with a chance of
    # 0.79 and 0.73 just below what is named
    "smoke clips whose colour is told wrong": (0, False),
    "smoke clips whose colour is left open": (2, False),
    "mean weight of the true colour": (0.75, True),
    "smoke-free clips in which smoke is claimed": (0, False),
    "mean absolute error of pairs": (4.0, False),
    "back-lit pairs without the doubt": (0, False),
}


def _clip(path):
    cv2.setNumThreads(1)
    return measure_clip(read_truth(path), by_itself=False)


def _pair(entry):
    cv2.setNumThreads(1)
    return measure_path_traced(PAIRS, entry)


def measure_figures():
    """Work the figures out; returns them by name, and how many clips and pairs they rest on."""
    truths = [path for folder in CLIPS for path in find_truths(folder)]
    entries = find_pairs(PAIRS) if (PAIRS / "index.json").is_file() else []
    with ProcessPoolExecutor(2) as pool:
        clips = list(pool.map(_clip, truths))
        pairs = list(pool.map(_pair, entries))
    figures = clip_figures(clips)
    if pairs:  # all of them have texture behind the plume
        figures["mean absolute error of pairs"] = float(np.mean([p["mae"] for p in pairs]))
        figures["back-lit pairs without the doubt"] = sum(
            p["light"] == "sun_back" and not p["back_lit"] for p in pairs
        )
    return figures, len(clips), len(pairs)


def clip_figures(clips):
    """Pool the clips' scores; a refusal that the truth expects is no error."""
    scored = [(c, score(c["given"], c["truth"])) for c in clips]
    answered = [s for c, s in scored if s is not None and not c["given"].get("refused")]
    smoky = [c for c in clips if c["truth"]["colour"] != "none"]
    free = [c for c in clips if c["truth"]["colour"] == "none"]
    told = [(told_colour(c["given"]), c["truth"]["colour"]) for c in smoky]
    onsets = [
        abs(c["given"]["timing"]["onset_s"] - c["truth"]["onset_s"])
        for c in smoky
        if c["truth"]["onset_s"] is not None and c["given"]["timing"]["onset_s"] is not None
    ]
    seconds = np.concatenate([s["seconds"] for s in answered])
    figures = {
        "mean absolute error, pipe given": float(np.mean([s["mae"] for s in answered])),
        "share of one-second means within 15 % of opacity": float((np.abs(seconds) <= 15).mean()),
        "share of frames inside the 95 % interval": sum(s["inside"] for s in answered)
        / sum(s["known"] for s in answered),
        "smoke clips whose colour is told wrong": sum(
            one not in (true, "open") for one, true in told
        ),
        "smoke clips whose colour is left open": sum(one == "open" for one, _ in told),
        "mean weight of the true colour": float(
            np.mean([c["given"]["colour"][c["truth"]["colour"]] for c in smoky])
        ),
        "smoke-free clips in which smoke is claimed": sum(
            c["given"]["timing"]["onset_s"] is not None for c in free
        ),
    }
    if onsets:
        figures["largest error of the first visible smoke [s]"] = max(onsets)
    return figures


def main():
    """Print each figure with its bar; 1 where one is missed or could not be worked out."""
    figures, clips, pairs = measure_figures()
    sys.stdout.write(f"accuracy gate: {clips} clips, {pairs} pairs\n")
    missed = 0
    for name, (bar, at_least) in BARS.items():
        value = figures.get(name)
        good = value is not None and (value >= bar if at_least else value <= bar)
        missed += not good
        shown = "not measured" if value is None else f"{value:.3g}"
        sign = "at least" if at_least else "at most"
        sys.stdout.write(f"{'ok    ' if good else 'MISSED'} {name}: {shown} ({sign} {bar:g})\n")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
