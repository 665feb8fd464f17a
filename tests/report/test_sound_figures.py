"""The pictures of a sound show what they should; how they look is judged by eye."""

import numpy as np
import pytest
from scipy.signal import resample_poly

from made_engines import as_track
from smokecase.demo.engine_note import Engine, engine_note
from smokecase.report.sound_figures import draw_orders, draw_spectrogram
from smokecase.sound.listening import listen_to


def heard(**more):
    note = engine_note(Engine(**more), seed=2)
    faint = 0.02 * np.random.default_rng(2).normal(size=len(note.sound))
    return listen_to(as_track(0.1 * resample_poly(note.sound + faint, 80, 441)), cylinders=4)


@pytest.fixture(scope="module")
def pair():
    late = heard(crank_s=3.0, fires_s=4.4, runs_s=4.5, weak={0: 0.2})
    return [("suspect: a.wav", late), ("healthy: b.wav", heard())]


def test_two_spectrograms_share_a_clock_that_begins_with_the_first_firing(pair):
    axes = draw_spectrogram(pair).axes

    assert [a.get_title(loc="left") for a in axes] == ["suspect: a.wav", "healthy: b.wav"]
    assert axes[-1].get_xlabel() == "seconds from the first firing"
    for a, (_, one) in zip(axes, pair, strict=True):
        dashed = [line.get_xdata()[0] for line in a.lines if line.get_linestyle() == "--"]
        lead_s = one.reading.cranking_starts_s - one.reading.first_firing_s
        assert dashed == pytest.approx([lead_s, 0.0])
        line = next(line for line in a.lines if line.get_label() == "firing frequency")
        assert np.nanmedian(line.get_ydata()) == pytest.approx(
            one.reading.firing_hz.value, rel=0.02
        )
        assert np.nanmin(line.get_xdata()) >= 0.0  # before it fires, what repeats is the starter


def test_the_order_plot_marks_firing_harmonics_and_the_rest_apart(pair):
    suspect, healthy = draw_orders(pair).axes

    def marks(axes, marker):
        return {
            round(float(line.get_xdata()[0])): float(line.get_ydata()[0])
            for line in axes.lines
            if line.get_marker() == marker and len(line.get_xdata())
        }

    assert set(marks(suspect, "o")) == {4, 8, 12, 16, 20, 24}
    assert all(order % 4 for order in marks(suspect, "v"))
    # half way between two firing harmonics the weak cylinder stands out, the even ones do not
    assert marks(suspect, "v")[6] > marks(healthy, "v")[6] + 10
    assert suspect.get_xlabel() == ""
    assert healthy.get_xlabel() == "order: times per engine cycle"


def test_without_a_speed_there_is_no_order_plot_and_without_sound_no_spectrogram():
    rng = np.random.default_rng(1)
    noise = listen_to(as_track(0.1 * rng.normal(size=8 * 8000)))

    assert draw_orders([("noise", noise)]) is None
    assert draw_spectrogram([("noise", noise)]).axes[0].get_xlabel() == "seconds of the clip"
    with pytest.raises(ValueError, match="a spectrogram needs sound"):
        draw_spectrogram([("none", listen_to(None))])
