"""Joining the contrast of a backdrop with the veil way."""

import numpy as np
from numpy.testing import assert_allclose

from smokecase.doubts import BOARD_OFF_SECTION, DENSE
from smokecase.plume.backdrop_reading import ContrastReading
from smokecase.plume.fuse import join_contrast
from smokecase.plume.measure import SectionValues


def by_veil(opacity, u, doubts=frozenset()):
    return SectionValues(
        transmittance=np.full(3, 1 - opacity / 100),
        u_transmittance=np.full(3, u / 100),
        opacity_pct=opacity,
        u_opacity_pct=u,
        low_pct=opacity - 1.96 * u,
        high_pct=opacity + 1.96 * u,
        centre_line_pct=opacity + 10,
        doubts=doubts,
    )


def by_contrast(opacity, u, doubts=frozenset()):
    t = np.full(3, 1 - opacity / 100)
    return ContrastReading(
        transmittance=t, u_transmittance=np.full(3, u / 100), centre=t - 0.1,
        u_centre=np.full(3, u / 100), veil=np.full(3, 0.1), surface=None, origin_px=(0, 0),
        step_px=1.0, doubts=doubts,
    )  # fmt: skip


def test_two_that_agree_are_averaged_the_veil_way_with_twice_its_doubt():
    joint = join_contrast(by_veil(42.0, 1.0), by_contrast(40.0, 2.0))

    assert_allclose(joint.opacity_pct, 41.0)  # 2 against 2 x 1: equal weights
    assert_allclose(joint.u_opacity_pct, 1.8)  # nine tenths of the smaller, as they share pixels
    assert_allclose(joint.low_pct, 41.0 - 1.959964 * 1.8, atol=1e-5)


def test_where_they_disagree_contrast_is_believed_and_doubted():
    joint = join_contrast(by_veil(60.0, 2.0), by_contrast(40.0, 1.0))

    assert joint.opacity_pct == 40.0
    assert_allclose(joint.u_opacity_pct, np.hypot(1.0, 10.0))


def test_each_stands_alone_where_the_other_cannot_answer():
    blind = by_contrast(np.nan, np.nan, frozenset({BOARD_OFF_SECTION}))

    assert join_contrast(by_veil(40.0, 2.0), blind).opacity_pct == 40.0
    assert join_contrast(None, blind) is None
    assert join_contrast(None, by_contrast(40.0, 2.0)).opacity_pct == 40.0
    blank = by_veil(np.nan, 40.0)
    assert_allclose(join_contrast(blank, by_contrast(30.0, 2.0)).opacity_pct, 30.0)


def test_doubts_of_both_are_kept():
    joint = join_contrast(by_veil(81.0, 2.0), by_contrast(82.0, 2.0, frozenset({DENSE})))

    assert DENSE in joint.doubts
