"""A checker without markers found in invented pictures."""

import numpy as np
from numpy.testing import assert_allclose

from smokecase.plume.plain_board import find_checker


def wall(seed=1, shape=(360, 480)):
    rng = np.random.default_rng(seed)
    return (0.35 + 0.03 * rng.normal(size=(*shape, 1)) * np.ones(3)).astype(np.float32)


def with_checker(light, cell=18, rows=8, columns=6, at=(150, 90)):
    light = light.copy()
    for row in range(rows):
        for column in range(columns):
            x, y = at[0] + column * cell, at[1] + row * cell
            light[y : y + cell, x : x + cell] = 0.8 if (row + column) % 2 else 0.04
    return light


def test_a_checker_is_found_where_it_hangs():
    box = find_checker(with_checker(wall()))

    # a quarter of a cell: outlines run through pixel centres and corners are rounded
    assert_allclose(box, (150, 90, 150 + 6 * 18, 90 + 8 * 18), atol=5)


def test_a_pipe_before_the_checker_does_not_stretch_the_box():
    light = with_checker(wall())
    light[150:170, 250:400] = 0.05

    box = find_checker(light)

    assert box[2] < 150 + 6 * 18 + 18


def test_a_wall_is_no_checker():
    assert find_checker(wall()) is None


def test_scattered_dark_squares_are_no_checker():
    light = wall()
    rng = np.random.default_rng(3)
    for x, y in rng.integers(20, 320, size=(25, 2)):
        light[y : y + 18, x : x + 18] = 0.04

    assert find_checker(light) is None
