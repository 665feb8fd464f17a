"""The waist prints well, and comes back from plain values and its table unchanged."""

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from made_examinations import an_examination
from smokecase.readings import SCREENING, Examination, SmokeColour


def test_an_examination_prints_in_a_few_lines_with_its_interval():
    assert str(an_examination()).splitlines() == [
        "yard.mp4: clip, 640 x 360 pixels, 8.0 s, 80 pictures measured",
        "at its densest, 2.1 s: opacity 56 % (50 to 62)",
        "colour black (black 90 %, blue 4 %, white 6 %, none 0 %)",
        "doubts: dense",
        SCREENING,
    ]


def test_a_refused_one_says_why_and_claims_no_number():
    words = str(replace(an_examination(), refused="the camera moves"))

    assert "no opacity: the camera moves" in words
    assert "56 %" not in words


def test_an_open_interval_is_said_before_and_after_a_walk_through_plain_values():
    found = an_examination()
    high = np.full(len(found.trace), math.inf)
    found = replace(found, trace=replace(found.trace, opacity_high_pct=high))

    back = Examination.from_json(found.to_json(), found.to_table())

    assert "opacity 56 % (50 to open)" in str(found)
    assert str(back) == str(found)


def test_plain_values_and_back():
    found = an_examination()

    back = Examination.from_json(found.to_json(), found.to_table())

    assert back.to_json() == found.to_json()
    for name in ("time_s", "opacity_pct", "colour", "transmittance", "u_transmittance"):
        assert_array_equal(getattr(back.trace, name), getattr(found.trace, name))
    assert back.trace.doubts == found.trace.doubts


def test_weights_that_do_not_sum_to_one_are_refused():
    with pytest.raises(ValueError, match="must sum to 1"):
        SmokeColour(black=0.5, blue=0.0, white=0.0, none=0.0, colour_open=False, word="black")


def test_a_bound_that_is_open_comes_back_open_and_not_missing():
    whole = an_examination()
    high = np.full(len(whole.trace), math.inf)
    examination = replace(whole, trace=replace(whole.trace, opacity_high_pct=high))

    back = Examination.from_json(examination.to_json(), examination.trace.to_table())

    known = np.isfinite(back.trace.opacity_pct)
    assert known.any()
    assert (back.trace.opacity_high_pct[known] == math.inf).all()
    assert_array_equal(back.trace.opacity_low_pct, whole.trace.opacity_low_pct)


def test_a_time_that_is_no_number_is_refused():
    found = an_examination()
    plain = found.to_json()
    plain["timing"]["peak_s"] = {"at": 3.0}

    with pytest.raises(ValueError, match="peak_s must be a number or nothing"):
        type(found).from_json(plain, found.to_table())
