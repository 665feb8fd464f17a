"""The story of a clip in numbers, on made signals."""

import numpy as np
from numpy.testing import assert_allclose

from smokecase.plume.timing import tell_timing

T = np.arange(0, 20, 1 / 30)


def start_and_clear(onset=3.0, peak=60.0, tau=3.0):
    rise = np.clip((T - onset) / 0.4, 0, 1)
    return np.where(onset <= T, peak * rise * np.exp(-np.maximum(T - onset - 0.4, 0) / tau), 0.0)


def test_a_start_that_clears_tells_onset_peak_and_fall():
    opacity = start_and_clear()
    timing = tell_timing(T, opacity, opacity > 5, 2.5, [opacity])

    assert timing.engine_start_s == 2.5
    assert abs(timing.onset_s - 3.03) < 0.1
    assert abs(timing.peak_s - 3.5) < 0.3
    assert_allclose(timing.half_fall_s, 3.0 * np.log(2), rtol=0.15)
    assert_allclose(timing.tenth_fall_s, 3.0 * np.log(10), rtol=0.1)


def test_smoke_that_stays_has_no_fall_and_a_settled_level():
    opacity = np.where(T > 3, 40.0, 0.0)
    timing = tell_timing(T, opacity, opacity > 5, None, [opacity])

    assert timing.half_fall_s is None
    assert_allclose(timing.settled_pct, 40.0)
    assert_allclose(timing.visible_share, 17 / 20, atol=0.01)
    assert_allclose(timing.longest_visible_s, 17.0, atol=0.1)


def test_puffs_of_one_weak_cylinder_are_told_at_rpm_over_120():
    # source: four-stroke firing arithmetic, shared/reference/08_firing_frequency.csv
    rng = np.random.default_rng(0)
    opacity = np.where(T > 3, 30 + 10 * np.sin(2 * np.pi * 6.0 * T), 0) + rng.normal(0, 1, T.size)
    timing = tell_timing(T, opacity, T > 3, None, [opacity])

    assert abs(timing.puff_hz - 6.0) < 0.1
    assert timing.u_puff_hz < 0.1


def test_turbulence_is_no_puff_rate():
    rng = np.random.default_rng(1)
    wander = np.cumsum(rng.normal(0, 1.0, T.size))
    opacity = np.where(T > 3, 40 + 0.5 * (wander - wander.mean()), 0.0)

    assert tell_timing(T, opacity, T > 3, None, [opacity]).puff_hz is None


def test_nothing_visible_tells_nothing():
    timing = tell_timing(T, np.zeros(T.size), np.zeros(T.size, bool), None, [np.zeros(T.size)])

    assert timing.onset_s is None
    assert timing.peak_s is None
    assert timing.visible_share == 0
