"""The advice benchmark: the smoke stays what it is however it is filmed; no advice is forgotten."""

import re
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_array_equal

sys.path.insert(0, str(Path(__file__).parents[1]))

from tests.benchmarks.advice_filming import Filming, plan_of
from tests.benchmarks.advice_kinds import FOLLOWED, NOT_TRIED, badly_filmed, follow
from tests.benchmarks.advice_verdict import verdict

from smokecase.demo.engine import STEP_S
from smokecase.demo.render import render_plan
from smokecase.doubts import DOUBTS

ROOT = Path(__file__).parents[1]


def test_every_advice_is_tried_or_left_out_with_a_reason():
    assert set(FOLLOWED) | set(NOT_TRIED) == set(DOUBTS)
    assert not set(FOLLOWED) & set(NOT_TRIED)


def test_the_page_names_every_advice():
    page = (ROOT / "examples" / "advice.md").read_text()

    assert [name for name in DOUBTS if f"`{name}`" not in page] == []
    assert [why for why in NOT_TRIED.values() if why not in page] == []


def test_every_doubt_is_raised_somewhere():
    source = "".join(p.read_text() for p in (ROOT / "src" / "smokecase").rglob("*.py")
                     if p.name != "doubts.py")  # fmt: skip

    raised = {name for name in DOUBTS if re.search(rf"\b{name.upper()}\b", source)}
    assert raised == set(DOUBTS)


def test_a_change_of_filming_keeps_engine_and_smoke():
    bad = badly_filmed("late", 0)

    as_filmed, advised = (
        plan_of(bad),
        plan_of(follow(bad, "smoke_from_start", "exposure_unchecked")),
    )

    later = round(bad.begins_s / STEP_S)
    assert_array_equal(as_filmed.emission.level, advised.emission.level[later:])
    assert as_filmed.emission.onset_s + bad.begins_s == pytest.approx(advised.emission.onset_s)
    assert as_filmed.engine.start_s + bad.begins_s == pytest.approx(advised.engine.start_s)
    assert [p.kind for p in as_filmed.parts] == [p.kind for p in advised.parts]
    smaller = advised.jet.diameter_px / as_filmed.jet.diameter_px
    assert smaller == pytest.approx(0.55)  # stepped back: lengths are in pipe diameters
    assert replace(advised.jet, diameter_px=as_filmed.jet.diameter_px) == as_filmed.jet


def test_the_true_opacity_is_the_same_by_night_and_by_day(tmp_path):
    night = Filming(seed=12_100, by_lamp=True, begins_s=5.0, lasts_s=0.3)
    day = follow(night, "too_dark")

    dark, bright = (render_plan(plan_of(f), tmp_path / f"{f.name()}.mp4") for f in (night, day))

    true = [np.array(t["per_frame"]["opacity_near_pipe"]) for t in (dark, bright)]
    assert true[0].max() > 5.0
    assert_array_equal(true[0], true[1])
    gains = [np.mean(t["per_frame"]["gain_g"]) for t in (dark, bright)]
    assert gains[1] > 20 * gains[0]  # 5.2 stops between the two exposures


@pytest.mark.parametrize(
    ("before", "after", "expected"),
    [
        ((None, None, None), (3.0, 5.0, 0.9), "helped"),
        ((9.0, 3.0, 0.1), (3.0, 5.0, 0.9), "helped"),  # a wrong reading is none
        ((9.0, 3.0, 0.1), (None, None, None), "no difference"),
        ((3.0, 5.0, 0.9), (None, None, None), "worse"),
        ((3.0, None, 1.0), (3.0, 9.0, 1.0), "helped"),  # open to one side: the widest of all
        ((3.0, 7.0, 1.0), (2.9, 6.9, 1.0), "no difference"),
        ((3.0, 7.0, 1.0), (1.0, 4.0, 1.0), "helped"),
        ((1.0, 4.0, 1.0), (3.0, 7.0, 1.0), "worse"),
    ],
)
def test_what_counts_as_help(before, after, expected):
    found = [dict(zip(("error", "half", "inside"), x, strict=True)) for x in (before, after)]

    assert verdict("shaky", *found) == expected


@pytest.mark.parametrize(
    ("before", "after", "expected"),
    [("open", "blue", "helped"), ("black", "open", "helped"), ("blue", "open", "worse"),
     ("none", "black", "no difference")],
)  # fmt: skip
def test_advice_about_the_colour_is_judged_by_the_colour(before, after, expected):
    found = [{"colour": told, "true_colour": "blue"} for told in (before, after)]

    assert verdict("colour_open", *found) == expected
