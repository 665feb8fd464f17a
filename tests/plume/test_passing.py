"""Passers-by are told from smoke by where they come from: small pictures of blocks, no clip."""

import numpy as np
import pytest

from smokecase.plume.passing import beside_outflow, tell_passing
from smokecase.plume.section import PipeExit
from smokecase.video.exposure import BLOCK_PX

ROWS, COLUMNS, MOMENTS = 22, 40, 60
TIMES_S = np.arange(MOMENTS) / 10.0
PLATE = np.full((ROWS, COLUMNS, 3), 0.2, np.float32)
PIPE = PipeExit(
    exit_px=(12.0 * BLOCK_PX, 11.0 * BLOCK_PX), u_exit_px=1.0, diameter_px=2.0 * BLOCK_PX,
    u_diameter_px=1.0, direction_deg=0.0, u_direction_deg=5.0, doubts=frozenset(),
)  # fmt: skip
SECTION = (12.8 * BLOCK_PX, 10.0 * BLOCK_PX, 15.0 * BLOCK_PX, 12.0 * BLOCK_PX)


def seen(draw):
    """What changes near and far in a clip where ``draw(blocks, t)`` draws on the plate."""
    outside = beside_outflow((ROWS, COLUMNS), PIPE, SECTION, BLOCK_PX)
    told = []
    for t in TIMES_S:
        blocks = PLATE.copy()
        draw(blocks, t)
        told.append(outside.changed(blocks, PLATE))
    return np.array(told).T


def person(blocks, t, *, light=0.05):
    """Six blocks wide, in the picture from 2 s on, before the section from 3.7 to 4.2 s."""
    left = COLUMNS - round(15.0 * (t - 2.0))
    if t >= 2.0:
        blocks[:, max(left, 0) : max(left + 6, 0)] = light


def big_puff(blocks, t):
    """Out of the pipe from 2 s on in all directions, wider than its cone, gone at 4 s."""
    y, x = np.mgrid[:ROWS, :COLUMNS]
    if 2.0 <= t < 4.0:
        blocks[np.hypot(x - 13.0, y - 11.0) < 6.0 * (t - 2.0) + 1.0] = 0.6


def test_a_passer_by_is_told_while_before_the_pipe():
    near, far = seen(person)

    passing = tell_passing(TIMES_S, near, far, TIMES_S >= 1.0)

    assert passing[(TIMES_S > 3.65) & (TIMES_S < 4.25)].all()
    assert not passing[(TIMES_S < 3.2) | (TIMES_S > 4.8)].any()


def test_a_puff_that_fills_the_view_is_smoke():
    near, far = seen(big_puff)

    assert near.max() > 0.5
    assert not tell_passing(TIMES_S, near, far, TIMES_S >= 2.0).any()


def test_smoke_that_drifts_out_of_its_cone_is_smoke():
    def drifting(blocks, t):
        y, x = np.mgrid[:ROWS, :COLUMNS]
        blocks[np.hypot(x - 12.0 - 2.0 * t, y - 11.0 + 1.5 * t) < 2.0 * t] = 0.6

    near, far = seen(drifting)

    assert near.max() > 0.15
    assert far.max() > 20.0
    assert not tell_passing(TIMES_S, near, far, TIMES_S >= 0.5).any()


def test_weather_that_changes_all_the_time_is_no_passer_by():
    rng = np.random.default_rng(7)

    def snow(blocks, t):
        blocks[rng.random((ROWS, COLUMNS)) < 0.3] = 0.5

    near, far = seen(snow)

    assert not tell_passing(TIMES_S, near, far, TIMES_S >= 0.0).any()


@pytest.mark.parametrize("section", [None, SECTION])
def test_without_room_beside_the_outflow_nothing_is_told(section):
    assert beside_outflow((1, 2), PIPE, section, BLOCK_PX) is None
