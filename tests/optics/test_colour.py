"""Veil reflectance, chromaticity and spectral slope."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from smokecase.optics.colour import (
    WAVELENGTHS_UM,
    chromaticity,
    spectral_slope,
    veil_reflectance,
)


def test_the_light_cancels_in_the_veil_reflectance():
    white = np.array([0.9, 1.0, 0.7])  # warm light
    veil = 0.3 * white

    r, u = veil_reflectance(veil, white, u_veil=0.01, u_white=0.05)

    assert_allclose(r, 0.3)
    assert_allclose(u, np.hypot(0.01, 0.3 * 0.05) / white)


def test_grey_smoke_under_a_blue_sky_is_neutral_against_white():
    sky = np.array([0.8, 1.0, 1.3])
    plain, _ = chromaticity(0.3 * sky)

    r, _ = veil_reflectance(0.3 * sky, sky)
    share, _ = chromaticity(r)

    assert plain[2] > 0.4  # looks blue
    assert_allclose(share, 1 / 3)


def test_uncertainty_of_a_chromaticity_by_a_thousand_draws():
    rng = np.random.default_rng(11)
    light, u = np.array([0.2, 0.3, 0.5]), np.array([0.01, 0.005, 0.02])

    _, u_share = chromaticity(light, u_light=u)
    drawn, _ = chromaticity(light + rng.normal(0, u, (20000, 3)))

    assert_allclose(u_share, drawn.std(axis=0), rtol=0.03)  # 4 sigma of 20000 draws


@given(slope=st.floats(-1, 4), level=st.floats(0.01, 3))
def test_a_power_law_gives_back_its_exponent(slope, level):
    tau = level * np.array(WAVELENGTHS_UM) ** -slope

    found, _ = spectral_slope(tau, u_optical_depth=0.01 * tau)

    assert_allclose(found, slope, atol=1e-9)


def test_the_slopes_interval_covers_the_truth_as_often_as_it_says():
    rng = np.random.default_rng(2)
    tau = 0.4 * (np.array(WAVELENGTHS_UM) / 0.545) ** -1.8
    u = np.array([0.01, 0.006, 0.015])

    slope, u_slope = spectral_slope(tau + rng.normal(0, u, (4000, 3)), u_optical_depth=u)

    inside = np.mean(np.abs(slope - 1.8) < 1.96 * u_slope)
    assert abs(inside - 0.95) < 0.015  # 4 sigma of a share out of 4000


def test_soot_slopes_like_the_path_traced_ratios():
    # extinction 0.893 : 1 : 1.185 for an exponent of 1 at 610 / 545 / 460 nm
    # (computed independently for the path-traced set)
    slope, _ = spectral_slope([0.893, 1.0, 1.185], u_optical_depth=0.01)

    assert_allclose(slope, 1.0, atol=0.003)  # three digits of the ratios


def test_no_depth_no_slope():
    slope, u = spectral_slope([[0.1, 0.1, -0.01], [0.1, 0.1, 0.1]], u_optical_depth=0.02)

    assert np.isnan(slope[0])
    assert np.isnan(u[0])
    assert_allclose(slope[1], 0, atol=1e-12)
    with pytest.raises(ValueError, match="u_optical_depth must be above zero"):
        spectral_slope([0.1, 0.1, 0.1], u_optical_depth=0.0)


def test_a_black_white_card_is_no_white():
    r, _ = veil_reflectance([0.1, 0.1, 0.1], [0.0, 0.5, 0.5])

    assert np.isnan(r[0])
    assert np.isfinite(r[1:]).all()
