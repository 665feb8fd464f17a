"""Draws what was heard: a spectrogram with the beat, and the lines at orders of the cycle."""

from typing import TYPE_CHECKING

import numpy as np

from smokecase.report.figure_style import FAINT, INK, MARK, OPACITY, PAPER, PLUME, SETTINGS
from smokecase.sound.listening import Heard

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

TOP_HZ = 400.0
UNHEARD_S = 0.6  # the line of the firing frequency breaks where it was not heard for so long
LOWEST_DB = -55.0  # of the order plot


def draw_spectrogram(sounds: list[tuple[str, Heard]]) -> "Figure":
    """Spectrogram of each sound under the other, aligned on the first firing where both have one.

    Parameters
    ----------
    sounds : list of (name, Heard)
        One or two; each must have its sound.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure
    from matplotlib.ticker import MaxNLocator

    aligned = len(sounds) > 1 and all(h.reading.first_firing_s is not None for _, h in sounds)
    with mpl.rc_context(SETTINGS):
        figure = Figure(figsize=(11, 1.2 + 3.1 * len(sounds)), facecolor=PAPER)
        grid = figure.subplots(
            len(sounds), 1, sharex=True, squeeze=False,
            gridspec_kw={"left": 0.07, "right": 0.97, "hspace": 0.32,
                         "top": 1 - 0.75 / (1.2 + 3.1 * len(sounds)),
                         "bottom": 0.55 / (1.2 + 3.1 * len(sounds))},
        )  # fmt: skip
        for axes, (name, heard) in zip(grid[:, 0], sounds, strict=True):
            zero_s = (heard.reading.first_firing_s or 0.0) if aligned else 0.0
            _spectrogram(axes, heard, zero_s)
            axes.set_title(name, loc="left", fontsize=10.5, color=INK)
        _explain(grid[0, 0], 1)
        grid[-1, 0].xaxis.set_major_locator(MaxNLocator(nbins=12, integer=True))
        grid[-1, 0].set_xlabel(
            "seconds from the first firing" if aligned else "seconds of the clip"
        )
        figure.text(0.07, 1 - 0.35 / (1.2 + 3.1 * len(sounds)), "What was heard", fontsize=14,
                    weight="bold")  # fmt: skip
    return figure


def _spectrogram(axes: "Axes", heard: Heard, zero_s: float) -> None:
    from scipy.signal import spectrogram

    sound = heard.sound
    if sound is None:
        msg = "a spectrogram needs sound"
        raise ValueError(msg)
    size = round(0.2 * sound.rate_hz)
    frequency, time_s, power = spectrogram(
        sound.samples, sound.rate_hz, nperseg=size, noverlap=int(0.85 * size), nfft=2 * size
    )
    keep = frequency <= TOP_HZ
    level = 10 * np.log10(power[keep] + 1e-14)
    top = float(np.quantile(level, 0.998))
    shift = sound.begins_s - zero_s
    axes.pcolormesh(
        time_s + shift, frequency[keep], level, vmin=top - 55, vmax=top, cmap="bone_r",
        rasterized=True, shading="nearest",
    )  # fmt: skip
    axes.set_ylabel("frequency [1/s]")
    axes.set_ylim(0, TOP_HZ)
    axes.set_xlim(float(shift), float(shift + sound.duration_s))
    if heard.reading.firing_hz and heard.reading.idle_speed:
        at = np.array(heard.reading.speed_time_s) - zero_s
        per_turn = heard.reading.firing_hz.value / heard.reading.idle_speed.value
        firing = np.array(heard.reading.speed_per_min) * per_turn
        firing[1:][np.diff(at) > UNHEARD_S] = np.nan
        axes.plot(at, firing, color=PLUME, lw=1.8, label="firing frequency")
    marks = (
        (heard.reading.cranking_starts_s, "starter", "right"),
        (heard.reading.first_firing_s, "fires", "left"),
    )
    for when, word, side in marks:
        if when is not None:
            axes.axvline(when - zero_s, color=MARK, lw=1.2, ls="--")
            axes.annotate(
                word, (when - zero_s, TOP_HZ), xytext=(4 if side == "left" else -4, -11),
                textcoords="offset points", ha=side, color=MARK, fontsize=9,
                bbox={"facecolor": PAPER, "edgecolor": "none", "alpha": 0.8, "pad": 1.0},
            )  # fmt: skip


def _explain(axes: "Axes", columns: int) -> None:
    """Say above the panel what its marks mean, so that nothing is covered."""
    if axes.get_legend_handles_labels()[0]:
        axes.legend(
            loc="lower right", bbox_to_anchor=(1.0, 0.99), ncols=columns, frameon=False,
            fontsize=8.5, borderaxespad=0.2,
        )  # fmt: skip


def draw_orders(sounds: list[tuple[str, Heard]]) -> "Figure | None":
    """Lines at orders of the engine cycle; None where no sound had a speed."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    shown = [(name, h) for name, h in sounds if h.spectra and h.best]
    if not shown:
        return None
    with mpl.rc_context(SETTINGS):
        height = 1.3 + 2.8 * len(shown)
        figure = Figure(figsize=(11, height), facecolor=PAPER)
        grid = figure.subplots(
            len(shown), 1, squeeze=False,
            gridspec_kw={"left": 0.07, "right": 0.97, "hspace": 0.35, "top": 1 - 0.8 / height,
                         "bottom": 0.6 / height},
        )  # fmt: skip
        for axes, (name, heard) in zip(grid[:, 0], shown, strict=True):
            _orders(axes, heard)
            axes.set_title(name, loc="left", fontsize=10.5, color=INK)
        _explain(grid[0, 0], 2)
        grid[-1, 0].set_xlabel("order: times per engine cycle")
        figure.text(0.07, 1 - 0.36 / height, "Evenness: firing harmonics against the rest",
                    fontsize=14, weight="bold")  # fmt: skip
    return figure


def _orders(axes: "Axes", heard: Heard) -> None:
    if heard.spectra is None or heard.best is None:
        msg = "an order plot needs a speed"
        raise ValueError(msg)
    spectrum, best = heard.spectra[0], heard.best
    order = spectrum.order * best.cylinders / best.ratio
    level = 10 * np.log10(spectrum.power + 1e-14)
    keep = (order > 0.3) & (order < 6.5 * best.cylinders)
    level = level - float(level[keep].max())
    floor = float(np.quantile(level[keep], 0.05)) - 2
    axes.fill_between(order[keep], floor, level[keep], color=FAINT, alpha=0.45, lw=0)
    axes.plot(order[keep], level[keep], color=INK, lw=0.7)
    for k in range(1, int(6.5 * best.cylinders)):
        near = np.abs(order - k) < 0.2
        if not near.any() or not keep[near].all():
            continue
        firing = k % best.cylinders == 0
        axes.plot(k, level[near].max(), "o" if firing else "v", ms=7 if firing else 4.5,
                  color=OPACITY if firing else PLUME)  # fmt: skip
    axes.plot([], [], "o", color=OPACITY, ms=7, label="firing harmonics")
    if best.cylinders > 1:
        axes.plot(
            [], [], "v", color=PLUME, ms=4.5, label="other orders: high where firing is uneven"
        )
    axes.set_ylabel("below the strongest [dB]")
    axes.set_xlim(0, 6.5 * best.cylinders)
    axes.set_xticks(np.arange(0, 6.5 * best.cylinders, best.cylinders))
    axes.set_ylim(max(floor, LOWEST_DB), 4)
