"""What two clips share of the smoke's brightness, and how several spans are judged together."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from made_traces import make_examination, make_trace
from smokecase.case.conditions import check_conditions
from smokecase.case.judgement import chance_of_sign, is_alike, matters_pct, needed_z
from smokecase.case.level import Difference, Level
from smokecase.case.record import Circumstances
from smokecase.case.shared_veil import U_OTHER_PLACE, U_SAME_PLACE, SharedVeil, share_veil

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


def span(one, other, *, common=0.0, name="whole common time", **more):
    values = {"rest": 1.0, "swirl": 0.0, "repeat": 0.0, **more}
    levels = [Level(value=v, veil=-v, u_veil=0.2 * v, **values) for v in (one, other)]
    return Difference(name=name, one=levels[0], other=levels[1], common_veil=common)


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


@pytest.mark.parametrize("count", [2, 3])
@pytest.mark.parametrize("swirl", [0.0, 1.0, 3.0])
def test_the_bound_for_several_spans_is_that_of_a_general_purpose_library(count, swirl):
    spans = tuple(span(0.0, 0.0, rest=1.0, swirl=swirl) for _ in range(count))
    common = min(1 / (1 + swirl**2), 0.95)

    z = needed_z(spans)

    cov = np.full((count, count), common) + (1 - common) * np.eye(count)
    inside = multivariate_normal(np.zeros(count), cov).cdf([z] * count, lower_limit=[-z] * count)
    assert inside == pytest.approx(0.95, abs=1e-3)  # the library integrates by sampling
    assert chance_of_sign(z, spans) == pytest.approx(0.975, abs=1e-3)


def test_one_span_needs_what_a_normal_number_needs():
    assert needed_z((span(10, 20),)) == pytest.approx(norm.ppf(0.975), abs=1e-4)


@pytest.mark.parametrize(
    ("one", "other", "rest", "alike"),
    [
        (4.0, 6.0, 1.2, True),  # 2 + 1.645 * 1.7 is just below 5
        (4.0, 6.0, 1.4, False),
        (60.0, 50.0, 3.0, True),  # 50 - 0.6 * 60 = 14, far above 1.645 * 3.5
        (60.0, 38.0, 3.0, False),  # 38 - 36 = 2
        (60.0, 60.0, 15.0, False),  # agree, but could hide anything
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
