"""Opacity and its kin, against published rules and tables.

Sources of the tables: shared/reference/SOURCES.md, sections 1 and 3.
"""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from smokecase.measured import Measured
from smokecase.optics.opacity import (
    absorption_coefficient,
    grid_black_share,
    measured_coefficient,
    opacity_from_transmittance,
    optical_depth,
    ringelmann_number,
    to_path_length,
)

REFERENCE = Path(__file__).parents[2] / "shared" / "reference"


def table(name):
    with (REFERENCE / name).open(newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("row", table("03_opacity_k_pairs.csv"), ids=str)
def test_k_of_the_opacity_pairs(row):
    # Beer-Lambert at the path lengths of UN R24, SAE J1667 and others; the last row is the
    # worked example of UN R49, annex 4A
    transmittance = 1 - float(row["opacity_percent"]) / 100

    k, _ = absorption_coefficient(transmittance, float(row["effective_length_m"]))

    assert_allclose(k, float(row["k_per_m"]), atol=0.6e-6)  # last digit of the table


@pytest.mark.parametrize("row", table("03_path_length_conversion.csv"), ids=str)
def test_conversion_to_another_path_length(row):
    # equation of 40 CFR 86.884-14
    opacity = float(row["measured_opacity_percent"])
    measured, standard = float(row["measured_length_m"]), float(row["standard_length_m"])

    converted, _ = to_path_length(opacity, measured, standard)
    k, _ = absorption_coefficient(1 - opacity / 100, measured)

    assert_allclose(converted, float(row["standard_opacity_percent"]), atol=0.6e-6)
    assert_allclose(k, float(row["k_per_m"]), atol=0.6e-6)


@pytest.mark.parametrize("row", table("01_ringelmann_opacity.csv"), ids=str)
def test_ringelmann_number_of_an_opacity(row):
    opacity, _ = opacity_from_transmittance(float(row["transmittance"]))
    number, u_number = ringelmann_number(opacity, u_opacity=2.0)

    assert_allclose(opacity, float(row["opacity_percent"]), atol=1e-12)
    assert_allclose(number, float(row["ringelmann_number"]), atol=1e-12)
    assert_allclose(u_number, 0.1)
    if float(row["transmittance"]) > 0:
        tau, _ = optical_depth(float(row["transmittance"]))
        assert_allclose(tau, float(row["optical_depth"]), atol=0.6e-6)


@pytest.mark.parametrize("row", table("01_ringelmann_grid.csv")[1:5], ids=str)
def test_black_area_of_the_ringelmann_cards(row):
    # line widths of US Bureau of Mines Information Circular 8333; card 1 is 19 %, not 20 %
    share = grid_black_share(float(row["line_width_mm"]), float(row["line_pitch_mm"]))

    assert_allclose(100 * share, float(row["exact_black_area_percent"]), atol=0.006)
    number, _ = ringelmann_number(100 * share)
    assert_allclose(number, float(row["card"]), atol=0.06)  # cards are off by up to 1 %


def test_half_the_light_over_ten_centimetres():
    k, u_k = absorption_coefficient(0.5, 0.1, u_transmittance=0.02, u_path_length_m=0.01)

    assert_allclose(k, np.log(2) / 0.1, rtol=1e-12)
    assert_allclose(u_k, np.hypot(0.02 / 0.5 / 0.1, np.log(2) / 0.1 * 0.1), rtol=1e-12)


@given(first=st.floats(0.01, 1.0), second=st.floats(0.01, 1.0))
def test_two_plumes_in_a_row_add_their_optical_depth(first, second):
    both, _ = absorption_coefficient(first * second, 1.0)
    one, _ = absorption_coefficient(first, 1.0)
    other, _ = absorption_coefficient(second, 1.0)

    assert_allclose(both, one + other, atol=1e-12)  # rounding of three logarithms


@given(opacity=st.floats(0, 95), there=st.floats(0.05, 1), back=st.floats(0.05, 1))
def test_a_path_there_and_back_changes_nothing(opacity, there, back):
    converted, _ = to_path_length(opacity, there, back)
    again, _ = to_path_length(converted, back, there)

    # opacities beyond 99.9999 % leave too few digits for the way back
    if converted < 99.9999:
        assert_allclose(again, opacity, atol=1e-6)


def test_uncertainty_of_a_converted_opacity_is_its_slope():
    step = 1e-5
    low, _ = to_path_length(40 - step, 0.1, 0.43)
    high, _ = to_path_length(40 + step, 0.1, 0.43)

    _, u = to_path_length(40, 0.1, 0.43, u_opacity=1.0)

    assert_allclose(u, (high - low) / (2 * step), rtol=1e-6)


def test_no_light_has_no_optical_depth_and_no_k():
    k, u_k = absorption_coefficient([0.0, -0.01, 1.02], 0.1, u_transmittance=0.01)

    assert np.isnan(k[:2]).all()
    assert np.isnan(u_k[:2]).all()
    assert k[2] < 0  # noise around clear air is kept, not cut at zero


@pytest.mark.parametrize("truth", [0.1, 0.3, 0.6, 0.8, 0.98])
def test_the_interval_of_k_covers_the_truth_as_often_as_it_says(truth):
    rng = np.random.default_rng(3)
    length, u_length, u_t = 0.12, 0.006, 0.03
    k_truth = -np.log(truth) / length
    inside = []
    for _ in range(2000):
        t = truth + rng.normal(0, u_t)
        seen_length = length + rng.normal(0, u_length)
        if t <= 0:
            continue
        k = measured_coefficient(
            Measured(value=t, u=u_t, unit="1"), Measured(value=seen_length, u=u_length, unit="m")
        )
        inside.append(k.low <= k_truth <= k.high)

    assert abs(np.mean(inside) - 0.95) < 0.03  # 4 sigma of 2000, and 0.01 for carrying bounds


def test_k_stays_open_upwards_where_all_light_may_be_gone():
    dense = Measured(value=0.02, u=0.02, unit="1")

    k = measured_coefficient(dense, Measured(value=0.1, u=0.0, unit="m"))

    assert k.high == np.inf
    assert_allclose(k.low, -np.log(dense.high) / 0.1)
    assert (
        measured_coefficient(
            Measured(value=-0.01, u=0.02, unit="1"), Measured(value=0.1, u=0.0, unit="m")
        )
        is None
    )


def test_messages_name_the_argument_the_bound_and_the_value():
    with pytest.raises(ValueError, match=r"path_length_m must be above zero \(got 0\)"):
        absorption_coefficient(0.5, 0)
    with pytest.raises(ValueError, match=r"standard_length_m must be above zero \(got -1\)"):
        to_path_length(50, 0.1, -1)
    with pytest.raises(ValueError, match=r"line_width_mm must lie between 0 and 10 \(got 11\)"):
        grid_black_share(11, 10)
