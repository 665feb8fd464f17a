"""What two clips share of the smoke's brightness, and how several spans are judged together."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from made_traces import make_examination, make_trace
from smokecase.case.conditions import check_conditions
from smokecase.case.judgement import MATTERS, TRIFLE, chance_beyond, is_alike, matters_pct
from smokecase.case.level import U_CLEAR_PCT, Difference, Level
from smokecase.case.record import Circumstances
from smokecase.case.shared_veil import (
    U_OTHER_PLACE,
    U_SAME_PLACE,
    SharedVeil,
    share_rest,
    share_veil,
)

YARD = Circumstances(light="overcast", camera="A", background="brick wall")


def filmed(ln_veil, u_ln_veil, **more):
    veil = {"ln_veil": ln_veil, "u_ln_veil": u_ln_veil, "opacity_per_ln_veil": -1.0,
            "ln_white": 0.0, "u_ln_white": 0.5}  # fmt: skip
    return make_examination(make_trace([0.0, 1.0], 20.0), settings={"veil": veil}, **more)


def shared(first, second, told=(YARD, YARD)):
    return share_veil((first, second), check_conditions((first, second), told))


def test_two_clips_of_one_yard_meet_where_drawing_says():
    # as literal as can be: draw the truth, keep what both clips could have read
    rng = np.random.default_rng(3)
    one, other = -0.2 + rng.normal(0, 0.2, 400_000), rng.normal(0, 0.1, 400_000)
    weight = norm.pdf(other - one, 0, U_SAME_PLACE)
    means = [np.average(x, weights=weight) for x in (one, other)]
    spread = np.cov(np.stack([one, other]), aweights=weight)

    found = shared(filmed(-0.2, 0.2), filmed(0.0, 0.1))

    # 4 sigma of a mean over the draws
    assert found.moves == pytest.approx((means[0] + 0.2, means[1]), abs=2e-3)
    assert found.u_joint == pytest.approx(np.sqrt(np.diag(spread)), abs=2e-3)
    assert found.common == pytest.approx(spread[0, 1], abs=5e-4)


def test_another_place_ties_less():
    told = (YARD, replace(YARD, background="hedge"))

    near, far = (shared(filmed(0, 0.2), filmed(0, 0.2), t) for t in ((YARD, YARD), told))

    assert U_SAME_PLACE < U_OTHER_PLACE
    assert near.common > 2 * far.common > 0


@pytest.mark.parametrize(
    ("second", "told"),
    [
        (filmed(0, 0.2), replace(YARD, light="lamp")),
        (filmed(0, 0.2), replace(YARD, camera="B")),
        (filmed(0, 0.2, colour=(0.0, 0.0, 1.0, 0.0)), YARD),  # white smoke after black
        (filmed(2.0, 0.2), YARD),  # seven times as bright: not the same smoke
    ],
)
def test_what_is_not_one_smoke_in_one_light_stays_apart(second, told):
    found = shared(filmed(0, 0.2), second, (YARD, told))

    assert found.common == 0
    assert found.moves == (0, 0)
    assert found.u_joint == found.u_alone == (0.2, 0.2)


def test_where_the_brightness_was_not_needed_nothing_is_shared():
    before_a_board = make_examination(make_trace([0.0, 1.0], 20.0), settings={"veil": None})

    assert shared(filmed(0, 0.2), before_a_board) == SharedVeil()


def span(one, other, *, common=0.0, common_rest=0.0, veil=1.0, name="whole common time", **more):
    values = {"rest": 1.0, "swirl": 0.0, "repeat": 0.0, **more}
    levels = [Level(value=v, veil=-veil * v, u_veil=0.2 * veil * v, **values) for v in (one, other)]
    return Difference(name=name, one=levels[0], other=levels[1], common_veil=common,
                      common_rest=common_rest)  # fmt: skip


def test_what_both_err_in_alike_cancels_in_their_difference():
    apart, tied = span(40, 40), span(40, 40, common=0.2**2)

    assert apart.difference.u == pytest.approx(math.hypot(1, 1, 8, 8))
    assert tied.difference.u == pytest.approx(math.hypot(1, 1))
    assert tied.first.u == apart.first.u  # each alone is as unsure as before


def test_a_share_of_one_against_the_other_cancels_in_proportion():
    # b - a / 2 with b half of a: a common scale leaves nothing
    assert span(40, 20, common=0.2**2).u_over(0.5, upward=True) == pytest.approx(
        math.hypot(0.5, 1.0)
    )


def test_sides_of_a_reading_stay_on_their_sides():
    found = span(40, 20, skew=(0.5, 1.5))

    # the difference is less than shown if the first is lower, or the second higher
    up = 1.5 * (1 + 64) + 0.5 * (1 + 16)
    assert found.u_over(1.0, upward=True) == pytest.approx(math.sqrt(up))
    assert found.difference.high == pytest.approx(-20 + 1.959964 * math.sqrt(up))


def test_the_same_camera_in_the_same_place_errs_alike():
    near = shared_rest(YARD)
    elsewhere = shared_rest(replace(YARD, background="hedge"))

    assert near > elsewhere > 0
    assert shared_rest(replace(YARD, camera="B")) == shared_rest(replace(YARD, light="lamp")) == 0


def shared_rest(second):
    return share_rest(check_conditions((filmed(0, 0.2), filmed(0, 0.2)), (YARD, second)))


def test_what_the_camera_errs_in_alike_cancels_but_not_in_clear_air():
    apart, tied = (span(0, 0, rest=5.0, common_rest=c) for c in (0.0, 0.8))
    clear = span(0, 0, rest=U_CLEAR_PCT, common_rest=0.8)

    assert apart.difference.u == pytest.approx(5 * math.sqrt(2))
    left = 5**2 - 0.8 * (5**2 - U_CLEAR_PCT**2)
    assert tied.difference.u == pytest.approx(math.sqrt(2 * left))
    assert clear.difference.u == pytest.approx(U_CLEAR_PCT * math.sqrt(2))


@pytest.mark.parametrize("bounds", [TRIFLE, MATTERS])
@pytest.mark.parametrize(("one", "other"), [(40, 20), (8, 3), (50, 46), (3, 12), (20, 22)])
def test_chances_of_a_difference_are_those_of_drawn_pairs(bounds, one, other):
    rng = np.random.default_rng(5)
    first, second = (x + rng.normal(0, 3.0, 400_000) for x in (one, other))
    wide = np.maximum(bounds[0], bounds[1] * np.maximum(first, second))

    found = [chance_beyond(span(one, other, rest=3.0, veil=0.0), bounds, more=more)
             for more in (False, True)]  # fmt: skip

    drawn = [np.mean(first - second > wide), np.mean(second - first > wide)]
    # never below what is drawn, and above it only where both bounds bite at once
    assert np.all(np.array(found) > np.array(drawn) - 3e-3)
    assert found == pytest.approx(drawn, abs=0.12)


@pytest.mark.parametrize(
    ("one", "other", "rest", "alike"),
    [
        (4.0, 6.0, 1.6, True),  # 2 + 1.282 * 2.26 is just below 5
        (4.0, 6.0, 1.7, False),
        (60.0, 50.0, 3.0, True),  # 50 - 0.6 * 60 = 14, far above 1.282 * 3.5
        (60.0, 38.0, 3.0, False),  # 38 - 36 = 2
        (60.0, 60.0, 18.0, False),  # agree, but could hide anything
    ],
)
def test_alike_is_what_two_one_sided_tests_say(one, other, rest, alike):
    found = Difference(
        name="whole", one=Level(value=one, rest=rest, swirl=0, repeat=0),
        other=Level(value=other, rest=rest, swirl=0, repeat=0),
    )  # fmt: skip

    assert is_alike(found) is alike
    assert matters_pct(found) == max(5.0, 0.4 * one, 0.4 * other)
    assert is_alike(found.turned()) is alike
