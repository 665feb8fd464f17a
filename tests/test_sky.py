"""The sun against published positions; shared/reference/SOURCES.md, 10."""

import csv
import math
from datetime import datetime
from pathlib import Path

import pytest
from numpy.testing import assert_allclose

from smokecase.sky import U_POSITION_DEG, angle_from_behind, find_sun, is_in_sector

REFERENCE = Path(__file__).parents[1] / "shared" / "reference"


def read_table(name):
    with (REFERENCE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("row", read_table("10_solar_position.csv"), ids=lambda r: r["case"])
def test_the_published_positions_come_out(row):
    sun = find_sun(
        datetime.fromisoformat(row["time_iso8601"]),
        latitude_deg=float(row["latitude_deg"]),
        longitude_deg=float(row["longitude_deg"]),
    )

    across = math.remainder(sun.azimuth_deg - float(row["azimuth_deg"]), 360.0)
    # an azimuth is worth less the higher the sun: compare the angle on the sky
    assert abs(across) * math.cos(math.radians(sun.elevation_deg)) < U_POSITION_DEG
    # refraction differs with the air's pressure and temperature, which are not asked: 0.02 more
    assert_allclose(sun.elevation_deg, float(row["apparent_elevation_deg"]), atol=0.04)


@pytest.mark.parametrize("row", read_table("10_sun_sector.csv"))
def test_the_published_sector_comes_out(row):
    angle = angle_from_behind(
        float(row["sun_azimuth_deg"]), float(row["camera_looks_towards_azimuth_deg"])
    )

    assert_allclose(angle, float(row["sun_angle_from_behind_deg"]), atol=1e-9)
    assert is_in_sector(angle) == (row["within_140_deg_sector"] == "true")


NOON = datetime.fromisoformat("2025-10-03T12:00:00-05:00")  # the table's autumn noon


def test_sun_ahead_of_the_camera_is_warned_of_in_words():
    sun = find_sun(NOON, latitude_deg=41.8781, longitude_deg=-87.6298, view_azimuth_deg=180.0)

    assert str(sun) == (
        "The sun stood 43° high in the south (azimuth 167°, both computed to 0.02°). It was 167° "
        "off the observer's back, OUTSIDE the published sector of 140° behind the observer: smoke "
        "lit from ahead looks other than it is."
    )


def test_sun_behind_the_camera_and_an_untold_view_are_said():
    behind = find_sun(NOON, latitude_deg=41.8781, longitude_deg=-87.6298, view_azimuth_deg=0.0)
    untold = find_sun(NOON, latitude_deg=41.8781, longitude_deg=-87.6298)

    assert "13° off the observer's back, inside the published sector" in str(behind)
    assert "Which way the camera looked was not told." in str(untold)
    assert untold.in_sector is None


def test_a_sun_below_the_horizon_is_said():
    sun = find_sun(
        datetime.fromisoformat("2023-10-29T01:30:00+00:00"),
        latitude_deg=51.5074, longitude_deg=-0.1278, view_azimuth_deg=0.0,
    )  # fmt: skip

    assert str(sun) == "The sun was 46° below the horizon."


def test_a_time_without_its_zone_is_refused():
    with pytest.raises(ValueError, match=r"time must have its zone \(got 2025-10-03T12:00:00\)"):
        find_sun(datetime(2025, 10, 3, 12), latitude_deg=0.0, longitude_deg=0.0)


def test_a_place_off_the_earth_is_refused():
    with pytest.raises(ValueError, match="place must be on Earth"):
        find_sun(NOON, latitude_deg=91.0, longitude_deg=0.0)
