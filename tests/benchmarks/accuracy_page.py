"""Writes the accuracy page and its two plots."""

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from tests.benchmarks import accuracy_tables as tables
from tests.benchmarks.clip_scores import column, score
from tests.benchmarks.tally import bootstrap, mean_of

INK, OURS, GREY, CONTRAST = "#222222", "#1f5fa8", "#9a9a9a", "#c46a12"
ABOUT = """# How well smokecase measures

Every figure here comes from one command, run from the top of the clone:

    python -m tests.benchmarks.accuracy --practice DIR --pathtraced DIR --real DIR --set DIR

Opacity is in percent of the light blocked at the measuring section (mean over the square from 0.4
to 1.5 pipe diameters beyond the exit). All clips are computed pictures of invented scenes whose
truth is known exactly, save where "real" is said. Figures in brackets are 95 % bootstrap intervals
over whole clips; with ten clips they are wide, and differences inside them mean nothing.
A camera reading is screening evidence, never a legal smoke test.

Both obvious methods run on the same frames, the same clear frames and the **true** section, moved
with the true shake of the camera, and are compared where smokecase answered: *grey-level change* is
background subtraction (how far each grey level went towards black or white, mean over the box),
*contrast ratio* is one minus the spread of grey levels in the box over its spread on the clear
frames.
"""

OWN = """\
Clips of the project's own renderer (`python -m smokecase.demo.sets`), over wide ranges of scenes,
phones, light and smoke, far harder than the practice clips. {unfit} of them cannot be measured
(smoke from the first frame, blown out, too dark, ...) and should be refused. The bars are those of
the practice clips."""
PAIRS = """\
Multiple scattering, light thrown towards the camera and the plume's own shadow are in these
pictures. Error of the opacity map inside the plume (true opacity over 2 %); the obvious methods
per pixel, contrast in a window of 15 pixels. Bars: mean absolute error at most 4 % where the
backdrop has texture, and the doubt `back_lit` with the sun behind the plume."""
KNOWN = """\
Pairs of known opacity: sprites laid over photographs with their own alpha, as drawn (some have
colour equal to alpha, which no smoke does) or in one pale or dark colour. *linear*: composed in
linear light, where alpha is the true opacity. *srgb*, and the haze pairs: composed in code values
as picture programs do; what such a picture blocks in linear light was worked out per pixel and is
the truth here, beside the alpha that its maker meant."""


def write_page(out, *, parts, pairs, real, fingerprint, note=""):
    """Write accuracy.md and its plots to a folder; returns the page's path.

    `note` are words for the page's head: which sets were seen before the code was done, and which
    not.
    """
    out.mkdir(parents=True, exist_ok=True)
    lines = [ABOUT, f"Fingerprint of the measuring code: `{fingerprint}`.", ""]
    lines += [note, ""] if note else []
    for name, records in parts.items():
        scored = tables.Scored(records)
        lines += _part(name, scored)
        if name == "practice" and scored.records:
            _draw_traces(scored.records, out / "accuracy_traces.png")
            lines += ["", "![readings and truth over time](accuracy_traces.png)", ""]
    everything = [r for records in parts.values() for r in records if "crashed" not in r]
    if everything:
        _draw_seconds(everything, out / "accuracy_seconds.png")
        lines += [
            "", "## One-second means of all clips", "",
            "![one-second means by three methods](accuracy_seconds.png)", "",
        ]  # fmt: skip
    lines += _pairs(pairs)
    if real:
        lines += _real(real)
    page = out / "accuracy.md"
    page.write_text("\n".join(lines).rstrip() + "\n", encoding="utf-8")
    return page


def _part(name, scored):
    title = "Practice clips" if name == "practice" else f"Set {name}"
    lines = ["", f"## {title}: {len(scored.records)} clips, {len(scored.smoky)} with smoke", ""]
    if name != "practice":
        lines += [OWN.format(unfit=len(scored.unmeasurable)), ""]
    lines += tables.headline(scored)
    if len(scored.records) <= 12:
        lines += ["", "With exit and diameter given:", "", *tables.per_clip(scored)]
        if any("itself" in r for r in scored.records):
            lines += [
                "",
                "Without being told where the pipe is:",
                "",
                *tables.per_clip_itself(scored),
            ]
    else:
        lines += ["", "By condition, exit and diameter given:", "", *tables.by_condition(scored)]
        bad = tables.worst_clips(scored)
        if bad:
            lines += ["", "Read worst (over 5 % off), and smoke claimed where there is none:", ""]
            lines += tables.per_clip(scored, bad)
        if scored.crashed:
            lines += ["", f"Crashed: {', '.join(r['clip'] for r in scored.crashed)}."]
    return [*lines, "", "Colour:", "", *tables.confusion(scored), ""]


def _pairs(pairs):
    return [
        "", f"## Path-traced pairs: {len(pairs)}", "",
        PAIRS, "",
        *tables.pairs_pooled(pairs), "", *tables.pairs_table(pairs), "",
    ]  # fmt: skip


def _real(real):
    return [
        "", "## Real pictures and clips", "",
        "What each got right and wrong, looked at one by one: [real_inputs.md](real_inputs.md).",
        "", *tables.real_table(real), "",
        KNOWN, "",
        *tables.real_pairs_pooled(real), "", *tables.real_pairs_table(real), "",
    ]  # fmt: skip


def _draw_traces(records, path):
    rows = (len(records) + 1) // 2
    figure = Figure(figsize=(11, 2.2 * rows + 0.6), layout="constrained")
    FigureCanvasAgg(figure)
    axes = np.atleast_1d(figure.subplots(rows, 2, squeeze=False)).ravel()
    for axis in axes[len(records) :]:
        axis.set_visible(False)
    for axis, record in zip(axes, records, strict=False):
        g = record["given"]
        t = column(g, "time_s")
        high = np.minimum(column(g, "high"), 130)
        axis.fill_between(t, column(g, "low"), high, color=OURS, alpha=0.2, lw=0)
        axis.plot(t, column(g, "grey"), color=GREY, lw=0.8, label="grey-level change")
        axis.plot(t, column(g, "contrast"), color=CONTRAST, lw=0.8, label="contrast ratio")
        axis.plot(t, column(g, "opacity"), color=OURS, lw=1.2, label="smokecase, 95 % interval")
        axis.plot(t, column(g, "true"), color=INK, lw=1.2, ls="--", label="truth")
        axis.set_ylim(-15, 105)
        axis.set_xlim(t[0], t[-1])
        s = score(g, record["truth"])
        told = "refused" if g["refused"] else f"off by {s['mae']:.1f} % on average" if s else ""
        axis.set_title(
            f"{record['clip']}, {record['truth']['kind']}: {told}", fontsize=9, loc="left"
        )
        axis.tick_params(labelsize=8)
        axis.spines[["top", "right"]].set_visible(False)
    for axis in axes[::2]:
        axis.set_ylabel("opacity [%]", fontsize=8)
    for axis in axes[max(0, len(records) - 2) : len(records)]:
        axis.set_xlabel("time [s]", fontsize=8)
    handles, labels = axes[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside upper center", ncols=4, fontsize=9, frameon=False)
    figure.savefig(path, dpi=80)


def _draw_seconds(records, path):
    figure = Figure(figsize=(11, 4), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots(1, 3, sharex=True, sharey=True)
    names = {"opacity": "smokecase", "grey": "grey-level change", "contrast": "contrast ratio"}
    colours = {"black": INK, "blue": OURS, "white": CONTRAST, "none": "#bbbbbb"}
    answered = [r for r in records if r["given"]["refused"] is None]
    for axis, (method, words) in zip(axes, names.items(), strict=True):
        axis.fill_between([-5, 105], [-20, 90], [10, 120], color="#dddddd", alpha=0.6, lw=0)
        axis.plot([0, 100], [0, 100], color=INK, lw=0.8)
        for kind, colour in colours.items():
            points = [_seconds(r["given"], method) for r in answered
                      if r["truth"]["colour"] == kind]  # fmt: skip
            if points:
                true, read = np.concatenate(points).T
                label = "no smoke" if kind == "none" else kind
                axis.plot(true, read, ".", ms=4, color=colour, alpha=0.7, label=label)
        scores = [s for s in (score(r["given"], r["truth"], method) for r in answered) if s]
        pooled = tables.with_interval(bootstrap(scores, mean_of("mae")))
        axis.set_title(f"{words}: {pooled} % off", fontsize=10)
        axis.set_xlabel("true opacity, one-second mean [%]", fontsize=9)
        axis.set_xlim(-5, 100)
        axis.set_ylim(-30, 110)
        axis.tick_params(labelsize=8)
        axis.spines[["top", "right"]].set_visible(False)
    axes[0].set_ylabel("read [%]; grey band: 15 % either side", fontsize=9)
    axes[0].legend(fontsize=8, frameon=False, loc="upper left")
    figure.savefig(path, dpi=80)


def _seconds(record, method):
    true, read = column(record, "true"), column(record, method)
    second = np.floor(column(record, "time_s"))
    known = np.isfinite(read) & np.isfinite(column(record, "opacity"))
    return np.array([(true[here].mean(), read[here].mean()) for s in np.unique(second)
                     if (here := known & (second == s)).sum() >= 5]).reshape(-1, 2)  # fmt: skip
