"""Where white comes from: the backdrop's paper, what the user marks, or a guess."""

import numpy as np
import pytest

from smokecase.behind import choose_white


def test_a_marked_white_is_less_doubtful_than_a_guess_and_carries_the_tint():
    plate = np.full((90, 120, 3), 0.15, np.float32)
    plate[30:51, 40:61] = (0.6, 0.5, 0.4)
    blown = np.zeros((90, 120), bool)

    guessed, u_guessed = choose_white(plate, blown, None, None)
    marked, u_marked = choose_white(plate, blown, None, (40, 30, 60, 50))

    assert u_marked < u_guessed
    assert np.ptp(guessed) == 0
    assert marked[0] / marked[2] == pytest.approx(1.5)
