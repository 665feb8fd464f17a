"""Colour weights from veil and spectral slope.

The pure smokes' slopes and veils are those of Mie tables: shared/reference/06_mie_lognormal.csv
(oil of 0.3 um has slope 1.6, fuel of 0.5 um and coarser 0.4 and below, soot near 1).
"""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from smokecase.optics.veil import Veil
from smokecase.plume.kind import tell_colour

WHITE = np.ones(3)


def veil_of(light, slope, u_light=0.1, u_slope=0.2):
    rng = np.random.default_rng(0)
    members = light * np.exp(rng.normal(0, u_light, (24, 1))) * np.ones(3)
    return Veil(
        light=np.full(3, light), slope=slope, members=members,
        slopes=slope + rng.normal(0, u_slope, 24), tones=np.ones(24), kind="", chi2=0, windows=9,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("light", "slope", "colour"),
    [(0.04, 1.0, "black"), (0.8, 2.2, "blue"), (0.85, 0.0, "white")],
)
def test_pure_smokes_are_named(light, slope, colour):
    told = tell_colour(veil_of(light, slope), WHITE, 0.2, 0.0, 0.8)

    weights = {name: getattr(told, name) for name in ("black", "blue", "white", "none")}
    assert max(weights, key=weights.get) == colour
    assert not told.colour_open
    assert_allclose(sum(weights.values()), 1.0)


def test_no_smoke_is_none():
    assert tell_colour(None, WHITE, 0.2, 1.0, 0.8).none == 1.0


def test_soot_and_oil_together_share_the_weight():
    told = tell_colour(veil_of(0.4, 1.5), WHITE, 0.2, 0.0, 0.8)

    assert told.black > 0.15
    assert told.blue > 0.15


def test_an_unknown_slope_leaves_blue_and_white_open_to_one_another():
    sure = tell_colour(veil_of(0.8, 0.0, u_slope=0.1), WHITE, 0.2, 0.0, 0.8)
    unsure = tell_colour(veil_of(0.8, 0.0, u_slope=2.0), WHITE, 0.2, 0.0, 0.8)

    assert unsure.blue > sure.blue + 0.1


def test_smoke_that_outshines_the_view_may_be_lit_from_behind():
    assert tell_colour(veil_of(2.0, 0.0), WHITE, 0.2, 0.0, 0.5).lighting == "back_lit"
    assert tell_colour(veil_of(0.5, 0.0), WHITE, 0.2, 0.0, 0.8).lighting == "front"
