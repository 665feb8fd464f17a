"""Colour weights from veil, spectral slope and tint.

The pure smokes' slopes and veils are those of Mie tables: shared/reference/06_mie_lognormal.csv
(oil of 0.3 um has slope 1.6, fuel of 0.5 um and coarser 0.4 and below, soot near 1).
"""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from smokecase.doubts import COLOUR_CAST, TWO_COLOURS
from smokecase.plume.kind import ColourLook, tell_colour
from smokecase.plume.likely_white import likely_white
from smokecase.plume.spectral import Spectral

SPECTRAL = {"slope": 0.0, "u_slope": 0.12, "tint": 0.0, "u_tint": 0.05, "off_axis": 0.0,
            "u_off_axis": 0.02, "misfit": 0.5}  # fmt: skip


def look_at(light, *, u_light=0.1, u_white=0.08, brightest=0.8, moving=True, **spectral):
    return ColourLook(
        light=np.full(3, light), u_ln_light=u_light, spectral=Spectral(**SPECTRAL | spectral),
        white=np.ones(3), u_ln_white=u_white, brightest=brightest, moving=moving,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("light", "slope", "tint", "colour"),
    [(0.05, 1.25, 0.4, "black"), (0.8, 2.4, 0.05, "blue"), (0.85, -0.2, 0.0, "white")],
)
def test_pure_smokes_are_named(light, slope, tint, colour):
    told, doubts = tell_colour(look_at(light, slope=slope, tint=tint), 0.0)

    weights = {name: getattr(told, name) for name in ("black", "blue", "white", "none")}
    assert max(weights, key=weights.get) == colour
    assert told.word == colour
    assert not told.colour_open
    assert told.chance > 0.8
    assert not doubts
    assert_allclose(sum(weights.values()), 1.0)


def test_no_smoke_is_none():
    told, _ = tell_colour(None, 1.0)

    assert told.none == 1.0
    assert told.chance is None


def test_soot_and_oil_together_share_the_weight():
    told, _ = tell_colour(look_at(0.25, slope=1.5, tint=0.1), 0.0)

    assert told.black > 0.15
    assert told.blue > 0.15


def test_an_unknown_slope_leaves_the_colour_open():
    sure, _ = tell_colour(look_at(0.8, slope=0.0, u_slope=0.1), 0.0)
    unsure, _ = tell_colour(look_at(0.8, slope=0.9, u_slope=1.1), 0.0)

    assert unsure.chance < sure.chance - 0.1
    assert unsure.colour_open
    assert unsure.word == "cannot be told"


def test_what_is_darker_than_any_mist_is_not_called_white():
    pale, _ = tell_colour(look_at(0.2, u_light=0.3, u_white=0.5), 0.0)
    dark, _ = tell_colour(look_at(0.13, u_light=0.3, u_white=0.5), 0.0)

    assert pale.word == "white"
    assert dark.white > 0.7  # by its neutral colour alone
    assert dark.colour_open


def test_a_pink_veil_is_not_called_white():
    told, doubts = tell_colour(look_at(0.9, off_axis=0.4), 0.0)

    assert doubts == {COLOUR_CAST}
    assert told.colour_open


@pytest.mark.parametrize(
    ("misfit", "moving", "is_open"), [(1.6, False, True), (3.0, True, False), (6.0, True, True)]
)
def test_two_colours_in_one_plume_are_a_doubt(misfit, moving, is_open):
    told, doubts = tell_colour(look_at(0.9, misfit=misfit, moving=moving), 0.0)

    assert doubts == {TWO_COLOURS}
    assert told.colour_open is is_open


def test_smoke_that_outshines_the_view_may_be_lit_from_behind():
    glowing, _ = tell_colour(look_at(2.0, brightest=0.5), 0.0)
    plain, _ = tell_colour(look_at(0.5), 0.0)

    assert glowing.lighting == "back_lit"
    assert plain.lighting == "front"


def test_a_guessed_white_is_taken_from_the_brightest_things():
    plate = np.full((40, 60, 3), 0.1, np.float32)
    plate[:2, :2] = 0.5

    white, u = likely_white(plate)

    assert_allclose(white, 0.9, rtol=1e-6)  # 1.8 times the brightest
    assert u == 0.45
