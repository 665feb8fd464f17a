"""Slope and tint fitted to windows whose smoke is known, made by the picture model itself."""

import numpy as np
from numpy.testing import assert_allclose

from smokecase.plume.spectral import fit_spectral
from smokecase.plume.windows import Windows

# centres of red, green and blue [um]; written out, so that the house's own are not used
RATIO = np.array([0.61, 0.545, 0.46]) / 0.545
WHITE = np.ones(3)


def made_windows(slope, veil, plates, depths, rng, *, u_light=0.002):
    """Windows by I = T B + (1 - T) J, T_c = exp(-tau (lambda_c / lambda_G)^-a)."""
    n = len(plates)
    through = np.exp(-depths[:, None] * RATIO**-slope)
    light = through * plates + (1 - through) * veil + rng.normal(0, u_light, (n, 3))
    share = np.full((n, 3, 3), [0.2126, 0.7152, 0.0722])
    texture = np.einsum("nbc,nc->nb", share, through) + rng.normal(0, 0.03, (n, 3))
    return Windows(
        light=light, plate=plates, slope=texture, u_slope=np.full((n, 3), 0.05),
        u_common=np.full((n, 3), 0.02), share=share, x=rng.uniform(0, 640, n),
        y=rng.uniform(0, 360, n), frame=np.arange(n) % 20,
    )  # fmt: skip


def test_the_slope_is_found_before_light_and_dark_things():
    rng = np.random.default_rng(3)
    plates = rng.uniform(0.05, 0.9, (400, 1)) * np.ones(3)
    for slope in (0.0, 1.2, 2.6):
        veil = np.array([0.38, 0.4, 0.43])
        windows = made_windows(slope, veil, plates, rng.uniform(0.1, 0.8, 400), rng)

        found = fit_spectral(windows, veil, 1.0, WHITE, None, None)

        assert abs(found.slope - slope) < 3 * found.u_slope
        assert found.u_slope < 0.25
        assert found.misfit < 1.0  # made by the model itself


def test_a_blue_light_on_thin_white_smoke_before_a_dark_hedge_leaves_the_slope_open():
    rng = np.random.default_rng(5)
    plates = np.full((400, 3), 0.02)
    depths = rng.uniform(0.03, 0.12, 400)
    light = np.array([0.8, 1.0, 1.2])  # skylight on neutral smoke
    grey = fit_spectral(
        made_windows(0.0, light, plates, depths, rng), np.ones(3), 1.0, WHITE, None, None
    )

    assert grey.u_slope > 0.6
    assert abs(grey.slope) < 2.5 * grey.u_slope


def test_a_pink_veil_shows_across_the_line_from_lamp_to_sky():
    rng = np.random.default_rng(7)
    plates = rng.uniform(0.05, 0.9, (400, 1)) * np.ones(3)
    pink = np.array([0.9, 0.6, 0.75])

    found = fit_spectral(
        made_windows(0.0, pink, plates, rng.uniform(0.1, 0.8, 400), rng), pink, 1.0, WHITE,
        None, None,
    )  # fmt: skip

    # 0.857 ln(0.9 / 0.6) + 0.514 ln(0.75 / 0.6)
    assert_allclose(found.off_axis, 0.462, atol=0.04)


def test_two_colours_in_one_plume_do_not_fit():
    rng = np.random.default_rng(9)
    plates = rng.uniform(0.2, 0.6, (200, 1)) * np.ones(3)
    depths = rng.uniform(0.3, 0.9, 200)
    pale = made_windows(0.0, np.full(3, 0.9), plates, depths, rng)
    dark = made_windows(1.2, np.full(3, 0.05), plates, depths, rng)
    both = Windows(
        **{k: np.concatenate([getattr(pale, k), getattr(dark, k)]) for k in Windows.__slots__}
    )

    one = fit_spectral(pale, np.full(3, 0.9), 1.0, WHITE, None, None)
    two = fit_spectral(both, np.full(3, 0.4), 1.0, WHITE, None, None)

    assert one.misfit < 0.8
    assert two.misfit > 3.0


def test_a_slope_that_no_smoke_has_is_hardly_believed():
    rng = np.random.default_rng(9)
    plates = rng.uniform(0.05, 0.9, (400, 1)) * np.ones(3)
    veil = np.array([0.38, 0.4, 0.43])
    windows = made_windows(6.0, veil, plates, rng.uniform(0.1, 0.8, 400), rng)

    found = fit_spectral(windows, veil, 1.0, WHITE, None, None)

    assert found.slope > 3.95  # Rayleigh scattering ends at 4 (any textbook of optics)
    assert found.u_slope >= 1.2


def test_without_windows_there_is_nothing_to_fit():
    assert fit_spectral(None, WHITE, 1.0, WHITE, None, None) is None
