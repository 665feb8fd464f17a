"""Code values to light, against the standards' tables and an independent library."""

import csv
from pathlib import Path

import colour
import numpy as np
import pytest
from numpy.testing import assert_allclose

from smokecase.optics.light import crushed, saturated, to_linear, to_srgb8

SHARED = Path(__file__).parents[2] / "shared" / "reference"


def one_grey(signal):
    codes = np.rint(np.asarray(signal, float) * 65535).astype(np.uint16)
    return np.repeat(codes[..., None], 3, axis=-1)


def test_ordinary_clips_follow_the_srgb_curve():
    # shared/reference/05_transfer_curves.csv, typed from IEC 61966-2-1
    with (SHARED / "05_transfer_curves.csv").open() as file:
        rows = list(csv.DictReader(file))
    codes = np.array([int(r["code_8bit_full_range"]) for r in rows], np.uint16) * np.uint16(257)

    light = to_linear(np.repeat(codes[:, None], 3, axis=1), "srgb")

    expected = [float(r["linear_srgb"]) for r in rows]
    assert_allclose(light[:, 1], expected, atol=1e-7)  # float32


def test_hlg_light_agrees_with_an_independent_library():
    signal = np.rint(np.linspace(0, 1, 101) * 65535) / 65535

    light = to_linear(one_grey(signal), "hlg")[:, 1]

    # colour-science, ITU-R BT.2100: inverse OETF, scene light 0 to 1
    scene = colour.models.oetf_inverse_BT2100_HLG(signal)
    white = colour.models.oetf_inverse_BT2100_HLG(0.75)
    assert_allclose(light, scene / white, rtol=2e-4, atol=1e-6)  # grey rows sum to 1 +/- 1e-4


def test_pq_light_agrees_with_an_independent_library():
    signal = np.rint(np.linspace(0, 1, 101) * 65535) / 65535

    light = to_linear(one_grey(signal), "pq")[:, 1]

    # colour-science, SMPTE ST 2084: display light in cd/m2; 203 is reference white (BT.2408)
    assert_allclose(light, colour.models.eotf_ST2084(signal) / 203, rtol=2e-4, atol=1e-6)


def test_wide_primaries_become_the_ordinary_ones():
    # colour-science, RGB to RGB without adaptation (both have the D65 white)
    matrix = colour.matrix_RGB_to_RGB(
        colour.RGB_COLOURSPACES["ITU-R BT.2020"], colour.RGB_COLOURSPACES["ITU-R BT.709"], None
    )
    codes = np.array([[40000, 30000, 20000]], np.uint16)
    wide = colour.models.oetf_inverse_BT2100_HLG(
        codes / 65535
    ) / colour.models.oetf_inverse_BT2100_HLG(0.75)

    assert_allclose(to_linear(codes, "hlg"), wide @ matrix.T, atol=3e-4)  # four-digit matrix


@pytest.mark.parametrize(("transfer", "signal"), [("srgb", 1.0), ("hlg", 0.75), ("pq", 0.58069)])
def test_reference_white_is_one_in_every_coding(transfer, signal):
    # BT.2408-7 table 1 gives 75 % for HLG and 58 % for PQ
    assert_allclose(to_linear(one_grey(signal), transfer), 1.0, atol=1e-3)


def test_an_unknown_transfer_is_named():
    with pytest.raises(ValueError, match=r"one of srgb, hlg, pq \(got 'log'\)"):
        to_linear(one_grey(0.5), "log")


def test_every_srgb_byte_survives_the_way_to_light_and_back():
    codes = one_grey(np.arange(256) / 255)

    assert_allclose(to_srgb8(to_linear(codes, "srgb"))[:, 0], np.arange(256))


def test_light_beyond_the_range_is_cut_only_where_it_is_shown():
    shown = to_srgb8(np.array([[-0.2, 0.5, 3.0]], np.float32))

    assert shown.tolist() == [[0, 188, 255]]  # 188: IEC 61966-2-1 for half the light


def test_one_blown_channel_makes_a_pixel_saturated_and_all_black_ones_crushed():
    codes = np.array([[253, 10, 10], [252, 252, 252], [2, 2, 0], [3, 0, 0]], np.uint16) * 257

    assert saturated(codes).tolist() == [True, False, False, False]
    assert crushed(codes).tolist() == [False, False, True, False]
