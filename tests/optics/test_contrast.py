"""The contrast way, against worked cases (shared/reference/SOURCES.md, section 2)."""

import csv
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from smokecase.optics.contrast import transmittance_by_contrast, veil_by_contrast

REFERENCE = Path(__file__).parents[2] / "shared" / "reference"


def cases():
    with (REFERENCE / "02_two_background_transmittance.csv").open(newline="") as file:
        return [{k: float(v) for k, v in row.items()} for row in csv.DictReader(file)]


@pytest.mark.parametrize("case", cases(), ids=lambda c: f"case {c['case']:.0f}")
def test_worked_two_background_cases(case):
    # idea: contrast model in Du et al. 2007, J. Air & Waste Manage. Assoc. 57
    clean = [case["clean_bright"], case["clean_dark"]]
    seen = [case["seen_bright"], case["seen_dark"]]

    t, _ = transmittance_by_contrast(clean, seen)
    veil = veil_by_contrast(clean, seen, t)

    assert_allclose(t, case["transmittance"], atol=1e-12)
    assert_allclose(100 * (1 - t), case["opacity_percent"], atol=1e-10)
    assert_allclose(veil, case["veil"], atol=1e-10)


def test_a_veil_like_the_bright_patch_does_not_hide_the_smoke():
    # case 7: nothing changes in the bright patch, and a tenth of the light is lost
    t, _ = transmittance_by_contrast([0.45, 0.1], [0.45, 0.135])

    assert_allclose(t, 0.9)


def test_the_interval_covers_the_truth_as_often_as_it_says():
    rng = np.random.default_rng(5)
    shape = (2, 4000)
    clean = np.array([0.7, 0.06])
    seen = 0.6 * clean + 0.4 * 0.3

    t, u_t = transmittance_by_contrast(
        clean[:, None] + rng.normal(0, 0.01, shape),
        seen[:, None] + rng.normal(0, 0.02, shape),
        u_clean=0.01,
        u_seen=0.02,
    )

    inside = np.mean(np.abs(t - 0.6) < 1.96 * u_t)
    assert abs(inside - 0.95) < 0.015  # 4 sigma of a share out of 4000


def test_two_patches_alike_say_nothing():
    t, u_t = transmittance_by_contrast([0.5, 0.5], [0.4, 0.4], u_seen=0.01)

    assert np.isnan(t)
    assert np.isnan(u_t)
    assert np.isnan(veil_by_contrast([0.7, 0.1], [0.7, 0.1], 1.0))
