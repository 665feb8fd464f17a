"""Water in gases, against published tables and general-purpose libraries (reference/07_*)."""

import csv
from pathlib import Path

import numpy as np
import psychrolib
import pytest
from numpy.testing import assert_allclose

from smokecase.moist_gas import burnt_water, dew_point, saturation_pressure

REFERENCE = Path(__file__).parents[1] / "shared" / "reference"


def table(name):
    with (REFERENCE / name).open(newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize(
    "row", table("07_saturation_pressure.csv"), ids=lambda r: r["temperature_c"]
)
def test_saturation_pressure_over_liquid_as_in_the_libraries(row):
    # CoolProp (IAPWS-95) from the triple point up, Murphy and Koop 2005 below
    reference = row["coolprop_iapws95_liquid_pa"] or row["murphy_koop_2005_liquid_pa"]

    assert float(saturation_pressure(float(row["temperature_c"]))) == pytest.approx(
        float(reference), rel=2e-4
    )


def test_saturation_pressure_agrees_with_psychrolib_above_freezing():
    psychrolib.SetUnitSystem(psychrolib.SI)
    degc = np.array([1.0, 10, 25, 40, 80])
    theirs = [psychrolib.GetSatVapPres(float(t)) for t in degc]

    assert_allclose(saturation_pressure(degc), theirs, rtol=5e-4)  # ASHRAE's fit


@pytest.mark.parametrize(("kelvin", "pascal"), [(300.0, 3536.58941), (372.755919, 1e5)])
def test_saturation_pressure_as_published(kelvin, pascal):
    # IAPWS-IF97 tables 35 and 36 (07_saturation_published.csv)
    assert float(saturation_pressure(kelvin - 273.15)) == pytest.approx(pascal, rel=2e-4)


@pytest.mark.parametrize("row", table("07_schmidt_appleman.csv"), ids=lambda r: r["pressure_pa"])
def test_the_curve_has_the_slope_where_mixing_lines_just_touch_it(row):
    # temperature at which the saturation curve over liquid has the mixing line's slope
    at = float(row["t_lm_c_numeric"])

    slope = float(saturation_pressure(at + 0.01) - saturation_pressure(at - 0.01)) / 0.02

    # 0.03 K, to which the table's two ways agree, is 0.3 % of the slope
    assert slope == pytest.approx(float(row["slope_g_pa_per_k"]), rel=3e-3)


def test_the_two_curves_meet_at_the_triple_point():
    below, above = saturation_pressure([0.0099, 0.0101])

    assert above / below == pytest.approx(1, abs=1e-4)


@pytest.mark.parametrize(
    "row", table("07_exhaust_dew_point.csv"), ids=lambda r: r["water_mole_fraction"]
)
def test_dew_point_of_exhaust(row):
    assert float(dew_point(float(row["water_mole_fraction"]))) == pytest.approx(
        float(row["dew_point_c_coolprop"]), abs=2e-3
    )


def test_water_from_burning_fuel_by_element_balance():
    for row in table("07_combustion_water.csv"):
        ratio = float(row["intake_humidity_kg_per_kg"]) / 18.01528 * 28.9647  # mol/mol dry air
        share = burnt_water(float(row["h_to_c"]), float(row["air_fuel_mass"]), ratio / (1 + ratio))

        # molar masses differ in the fifth digit
        assert float(share) == pytest.approx(float(row["exhaust_water_mole_fraction"]), rel=1e-4)
