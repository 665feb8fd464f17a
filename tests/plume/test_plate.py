"""The plate: when the view was clear."""

import numpy as np
from numpy.testing import assert_allclose

from smokecase.plume.plate import average, changed_blocks, find_clearest, find_quiet_time

EVERYWHERE = np.ones((10, 10), bool)


def test_the_quiet_time_ends_well_before_the_first_lasting_change():
    times = np.arange(0, 8, 0.125)
    changed = np.zeros((64, 10, 10), bool)
    changed[24:, 4:6, 4:8] = True  # from 3 s on

    quiet = find_quiet_time(times, changed, EVERYWHERE)

    assert_allclose(quiet.first_change_s, 3.0)
    assert quiet.to_s <= 3.0 - 0.4


def test_a_single_blink_is_no_change():
    times = np.arange(0, 4, 0.125)
    changed = np.zeros((32, 10, 10), bool)
    changed[16, 2:5, 2:5] = True

    assert find_quiet_time(times, changed, EVERYWHERE).first_change_s is None


def test_leaves_that_move_from_the_start_do_not_count():
    times = np.arange(0, 4, 0.125)
    changed = np.zeros((32, 10, 10), bool)
    changed[::2, :, :3] = True

    assert find_quiet_time(times, changed, EVERYWHERE).first_change_s is None


def test_snow_that_falls_everywhere_leaves_the_time_quiet_until_the_exit_changes_more():
    rng = np.random.default_rng(5)
    times = np.arange(0, 8, 0.125)
    near = np.zeros((20, 40), bool)
    near[8:14, 10:24] = True
    changed = rng.random((64, 20, 40)) < 0.15
    changed[32:, 8:12, 12:22] = True  # from 4 s on

    quiet = find_quiet_time(times, changed, near)

    assert_allclose(quiet.first_change_s, 4.0)
    assert (quiet.from_s, quiet.to_s) == (0.0, 2.5)


def test_noise_in_a_red_lamps_green_is_no_change():
    lamp = np.tile(np.float32([0.6, 0.009, 0.008]), (1, 4, 4, 1))
    noisy = lamp * np.float32([1.0, 1.1, 0.9])

    assert not changed_blocks(noisy, np.ones((1, 3)), lamp[0]).any()


def test_the_mean_of_frames_comes_with_its_uncertainty():
    rng = np.random.default_rng(0)
    frames = [np.float32(0.4) + rng.normal(0, 0.02, (8, 8, 3)).astype("f4") for _ in range(40)]

    light, u, n = average(frames)

    assert_allclose(light, 0.4, atol=0.02)
    assert (u > 0.002).all()
    assert n == 40


def test_the_mean_of_no_frames_says_that_there_were_none():
    _, _, n = average(iter([]))

    assert n == 0


def test_the_clearest_moments_are_picked_where_smoke_comes_and_goes():
    rng = np.random.default_rng(1)
    clear = rng.uniform(0.1, 0.5, (60, 80, 3)).astype(np.float32)
    frames = [clear * t + 0.8 * (1 - t) for t in (0.4, 0.6, 1.0, 0.5, 1.0, 0.3, 0.7, 0.6)]

    light, _ = find_clearest(frames, np.ones((8, 3)))

    assert_allclose(light, clear, atol=0.01)
