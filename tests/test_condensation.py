"""Fog by computation, against published tables and general-purpose libraries (shared/reference/07_*)."""
# ruff: noqa: E501 (tables of cases and finished messages stand one a line)

import csv
from pathlib import Path

import pytest
from numpy.testing import assert_allclose

from smokecase.condensation import forecast_fog, mix
from smokecase.moist_gas import air_water_share

REFERENCE = Path(__file__).parents[1] / "shared" / "reference"


def table(name):
    with (REFERENCE / name).open(newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize(
    "row", table("07_mixing_line_cases.csv"), ids=lambda r: f"{r['ambient_c']}/{r['exhaust_c']}"
)
def test_the_mixing_line_as_worked_out_elsewhere(row):
    air = float(row["ambient_c"])
    found = mix(
        air_degc=air,
        air_share=float(air_water_share(air, float(row["ambient_rh_percent"]))),
        gas_degc=float(row["exhaust_c"]),
        gas_share=float(row["exhaust_water_mole_fraction"]),
    )

    assert found.fog_forms is (row["fog_forms"] == "true")
    assert found.peak_ratio == pytest.approx(float(row["peak_saturation_ratio"]), rel=5e-3)
    if found.fog_forms:
        assert found.share_begins == pytest.approx(float(row["exhaust_share_fog_begins"]), rel=5e-3)
        assert found.share_ends == pytest.approx(float(row["exhaust_share_fog_ends"]), rel=5e-3)
        assert found.excess_g_per_m3 == pytest.approx(
            float(row["largest_excess_water_g_per_m3"]), rel=5e-3, abs=6e-4
        )  # the table's last digit


def test_a_diesel_fogs_while_its_pipe_is_cold_and_then_no_more():
    # SOURCES.md, surprise 2: idle exhaust leaving hot hardly ever fogs, so fog belongs to the first minutes
    forecast = forecast_fog(weather={"temperature": 0.0, "humidity": 80.0}, fuel="diesel")

    assert forecast.when_cold > 0.4
    assert forecast.when_warm < 0.15
    assert forecast.gone_after_min <= 7


def test_petrol_exhaust_fogs_far_more_easily():
    weather = {"temperature": 5.0, "humidity": 80.0}

    diesel = forecast_fog(weather=weather, fuel="diesel")
    petrol = forecast_fog(weather=weather, fuel="petrol")

    assert petrol.when_cold > diesel.when_cold
    assert petrol.opacity_pct[:, 1].max() > 2 * diesel.opacity_pct[:, 1].max()


def test_summer_air_leaves_no_fog():
    forecast = forecast_fog(weather={"temperature": 28.0, "humidity": 40.0}, fuel="diesel")

    assert forecast.when_cold < 0.05
    assert forecast.gone_after_min == 0.0


def test_a_wet_exhaust_steams_as_long_as_it_runs_in_the_cold():
    forecast = forecast_fog(weather={"temperature": 0.0, "humidity": 85.0}, installation="boat")

    assert forecast.when_warm > 0.9
    assert forecast.gone_after_min is None


def test_a_told_exhaust_temperature_narrows_the_forecast():
    weather = {"temperature": -8.0, "humidity": 85.0}
    hot = forecast_fog(weather=weather, told={"outlet_degc": 150.0})
    cool = forecast_fog(weather=weather, told={"outlet_degc": 40.0})

    assert hot.when_warm < 0.05 < cool.when_warm
    assert hot.outlet_degc[-1] == pytest.approx(150, abs=5)


def test_the_forecast_is_the_same_each_time_and_says_what_it_rests_on():
    one = forecast_fog(weather={"temperature": -3.0, "humidity": 85.0})
    other = forecast_fog(weather={"temperature": -3.0, "humidity": 85.0})

    assert_allclose(one.chance, other.chance)
    assert one.to_json()["weather_told"] is True
    assert forecast_fog(weather={}).weather_told is False
    assert str(one).startswith("Harmless fog: ")


def test_the_dew_point_of_idle_exhaust_spans_what_idling_diesels_have():
    # air-fuel 40 to 80 (08_trade_limits.csv), dew point 20 to 32 degC (07_combustion_water.csv)
    forecast = forecast_fog(weather={"temperature": 0.0, "humidity": 80.0}, fuel="diesel")

    assert 20 < forecast.dew_point.low < forecast.dew_point.high < 36


def test_how_far_fog_reaches_is_told_for_the_cases_that_show_it():
    # fog in less than half the cases: a median over all of them would be 0 m
    forecast = forecast_fog(weather={"temperature": 6.0, "humidity": 70.0}, fuel="diesel")

    assert 0.2 < forecast.when_cold < 0.5
    words = str(forecast)
    assert "where it shows it reaches" in words
    assert "0.0 m" not in words
