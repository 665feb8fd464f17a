"""The story of a clip in numbers, on made signals."""

import numpy as np
from numpy.testing import assert_allclose

from smokecase.plume.timing import (
    bounds_at_peak,
    longest_spell_s,
    tell_smoke_from_specks,
    tell_timing,
)
from smokecase.readings import SmokeTiming
from smokecase.trace import SmokeTrace

T = np.arange(0, 20, 1 / 30)


def start_and_clear(onset=3.0, peak=60.0, tau=3.0):
    rise = np.clip((T - onset) / 0.4, 0, 1)
    return np.where(onset <= T, peak * rise * np.exp(-np.maximum(T - onset - 0.4, 0) / tau), 0.0)


def test_a_start_that_clears_tells_onset_peak_and_fall():
    opacity = start_and_clear()
    timing = tell_timing(T, opacity, opacity > 5, 2.5)

    assert timing.engine_start_s == 2.5
    assert abs(timing.onset_s - 3.03) < 0.1
    assert abs(timing.peak_s - 3.5) < 0.3
    assert_allclose(timing.half_fall_s, 3.0 * np.log(2), rtol=0.15)
    assert_allclose(timing.tenth_fall_s, 3.0 * np.log(10), rtol=0.1)


def test_smoke_that_stays_has_no_fall_and_a_settled_level():
    opacity = np.where(T > 3, 40.0, 0.0)
    timing = tell_timing(T, opacity, opacity > 5, None)

    assert timing.half_fall_s is None
    assert_allclose(timing.settled_pct, 40.0)
    assert_allclose(timing.visible_share, 17 / 20, atol=0.01)
    assert_allclose(timing.longest_visible_s, 17.0, atol=0.1)


def test_an_eddy_above_twice_the_usual_level_is_no_smoke_that_clears():
    # stays at 20 % from 3 s to the end, with one eddy of 0.4 s at 55 %
    opacity = np.where(T > 3, 20.0, 0.0) + np.where(np.abs(T - 6.0) < 0.2, 35.0, 0.0)

    timing = tell_timing(T, opacity, opacity > 5, None)

    assert timing.peak_pct > 45.0
    assert timing.half_fall_s is None


def test_the_fall_to_half_is_the_first_time_the_smoothed_opacity_is_below():
    # definition as in the clips' truth: running mean over 0.3 s, first moment below half
    opacity = np.where(T > 3, 40.0, 0.0)
    opacity[np.abs(T - 5.0) < 0.2] = 44.0
    opacity[T > 8] = 4.0
    opacity[(T > 8.5) & (T < 9.0)] = 30.0

    assert_allclose(tell_timing(T, opacity, opacity > 5, None).half_fall_s, 3.07, atol=0.1)


def test_smoke_that_comes_and_goes_has_no_fall():
    opacity = np.where(T > 3, 30.0 + 28.0 * np.sign(np.sin(2 * np.pi * 0.5 * T)), 0.0)

    assert tell_timing(T, opacity, opacity > 5, None).half_fall_s is None


def test_the_longest_spell_is_without_a_gap():
    # leaves: half a second in every second; smoke: from 5 s to 11 s
    leaves = (T % 1.0) < 0.5

    assert_allclose(longest_spell_s(leaves, T), 0.5, atol=0.05)
    assert_allclose(longest_spell_s((T > 5) & (T < 11), T), 6.0, atol=0.05)
    assert longest_spell_s(np.zeros(len(T), bool), T) == 0.0


def test_specks_in_the_clear_time_are_no_smoke():
    amount = np.where(T > 6, 500.0, 20.0)
    amount[(T > 4) & (T < 5)] = 15.0
    smoke = tell_smoke_from_specks(T, np.ones(T.size, bool), amount, (0.0, 2.5))

    assert_allclose(T[np.argmax(smoke)], 6.0, atol=0.04)
    assert smoke[T > 6.1].all()


def test_a_speck_that_never_grows_is_no_smoke():
    visible = ((T > 1) & (T < 2)) | (T > 6)
    amount = np.where(T > 6, 500.0, 10.0)
    smoke = tell_smoke_from_specks(T, visible, amount, None)

    assert_allclose(T[np.argmax(smoke)], 6.0, atol=0.04)


def test_smoke_that_rises_slowly_counts_from_its_first_wisp():
    amount = np.where(T > 6, 500.0 * (T - 6) / 14, 0.0)
    smoke = tell_smoke_from_specks(T, T > 6, amount, (0.0, 3.0))

    assert_allclose(T[np.argmax(smoke)], 6.0, atol=0.04)


def test_nothing_visible_tells_nothing():
    timing = tell_timing(T, np.zeros(T.size), np.zeros(T.size, bool), None)

    assert timing.onset_s is None
    assert timing.peak_s is None
    assert timing.visible_share == 0


def test_the_peak_keeps_the_interval_of_its_own_frames_however_wide():
    time_s = np.arange(0, 2, 0.1)
    opacity = np.where(np.abs(time_s - 1.0) < 0.06, 60.0, 20.0)
    half = np.where(np.abs(time_s - 1.0) < 0.16, 40.0, 5.0)  # too wide for an answer at the peak
    blank = np.full(time_s.size, np.nan)
    trace = SmokeTrace(
        time_s=time_s, opacity_pct=opacity, opacity_low_pct=opacity - half,
        opacity_high_pct=opacity + half, centre_line_pct=blank, plume_p95_pct=blank,
        area_px=blank, length_px=blank, shake_px=blank, doubts=(frozenset(),) * time_s.size,
        transmittance=np.ones((time_s.size, 3)), u_transmittance=np.ones((time_s.size, 3)),
        colour=np.tile([0.0, 0.0, 0.0, 1.0], (time_s.size, 1)),
    )  # fmt: skip

    told = bounds_at_peak(SmokeTiming(peak_s=1.0, peak_pct=55.0), trace)

    assert_allclose((told.peak_low_pct, told.peak_high_pct), (15.0, 95.0))
    assert bounds_at_peak(SmokeTiming(), trace) == SmokeTiming()


def test_smoke_begins_where_the_section_rises_not_where_leaves_move():
    noise = np.random.default_rng(3).normal(0.0, 0.4, len(T))
    opacity = np.where(T > 3.2, 20.0, 0.0) + noise
    leaves = T > 1.0  # something is visible from here on

    seen = tell_timing(T, opacity, leaves, None)
    told = tell_timing(T, opacity, leaves, None, clear_s=(0.0, 1.0))

    assert seen.onset_s < 1.1
    assert abs(told.onset_s - 3.2) < 0.1


def test_smoke_that_goes_past_the_section_begins_where_it_is_seen():
    opacity = np.random.default_rng(4).normal(0.0, 0.4, len(T))

    assert abs(tell_timing(T, opacity, T > 3, None, clear_s=(0.0, 2.0)).onset_s - 3.0) < 0.1


def test_a_blink_of_the_section_is_no_onset():
    opacity = np.where((T > 2.0) & (T < 2.12), 40.0, 0.0) + np.where(T > 4, 15.0, 0.0)

    told = tell_timing(T, opacity, T > 1.5, None, clear_s=(0.0, 1.5))

    assert abs(told.onset_s - 4.0) < 0.1
