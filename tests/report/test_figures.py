"""The pictures say what they should; how they look is judged by eye."""

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from made_examinations import a_pair, a_refused_examination, an_examination, key_frames
from smokecase.report.figure_style import to_png, to_svg
from smokecase.report.figures import (
    draw_contact_sheet,
    draw_opacity_map,
)
from smokecase.report.timeline import draw_timeline


def texts(figure):
    import matplotlib.text

    return " | ".join(t.get_text() for t in figure.findobj(matplotlib.text.Text))


def test_the_timeline_marks_every_event_and_names_every_curve():
    words = texts(draw_timeline(an_examination()))

    for label in ("engine starts 1.8 s", "first smoke 2.0 s", "peak 2.1 s", "half 3.1 s",
                  "a tenth 5.6 s", "95 % interval", "measuring section", "95th percentile",
                  "light blocked (opacity) [%]", "time in the clip [s]", "no smoke",
                  "no legal smoke test"):  # fmt: skip
        assert label in words


def test_the_timeline_shows_the_readings_themselves():
    whole = an_examination()

    above = draw_timeline(whole).axes[0]

    curve = next(line for line in above.lines if line.get_label() == "measuring section")
    np.testing.assert_allclose(curve.get_ydata(), whole.trace.opacity_pct)


def test_colours_differ_in_pattern_and_not_in_colour_alone():
    below = draw_timeline(an_examination()).axes[1]

    styles = {(c.get_hatch(), tuple(c.get_facecolor()[0])) for c in below.collections}
    assert len(styles) == 4
    assert len({c.get_hatch() or c.get_facecolor()[0].sum() > 2 for c in below.collections}) == 4


def test_a_refused_clip_says_so_in_the_timeline():
    words = texts(draw_timeline(a_refused_examination())).replace("\n", " ")

    assert "No opacity is given: what lies behind the plume is too even" in words


def test_a_single_reading_can_be_drawn():
    assert Image.open(io.BytesIO(to_png(draw_timeline(a_pair())))).size == (1430, 858)


@pytest.mark.parametrize(("count", "size"), [(1, (36, 64)), (3, (36, 64)), (8, (36, 64)),
                                             (7, (64, 36))])  # fmt: skip
def test_every_key_picture_is_shown_with_section_and_caption(count, size):
    whole = replace(an_examination(), key_frames=key_frames(count, *size))

    figure = draw_contact_sheet(whole)

    shown = [axes for axes in figure.axes if axes.images]
    assert len(shown) == count
    assert all(axes.patches and axes.collections for axes in shown)  # square and outline
    assert shown[0].get_title("left") == "0.0 s  densest"
    assert shown[0].get_title("right") == "section 0 % (-6 to 6)"
    assert Image.open(io.BytesIO(to_png(figure))).width > 1400


def test_a_key_picture_without_a_reading_says_why():
    whole = replace(a_refused_examination(), key_frames=key_frames(1, 36, 64))

    figure = draw_contact_sheet(whole)

    shown = next(axes for axes in figure.axes if axes.images)
    assert shown.get_title("right") == "section no reading: too even behind"


def test_the_legend_explains_only_what_is_drawn():
    key = key_frames(1, 36, 64)[0]
    bare = replace(key, plume=np.zeros_like(key.plume), section_px=None, exit_px=None)

    def legend(frame):
        figure = draw_contact_sheet(replace(an_examination(), key_frames=(frame,)))
        return " ".join(text.get_text() for text in figure.texts)

    assert "solid line: outline of the plume     dashed square: measuring section" in legend(key)
    assert "cross: end of the pipe" in legend(key)
    assert not {"solid", "dashed", "cross:"} & set(legend(bare).split())


def test_a_sheet_that_is_printed_small_has_larger_letters():
    whole = replace(an_examination(), key_frames=key_frames(3, 36, 64))

    plain, large = (draw_contact_sheet(whole, letters=x) for x in (1.0, 1.6))

    assert large.get_size_inches()[0] == plain.get_size_inches()[0]
    assert plain.axes[0].get_title("right") == "section 0 % (-6 to 6)"
    # beside one another they would run into each other
    assert large.axes[0].get_title("right") == ""
    assert "0 % (-6 to 6)" in [text.get_text() for text in large.axes[0].texts]
    assert large.texts[1].get_fontsize() == pytest.approx(1.6 * plain.texts[1].get_fontsize())


def test_without_key_pictures_there_is_no_sheet():
    assert draw_contact_sheet(replace(an_examination(), key_frames=())) is None


def test_the_opacity_map_shows_value_and_interval():
    figure = draw_opacity_map(a_pair())

    left, right = (axes.images[0].get_array() for axes in figure.axes[:2])
    assert left.mask[:4].all()  # not measurable
    np.testing.assert_allclose(right[10], 4.0, rtol=1e-4)  # half of the interval
    assert draw_opacity_map(an_examination()) is None


def test_the_same_examination_gives_the_same_bytes():
    once, again = (draw_timeline(an_examination()) for _ in range(2))

    assert to_png(once) == to_png(again)
    assert to_svg(once) == to_svg(again)
