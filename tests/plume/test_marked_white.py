"""White that the user marks: a white thing in the yard, or the sky."""

import numpy as np
import pytest

from smokecase.plume.marked_white import U_LN_MARKED, marked_white

CARD = np.array([0.66, 0.6, 0.5])  # light of a perfect card in warm light
BOX = (40, 30, 60, 50)


def yard(thing):
    plate = np.full((90, 120, 3), 0.15, np.float32) * np.array([1.1, 1.0, 0.83], np.float32)
    plate[30:51, 40:61] = thing
    return plate, np.zeros((90, 120), bool)


@pytest.mark.parametrize("share", [0.75, 0.85, 0.92])  # common white paints; no source
def test_a_white_wall_gives_white_within_two_sigma(share):
    white = marked_white(*yard(share * CARD), BOX)

    assert np.all(np.abs(np.log(white / CARD)) < 2 * U_LN_MARKED)


def test_an_even_sky_gives_white_within_two_sigma():
    # an upright card under an even sky, ground black to a fifth: it takes half of the sky's
    # light, and up to a tenth from the ground (view factors of a vertical plane, geometry)
    for share in (0.5, 0.6):
        white = marked_white(*yard(CARD / share), BOX)

        assert np.all(np.abs(np.log(white / CARD)) < 2 * U_LN_MARKED)


def test_the_tint_of_the_light_is_that_of_the_white_thing():
    white = marked_white(*yard(0.8 * CARD), BOX)

    assert white / white[1] == pytest.approx(CARD / CARD[1], rel=1e-3)


def test_blown_out_pixels_are_left_out():
    plate, blown = yard(0.8 * CARD)
    plate[30:38, 40:61], blown[30:38, 40:61] = 1.0, True

    assert marked_white(plate, blown, BOX) == pytest.approx(0.9 * 0.8 * CARD, rel=1e-3)


def test_what_cannot_be_white_is_refused():
    plate, blown = yard(0.8 * CARD)

    with pytest.raises(ValueError, match="too few pixels"):
        marked_white(plate, blown, (500, 30, 560, 50))
    with pytest.raises(ValueError, match="darker than half"):
        marked_white(*yard(0.01 * CARD), BOX)
    blown[:] = True
    with pytest.raises(ValueError, match="blown-out"):
        marked_white(plate, blown, BOX)
