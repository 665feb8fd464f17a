"""The tables of the accuracy page, from records."""

import math

import numpy as np
from tests.benchmarks.clip_scores import score, told_colour
from tests.benchmarks.tally import (
    bootstrap,
    calibration_error,
    mean_of,
    middle_of,
    ratio_of,
    share_of,
    share_of_seconds,
    unowned_seconds,
)

OBVIOUS = ("grey", "contrast")
CLASSES = ("black", "blue", "white", "none")
FEWEST = 3  # clips of a condition, from which it gets a line
ONSET_S = 0.3
PIPE_DOUBTS = {"exit_uncertain", "diameter_uncertain"}
BAD_PCT = 5.0  # mean absolute error from which a clip counts as badly read


def rows_to_table(head, rows):
    """Markdown table."""
    lines = [f"| {' | '.join(head)} |", f"| {' | '.join('---' for _ in head)} |"]
    return lines + [f"| {' | '.join(str(c) for c in row)} |" for row in rows]


def number(value, digits=1):
    """A figure, or a dash where there is none."""
    if value is None or not math.isfinite(value):
        return "-"
    return f"{value:.{digits}f}"


def with_interval(result, digits=1):
    value, low, high = result
    if not math.isfinite(value):
        return "-"
    if not math.isfinite(low):
        return number(value, digits)
    return f"{value:.{digits}f} ({low:.{digits}f} to {high:.{digits}f})"


class Scored:
    """Records of one folder with their scores, worked out once."""

    def __init__(self, records):
        self.crashed = [r for r in records if "crashed" in r]
        self.records = [r for r in records if "crashed" not in r]
        self.smoky = [r for r in self.records if r["truth"]["colour"] != "none"]
        self.clear = [r for r in self.records if r["truth"]["colour"] == "none"]
        self.measurable = [r for r in self.records if not r["truth"]["refusal_expected"]]
        self.unmeasurable = [r for r in self.records if r["truth"]["refusal_expected"]]

    def scores(self, run="given", method="opacity", records=None):
        """Scores of the clips that were not refused."""
        chosen = self.records if records is None else records
        made = [score(r[run], r["truth"], method) for r in chosen
                if run in r and r[run]["refused"] is None]  # fmt: skip
        return [s for s in made if s is not None]


def headline(scored):
    """Figures against the bars, both obvious methods beside them."""
    given = scored.scores()
    beside = [scored.scores(method=m) for m in OBVIOUS]
    itself = scored.scores("itself")
    rows = []

    def add(words, bar, figure, *, digits=1, compare=False):
        others = [with_interval(bootstrap(b, figure), digits) if compare else "" for b in beside]
        rows.append([words, bar, with_interval(bootstrap(given, figure), digits), *others])

    add(
        "mean absolute error, all answered frames [%]",
        "at most 5",
        mean_of("mae"),
        digits=2,
        compare=True,
    )
    add("mean absolute error, smoky frames [%]", "", mean_of("mae_smoky"), digits=2, compare=True)
    if scored.unmeasurable:
        three = [scored.scores(method=m, records=scored.measurable) for m in ("opacity", *OBVIOUS)]
        figures = [with_interval(bootstrap(t, mean_of("mae_smoky")), 2) for t in three]
        rows.append(["the same, only clips that can be measured [%]", "", *figures])
    add("mean absolute error of the middle clip [%]", "", middle_of("mae"), digits=2, compare=True)
    add("one-second means within 10 % [%]", "", share_of_seconds(10), compare=True)
    add("one-second means within 15 % [%]", "at least 95", share_of_seconds(15), compare=True)
    add("bias, smoky frames [%]", "", mean_of("bias_smoky"), digits=2, compare=True)
    add("95 % interval holds the truth, all frames [%]", "at least 88", ratio_of("inside", "known"))
    add("the same, smoky frames [%]", "", ratio_of("inside_smoky", "smoky"))
    add("mean half width of the interval, smoky frames [%]", "", mean_of("half_smoky"))
    add(
        "one-second means more than 15 % out while the interval denies it [%]",
        "",
        unowned_seconds(15),
    )
    rows += [[*row, "", ""] for row in story_rows(scored)]
    if any("itself" in r for r in scored.records):
        rows += [[*row, "", ""] for row in pipe_rows(scored)]
        figure = mean_of("mae")
        rows.append(["by itself: mean absolute error in the tool's own section [%]", "at most 5",
                     with_interval(bootstrap(itself, figure), 2), "", ""])  # fmt: skip
        rows.append(["by itself: 95 % interval holds the truth [%]", "",
                     with_interval(bootstrap(itself, ratio_of("inside", "known"))),
                     "", ""])  # fmt: skip
    return rows_to_table(
        ["figure", "bar", "smokecase", "grey-level change", "contrast ratio"], rows
    )


def story_rows(scored):
    """Onset, timing, colour, smoke or none, refusals."""
    smoky = scored.smoky
    onsets = [_onset_error(r) for r in smoky]
    told = [e for e in onsets if e is not None]
    near = sum(abs(e) <= ONSET_S for e in told)
    worst = max((abs(e) for e in told), default=math.nan)
    rows = [
        [f"onset within {ONSET_S} s", "all", f"{near} of {len(smoky)}; worst {number(worst, 2)} s"],
        ["half-fall time within 15 %", "", _half_falls(smoky)],
        [
            "puff rate told, and within 0.3 Hz, where there is one; claimed where there is none",
            "",
            _puffs(scored.records),
        ],
    ]
    colours = [(told_colour(r["given"]), r["truth"]["colour"]) for r in smoky]
    right = sum(a == b for a, b in colours)
    left_open = sum(a == "open" for a, _ in colours)
    rows.append(["colour named right (left open)", "at least 8 of 9",
                 f"{right} of {len(colours)} ({left_open} left open)"])  # fmt: skip
    weights = [np.mean([abs(r["given"]["colour"][c] - r["truth"]["weights"][c]) for c in CLASSES])
               for r in smoky]  # fmt: skip
    rows.append(["colour weights, mean distance from the truth", "",
                 number(float(np.mean(weights)) if weights else math.nan, 2)])  # fmt: skip
    for of, named in (
        ("a named colour's weight", lambda told: told not in ("open", "none")),
        ("it, with missed smoke told as none counted as named", lambda told: told != "open"),
    ):
        decided = [(max(r["given"]["colour"].values()), t == c)
                   for r, (t, c) in zip(smoky, colours, strict=True) if named(t)]  # fmt: skip
        if len(decided) >= 20:
            rows.append(
                [f"expected calibration error of {of}", "", number(calibration_error(decided), 3)]
            )
    false = [r for r in scored.clear if r["given"]["timing"]["onset_s"] is not None]
    rows.append(
        ["smoke claimed on smoke-free clips", "none", f"{len(false)} of {len(scored.clear)}"]
    )
    dense = [r for r in smoky if r["truth"]["peak_p95_pct"] > 10]
    missed = [r for r in dense if told_colour(r["given"]) == "none" and not r["given"]["refused"]]
    rows.append(["smoke missed: none said, plume's 95th percentile over 10 %", "",
                 f"{len(missed)} of {len(dense)}"])  # fmt: skip
    said = [
        ("light: sun_back" in r["conditions"], "back_lit" in r["given"]["doubts"]) for r in smoky
    ]
    rows.append([
        "said to be back-lit: with the sun behind the plume; in other light", "",
        f"{sum(s for b, s in said if b)} of {sum(b for b, _ in said)}; "
        f"{sum(s for b, s in said if not b)} of {sum(not b for b, _ in said)}",
    ])  # fmt: skip
    wrongly = [r for r in scored.measurable if r["given"]["refused"]]
    rightly = [r for r in scored.unmeasurable if r["given"]["refused"]]
    rows.append(["refused though measurable", "", f"{len(wrongly)} of {len(scored.measurable)}"])
    rows.append(["refused where it should be", "", f"{len(rightly)} of {len(scored.unmeasurable)}"])
    return rows


def _onset_error(record):
    found, true = record["given"]["timing"]["onset_s"], record["truth"]["onset_s"]
    return found - true if found is not None and true is not None else None


def _half_falls(smoky):
    pairs = [(r["given"]["timing"]["half_fall_s"], r["truth"]["half_fall_s"]) for r in smoky
             if r["truth"]["half_fall_s"]]  # fmt: skip
    near = sum(a is not None and abs(a / b - 1) <= 0.15 for a, b in pairs)
    return f"{near} of {len(pairs)}"


def _puffs(records):
    there = [(r["given"]["timing"]["puff_hz"], r["truth"]["puff_hz"]) for r in records
             if r["truth"]["puff_hz"]]  # fmt: skip
    none = [r["given"]["timing"]["puff_hz"] for r in records if not r["truth"]["puff_hz"]]
    near = sum(a is not None and abs(a - b) <= 0.3 for a, b in there)
    told = sum(a is not None for a, _ in there)
    claimed = sum(a is not None for a in none)
    return f"{told} and {near} of {len(there)}; {claimed} of {len(none)}"


def pipe_rows(scored):
    """How well the pipe is found without help."""
    smoky = [r for r in scored.smoky if "itself" in r]
    found = [r["itself"] for r in smoky if "across" in r["itself"]]
    rows = []
    for across, wide, bar in ((0.25, 0.20, "at least 7 of 9"), (0.20, 0.15, "")):
        right = sum(abs(f["across"]) <= across and abs(f["wide"]) <= wide for f in found)
        rows.append([f"by itself: exit within {across:g} diameters across and diameter within "
                     f"{100 * wide:.0f} %", bar, f"{right} of {len(smoky)}"])  # fmt: skip
    beyond = [f for f in found if abs(f["across"]) > 0.2 or abs(f["wide"]) > 0.15]
    rows.append(["by itself: exit claimed; further off than the last without a doubt", "",
                 f"{len(found)} of {len(smoky)}; "
                 f"{sum(PIPE_DOUBTS.isdisjoint(f['doubts']) for f in beyond)}"])  # fmt: skip
    clear = [r["itself"] for r in scored.clear if "itself" in r]
    if clear:
        false = sum(r["timing"]["onset_s"] is not None for r in clear)
        rows.append(["by itself: smoke claimed on smoke-free clips", "none",
                     f"{false} of {len(clear)}"])  # fmt: skip
    return rows


def worst_clips(scored, most=8):
    """Records of the clips read worst, and of the smoke-free ones in which smoke is claimed."""
    made = [(score(r["given"], r["truth"]), r) for r in scored.records]
    read = sorted((s["mae"], r["clip"]) for s, r in made if s is not None)
    names = {name for mae, name in read[-most:] if mae > BAD_PCT}
    names |= {r["clip"] for r in scored.clear if r["given"]["timing"]["onset_s"] is not None}
    return [r for r in scored.records if r["clip"] in names]


def per_clip(scored, records=None):
    """One line per clip, with the pipe given."""
    rows = []
    for r in scored.records if records is None else records:
        g, t = r["given"], r["truth"]
        s = score(g, t)
        others = [score(g, t, m) for m in OBVIOUS]
        error = _onset_error(r)
        rows.append([
            r["clip"], t["kind"],
            "refused" if g["refused"] else number(s and s["mae"], 2),
            *(number(o and o["mae"], 1) for o in others),
            number(s and s["bias_smoky"], 1),
            number(s and max(map(abs, s["seconds"]), default=math.nan), 1),
            number(s and 100 * s["inside"] / s["known"], 0),
            number(s and s["smoky"] and 100 * s["inside_smoky"] / s["smoky"], 0),
            number(s and s["half_smoky"], 1),
            number(s and 100 * s["answered"], 0),
            number(error, 2),
            f"{t['colour']} / {told_colour(g)} ({g['colour_word']})",
            " ".join(g["doubts"]) or "none",
        ])  # fmt: skip
    if records is None:
        rows += [[r["clip"], f"crashed: {r['crashed']}", *[""] * 11] for r in scored.crashed]
    return rows_to_table(
        ["clip", "smoke", "MAE [%]", "grey [%]", "contrast [%]", "bias smoky [%]",
         "worst second [%]", "interval holds [%]", "smoky [%]", "half width [%]", "answered [%]",
         "onset error [s]", "colour true / told", "doubts"], rows)  # fmt: skip


def per_clip_itself(scored):
    """One line per clip, without being told where the pipe is."""
    rows = []
    for r in scored.records:
        f = r.get("itself")
        if f is None:
            continue
        s = score(f, r["truth"])
        rows.append([
            r["clip"], *(number(f.get(k), 2) for k in ("across", "along")),
            number(100 * f["wide"] if "wide" in f else None, 0),
            "refused" if f["refused"] else number(s and s["mae"], 2),
            number(s and max(map(abs, s["seconds"]), default=math.nan), 1),
            number(s and 100 * s["inside"] / s["known"], 0),
            number(s and s["half_smoky"], 1),
            told_colour(f), " ".join(f["doubts"]) or "none",
        ])  # fmt: skip
    return rows_to_table(
        ["clip", "exit across [diameters]", "along [diameters]", "diameter [%]",
         "MAE in its own section [%]", "worst second [%]", "interval holds [%]", "half width [%]",
         "colour told", "doubts"], rows)  # fmt: skip


def by_condition(scored):
    """The same figures for every condition with a few clips."""
    names = sorted({c for r in scored.records for c in r["conditions"]})
    rows = []
    for name in names:
        here = [r for r in scored.records if name in r["conditions"]]
        if len(here) < FEWEST:
            continue
        given = scored.scores(records=here)
        grey, contrast = (scored.scores(method=m, records=here) for m in OBVIOUS)
        refused = sum(bool(r["given"]["refused"]) for r in here)
        smoky = [r for r in here if r["truth"]["colour"] != "none"]
        rows.append([
            name, len(here), refused,
            with_interval(bootstrap(given, mean_of("mae")), 1),
            number(mean_of("mae")(grey)), number(mean_of("mae")(contrast)),
            with_interval(bootstrap(given, share_of_seconds(10)), 0),
            number(ratio_of("inside", "known")(given), 0),
            number(ratio_of("inside_smoky", "smoky")(given), 0),
            number(mean_of("half_smoky")(given)),
            number(share_of(lambda r: told_colour(r["given"]) == r["truth"]["colour"])(smoky), 0),
            number(share_of(lambda r: told_colour(r["given"]) == "open")(smoky), 0),
        ])  # fmt: skip
    return rows_to_table(
        ["condition", "clips", "refused", "MAE [%]", "grey [%]", "contrast [%]",
         "seconds within 10 % [%]", "interval holds [%]", "smoky [%]", "half width [%]",
         "colour right [%]", "left open [%]"], rows)  # fmt: skip


def confusion(scored):
    """What colour was told for what colour there was."""
    columns = (*CLASSES, "open")
    rows = []
    for true in CLASSES:
        told = [told_colour(r["given"]) for r in scored.records if r["truth"]["colour"] == true]
        if told:
            rows.append([true, *(told.count(c) for c in columns)])
    return rows_to_table(["true \\ told", *columns], rows)


def pairs_table(pairs):
    """One line per path-traced pair."""
    rows = []
    for p in pairs:
        if "crashed" in p:
            rows.append([p["clip"], p["crashed"], *[""] * 10])
            continue
        rows.append([
            p["clip"], p["type"], p["light"], p["backdrop"], p["peak"],
            number(p["mae"], 2), number(p["bias"], 2), number(p["grey_mae"]),
            number(p["contrast_mae"]), number(_percent(p["holds"]), 0), number(p["half"]),
            number(_percent(p["unanswered"]), 0), "yes" if p["back_lit"] else "no",
            p["colour_word"],
        ])  # fmt: skip
    return rows_to_table(
        ["pair", "smoke", "light", "backdrop", "peak [%]", "MAE in the plume [%]", "bias [%]",
         "grey [%]", "contrast [%]", "interval holds [%]", "half width [%]", "unanswered [%]",
         "said to be back-lit", "colour told"], rows)  # fmt: skip


def _percent(share):
    return None if share is None else 100 * share


def pairs_pooled(pairs):
    """By light and by backdrop."""
    pairs = [p for p in pairs if "crashed" not in p]
    groups = [("all", pairs)]
    for key in ("light", "backdrop", "type"):
        groups += [(f"{key}: {v}", [p for p in pairs if p[key] == v])
                   for v in sorted({p[key] for p in pairs})]  # fmt: skip
    rows = [
        [name, len(here), *(with_interval(bootstrap(here, mean_of(k)))
                            for k in ("mae", "grey_mae", "contrast_mae")),
         number(_percent(mean_of("holds")(here)), 0),
         f"{sum(p['back_lit'] for p in here)} of {len(here)}"]
        for name, here in groups
    ]  # fmt: skip
    return rows_to_table(
        ["pairs", "number", "MAE in the plume [%]", "grey-level change [%]", "contrast ratio [%]",
         "interval holds [%]", "said to be back-lit"], rows)  # fmt: skip


def real_table(real):
    """One line per real clip or still."""
    rows = []
    for r in real:
        if "crashed" in r:
            rows.append([r["clip"], r["crashed"], *[""] * 6])
        elif r["sort"] in {"clips", "clips_clear", "stills_smoke", "stills_clear"}:
            smoke = _smoke_told(r)
            rows.append([r["clip"], r["visible"], r["truth"], r["colour_word"] + (
                ", open" if r["colour_open"] else ""), smoke, number(r["mean_pct"]),
                r["refused"] or "", " ".join(r["doubts"]) or "none"])  # fmt: skip
    return rows_to_table(
        ["input", "what it shows", "colour there", "colour told", "smoke told",
         "mean opacity [%]", "refused because", "doubts"], rows)  # fmt: skip


def _smoke_told(record):
    timing = record["timing"]
    if record["frames"] == 1:
        return "-"
    if timing["onset_s"] is None:
        return "none seen"
    share = 100 * timing["visible_share"]
    return f"from {timing['onset_s']:.2f} s, {share:.0f} % of the time"


def real_pairs_pooled(real):
    """Sprites and haze pairs by how they were made."""
    made = [r for r in real if "crashed" not in r and r["sort"] in {"haze_pairs", "alpha_sprites"}]
    groups = {
        "sprites in one pale colour, linear": "pale, linear",
        "sprites in one dark colour, linear": "dark, linear",
        "sprites as drawn, linear": "as drawn, linear",
        "sprites as drawn, srgb": "as drawn, srgb",
        "haze pairs": "haze_pairs",
    }
    rows = []
    for words, mark in groups.items():
        here = [r for r in made if mark in r["clip"]]
        if here:
            rows.append([words, len(here),
                         *(with_interval(bootstrap(here, mean_of(k)))
                           for k in ("mae", "grey_mae", "contrast_mae")),
                         number(_percent(mean_of("holds")(here)), 0),
                         number(_percent(mean_of("unanswered")(here)), 0)])  # fmt: skip
    return rows_to_table(
        ["pairs", "number", "MAE in the plume [%]", "grey-level change [%]", "contrast ratio [%]",
         "interval holds [%]", "unanswered [%]"], rows)  # fmt: skip


def real_pairs_table(real):
    """One line per sprite or haze pair of known opacity."""
    rows = [
        [r["clip"], number(r["meant"]), number(r["true_mean"]), number(r["mean"]), number(r["mae"]),
         number(r["grey_mae"]), number(r["contrast_mae"]), number(_percent(r["holds"]), 0),
         number(_percent(r["unanswered"]), 0), number(r["clear_mae"]),
         f"{r['truth']} / {r['colour_word']}",
         r["refused"] or ""]
        for r in real if "crashed" not in r and r["sort"] in {"haze_pairs", "alpha_sprites"}
    ]  # fmt: skip
    return rows_to_table(
        ["pair", "alpha mean [%]", "true mean [%]", "read [%]", "MAE in the plume [%]",
         "grey [%]", "contrast [%]", "interval holds [%]", "unanswered [%]", "error outside [%]",
         "colour there / told",
         "refused because"], rows)  # fmt: skip
