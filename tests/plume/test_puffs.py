"""Puffs at the pipe's mouth, on made signals and pictures."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from smokecase.plume.puffs import Mouth, tell_puffs
from smokecase.plume.section import PipeExit

T = np.arange(0, 8, 1 / 30)
ONSET_S = 2.0


def at_mouth(hz, mouth, further, on_pipe=0.0, seed=0):
    """Light that smoke takes, with a beat of so much of it at the mouth, further out, behind."""
    rng = np.random.default_rng(seed)
    smoke = np.where(T > ONSET_S, 0.3, 0.0)[:, None]
    beat = np.sin(2 * np.pi * hz * T)[:, None] * np.array([mouth, further])
    eddies = [np.convolve(rng.normal(0, 0.4, T.size), np.ones(5) / 5, mode="same") for _ in "ab"]
    pipe = rng.normal(0, 0.003, T.size) + smoke[:, 0] * on_pipe * np.sin(2 * np.pi * hz * T)
    return np.column_stack([-smoke * (1 + beat + np.stack(eddies, axis=1)), pipe])


def test_puffs_of_one_weak_cylinder_are_told_at_rpm_over_120():
    # source: four-stroke firing arithmetic, shared/reference/08_firing_frequency.csv
    rate, u = tell_puffs(T, at_mouth(6.0, 0.4, 0.1), ONSET_S)

    assert_allclose(rate, 6.0, atol=0.1)
    assert abs(rate - 6.0) < 2 * u < 0.5


@pytest.mark.parametrize(
    ("mouth", "further"),
    [(0.0, 0.0), (0.12, 0.25)],
    ids=["turbulence", "eddies that grow on the way"],
)
def test_what_does_not_begin_at_the_mouth_is_no_puff(mouth, further):
    assert tell_puffs(T, at_mouth(6.0, mouth, further), ONSET_S) == (None, None)


def test_a_pipe_that_shakes_is_no_puff():
    assert tell_puffs(T, at_mouth(6.0, 0.4, 0.1, on_pipe=0.1), ONSET_S) == (None, None)
    assert tell_puffs(T, at_mouth(6.0, 0.4, 0.1, on_pipe=0.1), ONSET_S, 6.0) == (None, None)


def test_faint_puffs_count_where_the_sound_gives_the_same_rate():
    faint = at_mouth(7.0, 0.05, 0.05)

    assert tell_puffs(T, faint, ONSET_S) == (None, None)
    assert_allclose(tell_puffs(T, faint, ONSET_S, 7.1)[0], 7.0, atol=0.15)
    assert tell_puffs(T, faint, ONSET_S, 9.0) == (None, None)


def test_too_short_a_clip_tells_no_rate():
    short = T < ONSET_S + 2.0

    assert tell_puffs(T[short], at_mouth(6.0, 0.4, 0.1)[short], ONSET_S) == (None, None)
    assert tell_puffs(T[:3], at_mouth(6.0, 0.4, 0.1)[:3], 0.0) == (None, None)


def test_the_mouth_reads_the_light_just_beyond_the_pipe_and_no_other():
    plate = np.full((90, 120, 3), 0.4, np.float32)
    pipe = PipeExit(
        exit_px=(30.0, 45.0), u_exit_px=0.0, diameter_px=20.0, u_diameter_px=0.0,
        direction_deg=0.0, u_direction_deg=3.0, doubts=frozenset(),
    )  # fmt: skip
    seen = plate.copy()
    seen[30:60, 28:36] *= 0.5  # a puff that has just left
    seen[:, 60:] = 0.9
    mouth, further, on_pipe = Mouth(plate, pipe).read(1.1 * seen, np.full(3, 1.1))

    assert_allclose(mouth, np.log(0.5), atol=0.1)
    assert_allclose([further, on_pipe], 0.0, atol=1e-6)
