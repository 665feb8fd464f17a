"""The common veil: closed forms of the picture model, and an ensemble that holds the truth."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from smokecase.optics.spectrum import channel_powers
from smokecase.optics.veil import depth_by_veil, fit_veil

LUMA = np.array([0.2126, 0.7152, 0.0722])


def looks(veil, slope, *, n=400, noise=0.002, u_slope=0.05, seed=3):
    """Windows of the picture model I = T B + (1 - T) J, with a slope that tells T by itself."""
    rng = np.random.default_rng(seed)
    plate = rng.uniform(0.05, 0.5, size=(n, 3))
    depth = rng.uniform(0.1, 1.2, size=n)
    t = np.exp(-depth[:, None] * channel_powers(slope))
    light = t * plate + (1 - t) * veil + rng.normal(0, noise, (n, 3))
    share = np.tile(LUMA, (n, 1, 1))
    told = (t @ LUMA)[:, None] + rng.normal(0, u_slope, (n, 1))
    return {
        "light": light, "plate": plate, "slope": told, "u_slope": np.full((n, 1), u_slope),
        "u_common": np.full((n, 1), 0.01), "share": share, "place": rng.uniform(0, 100, (n, 3)),
        "trust": np.ones(n),
    }  # fmt: skip


def test_a_slope_of_zero_blocks_all_colours_alike():
    assert_allclose(channel_powers(0.0), [1.0, 1.0, 1.0])


def test_soot_blocks_blue_more_than_red_by_the_ratio_of_wavelengths():
    red, green, blue = channel_powers(1.0)

    assert_allclose(green, 1.0)
    assert_allclose(blue / red, 0.61 / 0.46, rtol=1e-12)


def test_depth_follows_from_light_plate_and_veil():
    plate, veil, depth = np.array([0.3, 0.25, 0.2]), np.array([0.9, 0.9, 0.9]), 0.7
    t = np.exp(-depth * channel_powers(1.5))
    light = t * plate + (1 - t) * veil
    away = plate - veil

    found = depth_by_veil((light - veil) * away, away**2, 1.5)

    assert_allclose(found, depth, rtol=1e-5)  # a floor of 1e-7 keeps flat places finite


def test_light_above_the_plate_reads_as_negative_depth_and_is_not_cut():
    away = np.array([0.3, 0.3, 0.3])

    assert depth_by_veil(1.02 * away**2, away**2, 0.0) < 0


@pytest.mark.parametrize(("veil", "slope"), [(0.03, 1.0), (0.8, 0.0), (0.75, 2.0)])
def test_the_fit_finds_soot_fuel_mist_and_oil_mist(veil, slope):
    rng = np.random.default_rng(1)

    found = fit_veil(
        **looks(np.full(3, veil), slope),
        white=np.ones(3),
        u_white=0.3,
        floor=np.zeros(3),
        u_gain=0.0,
        members=6,
        rng=rng,
    )

    assert_allclose(found.light, veil, rtol=0.12, atol=0.01)
    assert abs(found.slope - slope) < 0.4


def test_the_ensemble_spreads_wide_where_texture_tells_nothing():
    told, blind = (looks(np.full(3, 0.8), 0.0, u_slope=u) for u in (0.02, 5.0))
    spreads = []
    for windows in (told, blind):
        # grey plate of one shade: neither texture nor colour fixes the veil
        windows["plate"][:] = windows["plate"].mean()
        found = fit_veil(
            **windows,
            white=np.ones(3),
            u_white=0.5,
            floor=np.zeros(3),
            u_gain=0.0,
            members=16,
            rng=np.random.default_rng(2),
        )
        spreads.append(np.log(found.members[1:, 1]).std())

    assert spreads[1] > 2 * spreads[0]
    assert spreads[1] > 0.2  # a prior of 0.2 to 0.5 and the white's doubt are all there is


def through_shoulder(light, shoulder):
    return light / (1.0 + shoulder * light)


@pytest.mark.parametrize(("shoulder", "least", "most"), [(0.0, -0.2, 0.12), (0.45, 0.28, 0.6)])
def test_windows_tell_how_much_the_camera_presses_highlights(shoulder, least, most):
    """A closed form of one camera curve: light / (1 + shoulder light), texture by its slope."""
    windows = looks(np.full(3, 0.9), 0.0, n=1200, noise=0.001, u_slope=0.02)
    for name in ("light", "plate"):
        windows[name] = windows[name].mean(axis=1, keepdims=True).repeat(3, axis=1)
    steep = [(1.0 + shoulder * windows[k][:, :1]) ** -2 for k in ("light", "plate")]
    windows["slope"] = windows["slope"] * steep[0] / steep[1]
    for name in ("light", "plate"):
        windows[name] = through_shoulder(windows[name], shoulder)

    found = fit_veil(
        **windows, white=np.ones(3), u_white=0.5, floor=np.zeros(3), u_gain=0.0, members=24,
        rng=np.random.default_rng(4),
    )  # fmt: skip

    assert least < np.mean([bend.shoulder for bend in found.bends]) < most
    assert_allclose(found.bends[0].straight(found.light), 0.9, rtol=0.12)


def test_a_handful_of_windows_fits_nothing():
    few = looks(np.full(3, 0.8), 0.0, n=5)

    assert (
        fit_veil(
            **few,
            white=np.ones(3),
            u_white=0.3,
            floor=np.zeros(3),
            u_gain=0.0,
            members=4,
            rng=np.random.default_rng(0),
        )
        is None
    )
