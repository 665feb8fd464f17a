"""Pictures and page of the colour model: reliability, confusion, figures per condition."""

import matplotlib as mpl
import numpy as np

from smokecase.plume.colour_model import COLOURS, FIRST

mpl.use("Agg")
import matplotlib.pyplot as plt

INK, PALE = "#22313a", "#d7dde0"
MARKS = ("o", "s", "^", "D", "v")
INKS = (INK, "#0b5c52", "#c06a1a", "#5b6bb0", "#8a4f7d")
PLOTTED = 12  # smokes from which a set is drawn among the others


def _told(model, features, shares):
    p = model.classes(features)
    told = (p @ model.shares).argmax(axis=1)
    sure = (p @ FIRST)[np.arange(len(told)), told]
    return told, sure, shares.argmax(axis=1)


def draw_reliability(path, model, sets):
    """Draw how often the colour with most weight is right, by the chance that was given for it."""
    figure, axes = plt.subplots(figsize=(6.4, 5.2), dpi=120)
    axes.plot([0.3, 1], [0.3, 1], color=PALE, linewidth=2, label="as it should be")
    axes.axvline(model.named_from, color=INK, linestyle=":", linewidth=1.2,
                 label=f"named from {model.named_from:.2f}")  # fmt: skip
    for (name, (features, shares)), mark, colour in zip(sets.items(), MARKS, INKS, strict=False):
        if len(shares) < PLOTTED:
            continue
        told, sure, true = _told(model, features, shares)
        bins = np.array_split(np.argsort(sure), 10 if len(sure) > 1000 else 3)
        x = [sure[b].mean() for b in bins]
        y = np.array([(told[b] == true[b]).mean() for b in bins])
        n = np.array([len(b) for b in bins])
        low, high = _wilson(y, n)
        axes.errorbar(x, y, yerr=[y - low, high - y], marker=mark, color=colour, linewidth=1.2,
                      capsize=3, label=f"{name} ({len(sure)})")  # fmt: skip
    axes.set(xlim=(0.3, 1.02), ylim=(0, 1.03), xlabel="chance given for the colour named first",
             ylabel="share that was right (95 % interval)")  # fmt: skip
    axes.legend(loc="lower right", fontsize=8, facecolor="white", edgecolor="none", framealpha=1)
    axes.spines[["top", "right"]].set_visible(False)
    figure.tight_layout()
    figure.savefig(path)
    plt.close(figure)


def _wilson(share, n):
    """95 % interval of a share (Wilson 1927, J. Am. Stat. Assoc. 22, 209)."""
    z2 = 1.96**2
    middle = (share + z2 / (2 * n)) / (1 + z2 / n)
    half = 1.96 * np.sqrt(share * (1 - share) / n + z2 / (4 * n**2)) / (1 + z2 / n)
    return np.minimum(middle - half, share), np.maximum(middle + half, share)


def draw_confusion(path, model, sets):
    """Draw what was told for what there was, one table per set."""
    figure, panels = plt.subplots(1, len(sets), figsize=(4.1 * len(sets), 3.7), dpi=110)
    columns = [*COLOURS, "left open"]
    for axes, (name, (features, shares)) in zip(np.atleast_1d(panels), sets.items(), strict=True):
        table = np.zeros((3, 4))
        if len(shares):
            told, sure, true = _told(model, features, shares)
            told = np.where(sure >= model.named_from, told, 3)
            np.add.at(table, (true, told), 1)
        share = table / np.maximum(table.sum(axis=1, keepdims=True), 1)
        axes.imshow(share, cmap="BuGn", vmin=0, vmax=1.2)
        for i in range(3):
            for j in range(4):
                ink = "white" if share[i, j] > 0.8 else INK
                axes.text(j, i, f"{100 * share[i, j]:.0f} %\n({table[i, j]:.0f})", ha="center",
                          va="center", color=ink, fontsize=9)  # fmt: skip
        axes.set_xticks(range(4), columns, fontsize=9)
        axes.set_yticks(range(3), COLOURS, fontsize=9)
        axes.set_xlabel("told")
        axes.set_ylabel("largest part in truth")
        axes.set_title(name, fontsize=9.5)
    figure.tight_layout()
    figure.savefig(path)
    plt.close(figure)


def _percent(share):
    return "-" if share is None else f"{100 * share:.0f}"


def write_page(path, card):
    """Write the figures as a page."""
    head = ["smokes", "named [%]", "right of named [%]", "right of all, named or not [%]",
            "calibration error", "weights off, mean"]  # fmt: skip

    def row(name, f):
        error = "-" if f["calibration_error"] is None else f"{f['calibration_error']:.3f}"
        return (
            f"| {name} | {f['smokes']} | {_percent(f['named'])} | {_percent(f['right_of_named'])} "
            f"| {_percent(f['right_of_all'])} | {error} | {f['weights_off']:.2f} |"
        )

    rule = "| --- " * (len(head) + 1) + "|"
    lines = [
        "# How well the colour is told", "",
        f"Made by `{card['made_by']}`; the model's card is `models/colour_model.json`. Every clip",
        "here is a computed picture of an invented scene whose smoke is known exactly. A colour is",
        f"named where its chance to be the largest part is at least {card['named_from']:.2f}, and",
        "left open elsewhere. A camera reading is screening evidence.", "",
        f"| set | {' | '.join(head)} |", rule,
        *(row(n, f) for n, f in card["figures"].items()), "",
        "![reliability](colour_reliability.png)", "", "![confusion](colour_confusion.png)", "",
        "## By condition (all measured clips; few each, so the figures are rough)", "",
        f"| condition | {' | '.join(head)} |", rule,
        *(row(n, f) for n, f in card["figures_by_condition"].items()), "",
        "## Limits", "", *(f"- {line}" for line in card["limits"]), "",
    ]  # fmt: skip
    path.write_text("\n".join(lines), encoding="utf-8")
