"""What looks clear and is not."""

import numpy as np

from smokecase.plume.clear_air import clearer_than_clear


def test_frames_surely_below_zero_show_that_the_clear_view_was_smoky():
    rng = np.random.default_rng(2)
    high = 5.0 + rng.normal(0, 2.0, 200)  # clear air, its bound near 5 %
    smoky_plate = high.copy()
    smoky_plate[::8] -= 25.0  # gaps between puffs

    assert clearer_than_clear(smoky_plate)
    assert not clearer_than_clear(high)
    assert not clearer_than_clear(np.full(200, np.nan))
