"""Draws pairs side by side: as filmed and as advised, with what was read and what was true."""

import json
import textwrap

import av
import numpy as np
from tests.benchmarks.advice_kinds import FAULTS, FOLLOWED
from tests.benchmarks.advice_verdict import pairs_with, verdict

# fault, advice followed, and whether it helped: the first yard with this outcome is shown
SHOWN = (
    ("wall", "veil_like_plate", True), ("night", "too_dark", True),
    ("blown out", "saturated", True), ("zooming", "shaky", True),
    ("hidden", "exit_not_found", False), ("late", "back_lit", False),
)  # fmt: skip
WIDE = 58  # characters beside one another under a picture
INK, QUIET, GOOD, BAD, BOX = "#1d2329", "#5a6570", "#1f6f43", "#a03020", "#ffd23f"


def draw_pairs(yards, clips, path):
    """Draw a handful of pairs, those that did not help among them."""
    import matplotlib as mpl

    mpl.use("Agg")
    import matplotlib.pyplot as plt

    shown = [p for p in (_first(yards, *words) for words in SHOWN) if p]
    size = (9.6, 3.7 * len(shown))  # inches
    figure, axes = plt.subplots(len(shown), 2, figsize=size, dpi=84, squeeze=False)
    # room for two lines of title and three of words, whatever they say
    figure.subplots_adjust(left=0.01, right=0.99, bottom=0.04, top=0.97, wspace=0.04, hspace=0.42)
    for row, (fault, name, before, after) in zip(axes, shown, strict=True):
        _one(row[0], clips, before, f"Someone {FAULTS[fault][0]}")
        _one(row[1], clips, after, f"As advised: {FOLLOWED[name][0]}")
    figure.savefig(path, facecolor="white", pil_kwargs={"optimize": True})
    plt.close(figure)


def _first(yards, fault, name, helped):
    """Give the first pair of a fault and an advice with this outcome."""
    for yard, before, after in pairs_with(yards, name):
        kept = verdict(name, before, after) == "helped"
        if yard["fault"] == fault and kept == helped:
            return fault, name, before, after
    return None


def _one(axis, clips, found, title):
    """Show a clip at its densest moment, the box that was read, and the reading under it."""
    plain = json.loads((clips / f"{found['clip']}.truth.json").read_text())
    per_frame = {k: np.array(v) for k, v in plain["per_frame"].items() if v is not None}
    densest = int(np.argmax(per_frame["opacity_near_pipe"]))
    picture = _frame(clips / plain["file"], densest)
    axis.imshow(picture)
    if found["section_px"]:
        # the box is that of the first picture; the scene has moved in the picture since
        dx, dy = (per_frame[k][densest] - per_frame[k][0] for k in ("exit_x", "exit_y"))
        x0, y0, x1, y1 = np.array(found["section_px"]) + np.array([dx, dy, dx, dy])
        for ink, width in (("black", 2.6), (BOX, 1.3)):
            axis.plot([x0, x1, x1, x0, x0], [y0, y0, y1, y1, y0], color=ink, linewidth=width)
    axis.set_xlim(-0.5, picture.shape[1] - 0.5)
    axis.set_ylim(picture.shape[0] - 0.5, -0.5)
    axis.set_axis_off()
    axis.set_title(textwrap.fill(title, WIDE), fontsize=10, color=INK, loc="left")
    reading, ink = _reading(found)
    words = textwrap.fill(reading, WIDE)
    below = -0.03 - 0.07 * len(words.splitlines())
    axis.text(0, -0.03, words, transform=axis.transAxes, fontsize=9.5, color=ink, va="top")
    axis.text(
        0, below, _colour(found), transform=axis.transAxes, fontsize=9.5, color=QUIET, va="top"
    )


def _reading(found):
    """Words under a picture, and their colour: red where there is no reading or a wrong one."""
    if found["error"] is None:
        return f"No reading: {found['refused'] or 'no smoke seen'}", BAD
    true = f"true {found['true']:.0f} %"
    if found["low"] is None:
        return f"Read {found['mean']:.0f} % opacity (open to one side); {true}", BAD
    low, high = (min(max(found[k], 0.0), 100.0) for k in ("low", "high"))  # as shown
    words = f"Read {max(found['mean'], 0.0):.0f} % opacity ({low:.0f} to {high:.0f} %); {true}"
    return words, GOOD if low <= found["true"] <= high else BAD


def _colour(found):
    told = {"open": "left open", "none": "no smoke"}.get(found["colour"], found["colour"])
    return f"Colour: {told}; true {found['true_colour']}"


def _frame(path, which):
    with av.open(str(path)) as file:
        for i, frame in enumerate(file.decode(video=0)):
            if i == which:
                return frame.to_ndarray(format="rgb24")
    msg = f"{path.name} has no frame {which}"
    raise ValueError(msg)
