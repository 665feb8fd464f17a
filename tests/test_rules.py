"""The published readings and the published filter, digit by digit."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from made_traces import make_trace
from smokecase.acceleration import (
    check_accelerations,
    design_low_pass,
    filter_opacity,
    find_peaks_of,
)
from smokecase.rules import (
    average_sets,
    longest_visible_spell,
    meets_accuracy,
    minutes_above,
    observer_passes,
    read_momentary,
    round_reading,
    seconds_above,
)

REFERENCE = Path(__file__).parents[1] / "shared" / "reference"


def read_table(name):
    with (REFERENCE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


# -- readings every 15 s: US EPA Methods 9, 203A to 203C; see shared/reference/SOURCES.md, 2 -----


@pytest.mark.parametrize("row", read_table("02_visual_method_worked.csv"), ids=lambda r: (
    f"{r['case']}: {r['reduction'][:24]}"))  # fmt: skip
def test_the_published_averaging_rules_come_out(row):
    readings = [float(x) for x in row["readings_percent"].split()]

    if "all 24" in row["reduction"]:
        found = average_sets(readings)[0]
    elif "8 consecutive" in row["reduction"]:
        found = max(average_sets(readings, per_average=8))
    elif "mean of 12" in row["reduction"]:
        found = average_sets(readings, per_average=12)[0]
    else:
        found = minutes_above(readings, 20.0, interval_s=float(row["interval_s"]))

    assert_allclose(found, float(row["result"]), atol=5e-5)  # the table's last digit


@pytest.mark.parametrize("row", read_table("02_observer_certification.csv"))
def test_the_published_accuracy_of_an_observer_comes_out(row):
    names = ("largest_single_error", "mean_error_white", "mean_error_black")
    assert meets_accuracy(*(float(row[n]) for n in names)) == (row["passes"] == "true")


def test_an_observer_is_judged_by_errors_of_either_sign():
    assert observer_passes([5, -5, 5], [7.5, -7.5])
    assert not observer_passes([16, 0, 0], [0, 0])
    assert not observer_passes([0, 0], [8, -8])


def test_numbers_of_the_rules_are_those_of_the_table():
    rules = {(r["document"][:12], r["quantity"]): r["value"] for r in
             read_table("02_visual_method_rules.csv")}  # fmt: skip

    assert rules["EPA Method 9", "reading interval"] == "15"
    assert rules["EPA Method 9", "reading resolution"] == "5"
    assert rules["EPA Method 9", "readings per average"] == "24"


def test_six_minutes_of_steady_smoke_give_24_readings_and_one_average():
    trace = make_trace(np.arange(0, 360, 0.1), 22.0, half_width=4.0)

    readings = read_momentary(trace)

    assert len(readings) == 24
    assert {r.opacity_pct for r in readings} == {20.0}
    assert average_sets([r.opacity_pct for r in readings]) == [20.0]
    assert str(readings[3].camera) == "22 % (18 to 26)"
    assert readings[3].time_s == 45.0


def test_a_short_clip_gives_no_average():
    readings = read_momentary(make_trace(np.arange(0, 40, 0.1), 30.0))

    assert [r.time_s for r in readings] == [0.0, 15.0, 30.0]
    assert average_sets([r.opacity_pct for r in readings]) == []


def test_a_look_where_the_camera_read_nothing_stays_empty():
    time_s = np.arange(0, 40, 0.1)
    readings = read_momentary(make_trace(time_s, np.where(time_s > 14, np.nan, 12.4)))

    assert readings[0].opacity_pct == 10.0
    assert readings[1:] == [None, None]


@given(st.floats(-20, 130))
def test_a_reading_is_the_nearest_multiple_of_five_within_the_scale(opacity):
    rounded = round_reading(opacity)

    assert rounded % 5 == 0
    assert abs(rounded - min(max(opacity, 0), 100)) <= 2.5


# -- spells and seconds --------------------------------------------------------------------------


def test_the_longest_spell_bridges_short_breaks_only():
    time_s = np.arange(0, 30, 0.1)
    plume = np.zeros(300)
    plume[20:60] = 30.0
    plume[40:43] = 0.0  # 0.4 s from frame to frame: no break
    plume[100:160] = 30.0
    plume[120:130] = 0.0  # a second: a break

    spell = longest_visible_spell(make_trace(time_s, plume, plume=plume))

    assert_allclose(spell.start_s, 2.0)
    assert_allclose(spell.seconds, 3.9)


def test_no_smoke_has_no_spell():
    time_s = np.arange(0, 30, 0.1)
    assert longest_visible_spell(make_trace(time_s, 0.0, plume=np.full(300, np.nan))) is None


def test_seconds_above_a_level_count_frames_of_any_spacing():
    time_s = np.concatenate([np.arange(0, 5, 0.1), np.arange(5, 10, 0.02)])
    opacity = np.where((time_s > 3) & (time_s < 7), 40.0, 10.0)

    above = seconds_above(make_trace(time_s, opacity, half_width=5.0), 20.0)

    assert_allclose(above.value, 4.0, atol=0.1)  # half a frame at either end
    assert_allclose([above.low, above.high], above.value)


def test_seconds_above_a_level_carry_the_readings_own_doubt():
    time_s = np.arange(0, 10, 0.1)
    above = seconds_above(make_trace(time_s, np.linspace(0, 40, 100), half_width=8.0), 20.0)

    assert_allclose([above.low, above.value, above.high], [3.0, 5.0, 7.0], atol=0.15)


# -- the low-pass filter: UN R49 and 2005/55/EC; SOURCES.md, 4 ------------------------------------

EXAMPLE = {
    r["quantity"]: float(r["value"])
    for r in read_table("04_bessel_published_example.csv")
    if not r["quantity"].startswith("weights")
}


def test_the_published_filter_example_comes_out_digit_by_digit():
    first = design_low_pass(150, overall_response_s=1.0, physical_response_s=0.15,
                            electrical_response_s=0.05, within=0.1, pi=3.1415)  # fmt: skip
    second = design_low_pass(150, overall_response_s=1.0, physical_response_s=0.15,
                             electrical_response_s=0.05, within=0.01, pi=3.1415)  # fmt: skip

    for found, n in ((first, 1), (second, 2)):
        head = f"iteration {n}: "
        assert_allclose(found.cut_off_hz, EXAMPLE[f"{head}cut-off frequency fc"], atol=6e-7)
        assert_allclose(found.e, EXAMPLE[f"{head}E"], rtol=1e-6)
        assert_allclose(found.k, EXAMPLE[f"{head}K"], atol=6e-7)
        assert_allclose(found.t10_s, EXAMPLE[f"{head}t10"], atol=6e-7)
        assert_allclose(found.t90_s, EXAMPLE[f"{head}t90"], atol=6e-7)


def test_the_published_worked_reading_comes_out():
    e, k = EXAMPLE["iteration 2: E"], EXAMPLE["iteration 2: K"]
    at = {i: EXAMPLE[f"worked reading: k({i})"] for i in (270, 271, 272)}
    before, last = (EXAMPLE[f"worked reading: filtered Y({i})"] for i in (270, 271))

    found = last + e * (at[272] + 2 * at[271] + at[270] - 4 * before) + k * (last - before)

    assert_allclose(found, EXAMPLE["worked reading: filtered Y(272)"], atol=1e-6)
    opacity, length_m = EXAMPLE["worked reading i=272: opacity N"], 0.430
    assert_allclose(-math.log(1 - opacity / 100) / length_m, at[272], atol=1e-6)


@pytest.mark.parametrize("row", read_table("04_bessel_coefficients.csv"), ids=lambda r: (
    f"{r['overall_response_s']} s at {r['rate_hz']}/s, {r['physical_response_s']}"))  # fmt: skip
def test_the_published_coefficients_come_out(row):
    value = {name: float(text) for name, text in row.items()}

    found = design_low_pass(
        value["rate_hz"], overall_response_s=value["overall_response_s"],
        physical_response_s=value["physical_response_s"],
        electrical_response_s=value["electrical_response_s"], within=1e-10,
    )  # fmt: skip

    assert_allclose(found.cut_off_hz, value["fc_hz"], rtol=1e-6)
    assert_allclose([found.e, found.k], [value["E"], value["K"]], rtol=1e-6)
    assert_allclose([found.t10_s, found.t90_s], [value["t10_s"], value["t90_s"]], rtol=1e-6)


@pytest.mark.parametrize("rate_hz", [25.0, 30.0, 60.0])
def test_the_published_answers_to_a_step_and_a_pulse_come_out(rate_hz):
    rows = [r for r in read_table("04_bessel_step_response.csv") if float(r["rate_hz"]) == rate_hz]
    low_pass = design_low_pass(rate_hz)
    step = low_pass.apply(np.ones(100))
    pulse = low_pass.apply(np.where(np.arange(200) < rate_hz, 2.0, 0.0))

    for row in rows:
        expected = float(row["pulse_2_per_m_for_1_s_output"])
        if row["index"].startswith("peak"):
            assert_allclose(pulse.max(), expected, rtol=1e-6)
        else:
            i = int(row["index"])
            assert_allclose(step[i], float(row["unit_step_output"]), rtol=1e-6)
            assert_allclose(pulse[i], expected, rtol=1e-6)


def test_the_filter_is_the_plain_recursion():
    low_pass = design_low_pass(30.0)
    signal = np.random.default_rng(5).uniform(0, 3, 80)
    s, y = np.concatenate([[0, 0], signal]), np.zeros(82)
    for i in range(2, 82):
        y[i] = (y[i - 1] + low_pass.e * (s[i] + 2 * s[i - 1] + s[i - 2] - 4 * y[i - 2])
                + low_pass.k * (y[i - 1] - y[i - 2]))  # fmt: skip

    assert_allclose(low_pass.apply(signal), y[2:], atol=1e-12)


def test_a_filter_slower_than_its_meter_is_refused():
    with pytest.raises(ValueError, match=r"overall_response_s must exceed that of the meter"):
        design_low_pass(30, overall_response_s=0.1, physical_response_s=0.2)


def test_too_few_pictures_a_second_are_refused():
    with pytest.raises(ValueError, match=r"at least 20 pictures a second .*\(got 10\.0\)"):
        filter_opacity(make_trace(np.arange(0, 20, 0.1), 20.0))


# -- accelerations -------------------------------------------------------------------------------


def snaps(time_s, starts_s, tops_pct):
    opacity = np.full(time_s.size, 2.0)
    for start, top in zip(starts_s, tops_pct, strict=True):
        opacity[(time_s >= start) & (time_s < start + 2.0)] = top
    return opacity


def test_each_acceleration_gives_its_filtered_peak_with_its_interval():
    time_s = np.arange(0, 100, 1 / 30)
    starts, tops = [10, 28, 46, 64, 82], [40, 38, 41, 40, 39]

    peaks = find_peaks_of(make_trace(time_s, snaps(time_s, starts, tops), half_width=6.0))

    assert len(peaks) == 5
    # 2 s is long against 0.5 s: the filter passes the top, with its overshoot of 0.3 % in depth
    assert_allclose([p.opacity.value for p in peaks], tops, atol=0.3)
    assert_allclose([p.opacity.high - p.opacity.low for p in peaks], 12.0)
    assert all(0 < p.time_s - start < 2.1 for p, start in zip(peaks, starts, strict=True))


def test_a_flicker_shorter_than_the_filter_is_damped():
    time_s = np.arange(0, 20, 1 / 30)
    opacity = np.where((time_s > 10) & (time_s < 10.12), 60.0, 0.0)

    _, filtered = filter_opacity(make_trace(time_s, opacity))

    assert 5 < filtered.max() < 25


def test_steady_smoke_has_no_acceleration():
    assert find_peaks_of(make_trace(np.arange(0, 20, 1 / 30), 30.0)) == []


def held(peaks, times=None):
    times = times or [20.0 * n for n in range(len(peaks))]
    return [rule.held for rule in check_accelerations(peaks, times)]


def test_a_good_run_meets_every_rule():
    assert held([45, 42, 41, 40, 41, 39]) == [True] * 5


def test_each_rule_can_fail_alone():
    assert held([40, 41, 39, 40, 40])[0] is False  # too few to clear the pipe
    assert held([40, 40, 40, 36, 40, 41.1])[1] is False  # spread 5.1 %
    assert held([40, 40, 40, 40, 20, 40])[2] is False  # 43 % off the mean
    assert held([40, 40, 40, 39, 38, 37])[3] is False  # falling
    assert held([40] * 6, [0, 20, 40, 60, 80, 130])[4] is False  # a pause of 50 s


def test_too_few_accelerations_cannot_tell():
    assert held([40.0]) == [False, None, None, None, None]
    assert check_accelerations([], [])[1].found == "too few accelerations"
