"""Whether the advice helps: yards filmed badly in one way, and filmed again as smokecase advised.

    python -m tests.benchmarks.advice CLIPS --out examples [--rounds 4]

Every yard has its own seed, of scene and phone families that nothing was tuned on. It is filmed
badly in one way; what `look_first` and `examine` then advise is followed, alone and all together,
and the yard is filmed again: the same engine, the same smoke. Where there is more advice than can
be tried, that comes first which was tried least. CLIPS keeps clips and scores, so that a stopped
run goes on, and `--kept` writes the page of what is there; remove its `*.score.json` when the
measuring has changed.
"""

import argparse
import json
import sys
from collections import Counter
from functools import partial
from pathlib import Path

import cv2
import numpy as np
from tests.benchmarks.advice_filming import plan_of
from tests.benchmarks.advice_kinds import FAULTS, FOLLOWED, badly_filmed, follow
from tests.benchmarks.advice_page import write_page
from tests.benchmarks.clip_scores import column, measure_by_itself, score, told_colour
from tests.benchmarks.truth_files import read_truth

from smokecase.demo.render import render_plan
from smokecase.first_look import look_first

MOST_PAIRS = 5  # of one advice
# faults of which more than one yard is filmed; there the rarest advice alone is followed
OFTEN = ("late", "night", "blown out", "walking", "waving", "sun behind", "passer-by", "shadow")


def filmed(filming, folder):
    """Path of the truth of a filming; the clip is made where it is not there."""
    path = folder / f"{filming.name()}.mp4"
    truth = path.with_suffix(".truth.json")
    if not truth.exists():
        render_plan(plan_of(filming), path)
    return truth


class NotKeptError(Exception):
    """A filming was not measured yet, and shall not be now."""


def outcome(filming, *, folder, make):
    """What smokecase makes of a filming, beside the truth; plain values."""
    told = "_".join(("", *filming.told))
    kept = folder / f"{filming.name()}{told}.score.json"
    if kept.exists():
        return json.loads(kept.read_text())
    if not make:
        raise NotKeptError(kept.name)
    truth = read_truth(filmed(filming, folder))
    pipe = truth.pipe
    words = {"exit": {"exit_px": tuple(pipe["exit_px"])},
             "diameter": {"diameter_px": pipe["diameter_px"]}}  # fmt: skip
    record = measure_by_itself(truth, **{k: v for t in filming.told for k, v in words[t].items()})
    plain = {
        "clip": truth.name,
        "first_look": sorted(d.name for d in look_first(truth.video).doubts),
        "doubts": sorted(record["doubts"]),
        "refused": record["refused"],
        "colour": told_colour(record),
        "true_colour": truth.smoke["colour_class"],
        "off_diameters": _known(
            float(np.hypot(record.get("along", np.nan), record.get("across", np.nan)))
        ),
        "section_px": record["section_px"],
        **_figures(record, truth),
    }
    kept.write_text(json.dumps(plain))
    return plain


def _figures(record, truth):
    """Error and half width over the smoky frames, and the means to show; None where none is."""
    found = score(record, {"kind": ""}) if record["refused"] is None else None
    if found is None or not np.isfinite(found["mae_smoky"]):
        return {"error": None, "half": None}
    value, true, low, high = (column(record, k) for k in ("opacity", "true", "low", "high"))
    smoky = np.isfinite(value) & (true > 1.0)
    finite = smoky & np.isfinite(low) & np.isfinite(high)
    i = int(np.argmax(np.where(smoky, true, -1.0)))
    shown = {"at_s": record["time_s"][i], "mean": value[smoky].mean(), "true": true[smoky].mean(),
             "low": low[finite].mean() if finite.any() else np.nan,
             "high": high[finite].mean() if finite.any() else np.nan}  # fmt: skip
    return {"error": found["mae_smoky"], "half": _known(found["half_smoky"]),
            "inside": found["inside_smoky"] / found["smoky"],
            **{k: _known(float(v)) for k, v in shown.items()}}  # fmt: skip


def _known(x):
    return x if np.isfinite(x) else None


def pairs_of(fault, k, look, counts):
    """Pairs of a badly filmed yard: advice followed alone; in the fault's first, all together."""
    bad = badly_filmed(fault, k)
    before = look(bad)
    given = _given(before)
    useful = [name for name in given if follow(bad, name) != bad]
    # it was filmed so already: nothing to follow
    out = [{"advice": name, "after": None} for name in given if name not in useful]
    rarest = sorted(useful, key=lambda name: counts[name])[: 2 if k == 0 else 1]
    for name in rarest:
        if counts[name] < MOST_PAIRS:
            counts[name] += 1
            out.append({"advice": name, "after": look(follow(bad, name))})
    if useful and k == 0:
        anew = follow(bad, *useful)
        pair = {"advice": "all", "after": look(anew), "followed": useful}
        more = [n for n in _given(pair["after"]) if follow(anew, n) != anew]
        if pair["after"]["error"] is None and more:  # what it says now is followed in turn
            pair |= {"again": look(follow(anew, *more)), "followed_then": more}
        out.append(pair)
    return {"fault": fault, "seed": bad.seed, "before": before, "pairs": out}


def _given(found):
    """Names of the advice that can be followed, of the first look and of the measuring."""
    return [name for name in FOLLOWED if name in {*found["doubts"], *found["first_look"]}]


def main():
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("clips", type=Path, help="folder that keeps clips and scores")
    parser.add_argument("--out", type=Path, help="folder that gets page and picture")
    parser.add_argument("--kept", action="store_true", help="make nothing, show what is there")
    parser.add_argument("--rounds", type=int, default=4, help="yards of frequent faults")
    parser.add_argument("--note", default="", help="words for the end of the page")
    args = parser.parse_args()
    cv2.setNumThreads(1)
    args.clips.mkdir(parents=True, exist_ok=True)
    counts = Counter()
    yards = []
    look = partial(outcome, folder=args.clips, make=not args.kept)
    for k in range(args.rounds):
        for fault in FAULTS if k == 0 else OFTEN:
            try:
                yards.append(pairs_of(fault, k, look, counts))
            except NotKeptError:
                continue
            say(yards[-1])
    if args.out:
        write_page(yards, args.clips, args.out, args.note)


def say(yard):
    """Tell at once what came of a yard."""
    before = yard["before"]
    sys.stdout.write(f"{yard['seed']} {yard['fault']}: {_short(before)} {before['doubts']} "
                     f"first {before['first_look']}\n")  # fmt: skip
    for pair in yard["pairs"]:
        if pair["after"]:
            sys.stdout.write(f"    {pair['advice']}: {_short(pair['after'])}\n")
        if "again" in pair:
            sys.stdout.write(f"    then {pair['followed_then']}: {_short(pair['again'])}\n")
    sys.stdout.flush()


def _short(found):
    if found["error"] is None:
        return f"no reading ({found['refused']}), {found['colour']}/{found['true_colour']}"
    half = found["half"]
    width = "open" if half is None else f"{half:.1f}"
    return (f"error {found['error']:.1f} half {width}, "
            f"{found['colour']}/{found['true_colour']}")  # fmt: skip


if __name__ == "__main__":
    main()
