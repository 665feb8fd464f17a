"""What looks clear and is not."""

import numpy as np

from smokecase.plume.clear_air import clearer_than_clear, unseen_pct


def test_frames_surely_below_zero_show_that_the_clear_view_was_smoky():
    rng = np.random.default_rng(2)
    high = 5.0 + rng.normal(0, 2.0, 200)  # clear air, its bound near 5 %
    smoky_plate = high.copy()
    smoky_plate[::8] -= 25.0  # gaps between puffs

    nothing = np.zeros(200)
    assert clearer_than_clear(nothing, smoky_plate)
    assert not clearer_than_clear(nothing, high)
    assert not clearer_than_clear(np.full(200, np.nan), np.full(200, np.nan))


def test_readings_far_below_nothing_show_it_even_where_none_is_sure():
    clear = np.random.default_rng(3).normal(0.0, 1.5, 200)
    smoky_plate = clear - 20.0 * (np.arange(200) % 5 == 0)

    assert clearer_than_clear(smoky_plate, smoky_plate + 1.96 * 12.0)
    assert not clearer_than_clear(clear, clear + 1.96 * 12.0)


def test_readings_far_below_nothing_show_nothing_where_the_veil_is_in_doubt():
    thin_smoke = np.random.default_rng(3).normal(-8.0, 1.5, 200)  # its veil taken for the wrong one

    assert not clearer_than_clear(thin_smoke, thin_smoke + 1.96 * 15.0)


def test_before_a_wall_without_texture_any_smoke_of_its_colour_could_hide():
    rng = np.random.default_rng(4)
    smooth = np.full((180, 320, 3), 0.3) * np.linspace(0.9, 1.1, 320)[:, None]
    rough = smooth * rng.normal(1.0, 0.1, (180, 320, 1))
    section = (100.0, 60.0, 140.0, 100.0)

    assert unseen_pct(smooth.astype(np.float32), section) == np.inf
    assert unseen_pct(rough.astype(np.float32), section) <= 10.0
