"""The renderer's own table of particle optics against published values."""

import csv
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from smokecase.demo.particles import draw_part, make_part, spectral_slope

ROOT = Path(__file__).parents[2]
REFERENCE = ROOT / "shared" / "reference"


@pytest.fixture(scope="module")
def maker():
    spec = spec_from_file_location("maker", ROOT / "models" / "make_droplet_optics.py")
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def rows(name):
    with (REFERENCE / name).open() as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("case", [r for r in rows("06_mie_published_cases.csv")
                                  if r["Qsca"] and float(r["size_parameter"]) <= 100],
                         ids=lambda r: r["case"])  # fmt: skip
def test_single_spheres_scatter_as_published(maker, case):
    # Wiscombe's MIEV0 cases, NCAR/TN-140 (1979); tolerance is the table's last digit
    x = float(case["size_parameter"])
    index = complex(float(case["n"]), -float(case["k"]))

    q_ext, albedo, g, _ = maker.lognormal_optics(index, x / np.pi, 1.0, 1.0)

    assert_allclose(q_ext * albedo, float(case["Qsca"]), atol=1.5e-6)
    if case["g"]:
        assert_allclose(g, float(case["g"]), atol=1.5e-6)


@pytest.mark.parametrize("row", [r for r in rows("06_mie_lognormal.csv")
                                 if float(r["count_median_diameter_um"]) in (0.1, 0.3, 1.0)],
                         ids=lambda r: r["material"] + r["count_median_diameter_um"])  # fmt: skip
def test_clouds_of_spheres_agree_with_the_reference_table(maker, row):
    # shared/reference/06_mie_lognormal.csv: miepython, agreeing with an independent recurrence
    index = complex(float(row["n"]), -float(row["k"]))
    size, spread = float(row["count_median_diameter_um"]), float(row["geometric_std"])

    q_ext, albedo, g, _ = maker.lognormal_optics(index, size, spread, 0.550)

    assert_allclose(q_ext, float(row["Qext_550nm"]), rtol=2e-4)
    assert_allclose(albedo, float(row["single_scattering_albedo_550nm"]), atol=2e-5)
    assert_allclose(g, float(row["asymmetry_550nm"]), atol=2e-5)


def test_the_table_on_disk_is_what_the_script_makes(maker):
    with np.load(ROOT / "models" / "droplet_optics.npz", allow_pickle=False) as table:
        i, j, c = 14, 1, 1
        lines = [
            maker.lognormal_optics(
                maker.INDEX["oil"], maker.DIAMETERS_UM[i], maker.SPREADS[j], w, 161
            )[0]
            for w in maker.BANDS_UM[c]
        ]
        stored = table["oil"][i, j, 0, c]

    assert_allclose(stored, maker.BAND_WEIGHTS @ lines, rtol=1e-9)


def test_oil_mist_of_a_quarter_micron_lies_between_its_neighbours_in_the_reference():
    # 06_mie_lognormal.csv: slopes 2.39 at 0.2 um and 1.62 at 0.3 um, geometric std 1.4
    slope = make_part("blue", 1.0, 0.25, 1.4).slope

    assert 1.62 < slope < 2.39


def test_soot_is_dark_and_blocks_blue_a_little_more():
    # exponent near 1, albedo 0.2 to 0.3 at most: Bond and Bergstrom 2006 (see SOURCES.md)
    soot = make_part("black", 1.0, 0.03, 100.0)

    assert 0.9 < soot.slope < 1.5
    assert np.all((soot.albedo > 0.05) & (soot.albedo < 0.3))


def test_water_fog_blocks_all_colours_alike():
    fog = make_part("coolant", 1.0, 4.0, 1.4)

    assert abs(fog.slope) < 0.1
    assert_allclose(fog.albedo, 1.0, atol=1e-6)


def test_a_slope_is_read_back_from_its_own_power_law():
    tau = np.array([0.610, 0.545, 0.460]) ** -1.7

    assert_allclose(spectral_slope(tau), 1.7, rtol=1e-10)


@pytest.mark.parametrize("kind", ["black", "blue", "fuel", "coolant", "condensation"])
def test_drawn_parts_stay_physical(kind):
    rng = np.random.default_rng(3)
    for _ in range(20):
        part = draw_part(rng, kind, 1.0)

        assert part.tau_ratio[1] == 1.0
        assert np.all(part.albedo <= 1.0)
        assert np.all(np.abs(part.asymmetry) < 1.0)
