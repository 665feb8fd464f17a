"""Mie theory, against Wiscombe's published cases, a computed table and a reference library.

Sources of the tables: shared/reference/SOURCES.md, section 6.
"""

import csv
import math
from pathlib import Path

import miepython
import numpy as np
import pytest
from numpy.testing import assert_allclose

from smokecase.optics.droplets import (
    FUEL,
    OIL,
    SOOT,
    WATER,
    Material,
    cloud_optics,
    cloud_slope,
    droplet_size_hint,
    mie_efficiencies,
)

REFERENCE = Path(__file__).parents[2] / "shared" / "reference"


def table(name):
    with (REFERENCE / name).open(newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("row", table("06_mie_published_cases.csv"), ids=lambda r: r["case"])
def test_published_cases(row):
    # Wiscombe 1979, NCAR/TN-140, test cases of MIEV0
    n, k, x = float(row["n"]), float(row["k"]), float(row["size_parameter"])

    extinction, scattering, asymmetry = mie_efficiencies(n, k, x)

    assert_allclose(scattering, float(row["Qsca"]), atol=0.6e-6)  # last digit of the table
    # one unit of the last digit: the table's case 16 is cut, not rounded (0.84630996)
    assert_allclose(asymmetry, float(row["g"]), atol=1e-6)
    assert_allclose(extinction, float(row["Qext_miepython"]), atol=1e-6)
    if row["Qext"]:
        assert_allclose(extinction, float(row["Qext"]), atol=0.6e-6)


@pytest.mark.parametrize(
    "row",
    table("06_mie_lognormal.csv"),
    ids=lambda r: f"{r['material']} {r['count_median_diameter_um']} um",
)
def test_clouds_of_spheres(row):
    material = Material(row["material"], float(row["n"]), float(row["k"]))
    median, spread = float(row["count_median_diameter_um"]), float(row["geometric_std"])

    blue, green, red = (cloud_optics(material, median, w, spread) for w in (0.45, 0.55, 0.65))
    slope = cloud_slope(material, median, wavelengths_um=(0.45, 0.65), geometric_std=spread)

    assert_allclose(blue.extinction, float(row["Qext_450nm"]), atol=0.6e-5)
    assert_allclose(green.extinction, float(row["Qext_550nm"]), atol=0.6e-5)
    assert_allclose(red.extinction, float(row["Qext_650nm"]), atol=0.6e-5)
    assert_allclose(slope, float(row["extinction_angstrom_450_650"]), atol=0.6e-4)
    assert_allclose(green.albedo, float(row["single_scattering_albedo_550nm"]), atol=0.6e-5)
    assert_allclose(green.asymmetry, float(row["asymmetry_550nm"]), atol=0.6e-5)
    # [1/um] over [kg/m3] is 1000 m2/g
    mass = green.extinction_per_volume * 1000 / float(row["density_kg_per_m3"])
    assert_allclose(mass, float(row["mass_extinction_550nm_m2_per_g"]), atol=0.6e-5)


def test_many_sizes_at_once_equal_a_reference_library():
    # miepython, an independent public implementation
    x = np.geomspace(0.01, 300, 40)

    extinction, scattering, asymmetry = mie_efficiencies(1.465, 0.02, x)

    expected = np.array([miepython.efficiencies_mx(1.465 - 0.02j, v) for v in x])
    assert_allclose(extinction, expected[:, 0], rtol=1e-6)
    assert_allclose(scattering, expected[:, 1], rtol=1e-6)
    assert_allclose(asymmetry, expected[:, 3], atol=1e-6)


def test_blue_smoke_needs_fine_droplets():
    # trend of the reference table: steep below 0.4 um, flat or falling from 0.8 um
    assert cloud_slope(OIL, 0.2) > 2
    assert 0.2 < cloud_slope(OIL, 0.5) < 0.8
    assert cloud_slope(OIL, 0.8) < 0
    assert abs(cloud_slope(WATER, 10.0)) < 0.1
    assert 1.0 < cloud_slope(SOOT, 0.03) < 1.4  # primary spheres, exponent near 1


def test_lossless_spheres_scatter_all_they_take():
    assert_allclose(cloud_optics(FUEL, 0.7, 0.55).albedo, 1, atol=1e-12)


def test_very_small_spheres_follow_rayleigh():
    # Rayleigh scattering: Q = 8/3 x^4 |(m^2-1)/(m^2+2)|^2, exponent 4 (textbook)
    _, scattering, _ = mie_efficiencies(1.333, 0.0, 0.01)
    factor = (1.333**2 - 1) / (1.333**2 + 2)

    assert_allclose(scattering, 8 / 3 * 0.01**4 * factor**2, rtol=1e-4)  # next term is x^2


def test_a_slope_hints_at_a_size():
    fine = droplet_size_hint(OIL, cloud_slope(OIL, 0.2), 0.2)
    coarse = droplet_size_hint(WATER, 0.0, 0.3)

    assert fine[0] < 0.2 < fine[1] < 0.4
    assert coarse[0] > 0.5
    assert coarse[1] == math.inf
    assert droplet_size_hint(OIL, 6.0, 0.1) is None


def test_messages_name_the_argument_the_bound_and_the_value():
    with pytest.raises(ValueError, match=r"size_parameter must be above zero \(got 0.0\)"):
        mie_efficiencies(1.5, 0, [1.0, 0.0])
    with pytest.raises(ValueError, match=r"median_um must be above zero \(got -1\)"):
        cloud_optics(OIL, -1, 0.55)
    with pytest.raises(ValueError, match=r"geometric_std must be above 1 \(got 1\)"):
        cloud_optics(OIL, 1.0, 0.55, 1)
