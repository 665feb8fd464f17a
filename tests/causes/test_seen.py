"""What clips say: as much as the examination carries, and never more."""
# ruff: noqa: E501 (tables of cases and finished messages stand one a line)

from dataclasses import replace

import numpy as np
import pytest

from made_examinations import an_examination
from smokecase.causes.knowledge_file import standard_knowledge
from smokecase.causes.seen import clip_findings, fog_findings
from smokecase.condensation import forecast_fog
from smokecase.doubts import DOUBTS
from smokecase.measured import Measured
from smokecase.readings import SmokeColour, SmokeTiming, SoundReading, Together

KNOWLEDGE = standard_knowledge()


def a_clip(*doubts, colour=None, timing=None, **changes):
    whole = an_examination()
    black, blue, white, none = colour or (0.9, 0.04, 0.05, 0.01)
    return replace(
        whole,
        doubts=frozenset(DOUBTS[d] for d in doubts),
        colour=SmokeColour(
            black=black, blue=blue, white=white, none=none, colour_open=changes.pop("colour_open", False),
            word="", spectral_slope=None, veil_reflectance=None, u_veil_reflectance=None, lighting="front",
        ),
        timing=timing or SmokeTiming(onset_s=2.0, peak_s=2.5, peak_pct=60.0, visible_share=0.6),
        sound=changes.pop("sound", None),
        **changes,
    )  # fmt: skip


def said(clip, *, shows="unknown"):
    return {f.name: f for f in clip_findings(KNOWLEDGE, [clip], [shows])}


def sharpness(finding):
    return float(finding.likelihood.max() / finding.likelihood.min())


def test_a_clear_colour_is_told_as_weights():
    told = said(a_clip())["seen_colour"]

    assert told.states[0] == "black"
    assert told.source == "clip"


@pytest.mark.parametrize("doubt", ["heavy_compression", "back_lit", "saturated", "no_clean_plate"])
def test_a_doubt_weakens_and_never_sharpens(doubt):
    clear = said(a_clip())["seen_colour"]
    doubted = said(a_clip(doubt))["seen_colour"]

    assert sharpness(doubted) < sharpness(clear)


def test_many_doubts_leave_nothing():
    clip = a_clip("back_lit", "too_dark", "saturated", "veil_like_plate", "no_clean_plate", "moving_camera",
                  "shadow", "heavy_compression")  # fmt: skip

    assert "seen_colour" not in said(clip) or sharpness(said(clip)["seen_colour"]) < 1.3


def test_a_refused_clip_says_nothing_of_colour_or_time():
    told = said(a_clip(refused="nothing contrasts with the smoke"))

    assert set(told) == set()


def test_a_single_still_shows_its_colour_weakly():
    still = a_clip("single_still", refused="one picture alone", source="still")

    told = said(still)

    assert set(told) == {"seen_colour"}
    assert 1 < sharpness(told["seen_colour"]) < sharpness(said(a_clip())["seen_colour"])


def test_an_open_colour_says_nothing_of_colour():
    assert "seen_colour" not in said(a_clip(colour_open=True))


def test_a_fall_to_a_tenth_says_clears():
    timing = SmokeTiming(
        onset_s=2, peak_s=3, peak_pct=50, half_fall_s=20, tenth_fall_s=70, visible_share=0.5
    )

    told = said(a_clip(timing=timing, duration_s=150.0), shows="cold_start")["seen_clearing"]

    assert told.states[0] == "clears"
    assert sharpness(told) > 4


def test_a_short_clip_that_does_not_fall_says_little_and_a_long_one_much():
    timing = SmokeTiming(onset_s=2, peak_s=3, peak_pct=50, visible_share=0.9)

    short = said(a_clip(timing=timing, duration_s=12.0), shows="cold_start").get("seen_clearing")
    long = said(a_clip(timing=timing, duration_s=240.0), shows="cold_start")["seen_clearing"]

    assert short is None or sharpness(short) < 1.3
    assert sharpness(long) > 4


def test_a_fall_in_a_clip_under_load_says_nothing_of_warming_up():
    timing = SmokeTiming(onset_s=2, peak_s=3, peak_pct=50, tenth_fall_s=4, visible_share=0.2)

    assert "seen_clearing" not in said(a_clip(timing=timing, duration_s=60.0), shows="load")


def test_a_plume_that_begins_away_from_the_pipe_speaks_of_fog():
    told = said(a_clip("detached_plume"))["seen_detached"]

    assert told.states[0] == "away"


def test_ten_clips_of_one_plume_weigh_as_one():
    one = clip_findings(KNOWLEDGE, [a_clip()], ["unknown"])
    ten = clip_findings(KNOWLEDGE, [a_clip()] * 10, ["unknown"] * 10)

    for single, many in zip(one, ten, strict=True):
        np.testing.assert_allclose(single.likelihood, many.likelihood)


def a_sound(**fields):
    return SoundReading(words="", **fields)


def test_long_cranking_is_heard_with_its_uncertainty():
    sure = a_sound(cranking_time=Measured(value=6.0, u=0.3, unit="s"))
    unsure = a_sound(cranking_time=Measured(value=3.0, u=1.5, unit="s"))

    clearly = said(a_clip(sound=sure))["heard_cranking"]
    barely = said(a_clip(sound=unsure)).get("heard_cranking")

    assert clearly.states[0] == "long"
    assert sharpness(clearly) > 10
    assert barely is None or sharpness(barely) < 3


def test_a_weak_cylinder_and_hunting_are_heard():
    told = said(a_clip(sound=a_sound(weak_cylinder=0.9, hunting=0.05)))

    assert told["heard_firing"].states[0] == "one_weak"
    assert told["heard_hunting"].states[0] == "steady"


def test_uneven_when_cold_and_even_when_warm_is_told_from_two_clips():
    cold, warm, warm_too = (
        a_clip(sound=a_sound(weak_cylinder=w)) for w in (0.97, 0.02, 0.96)
    )  # fmt: skip

    smooths = {
        f.name: f for f in clip_findings(KNOWLEDGE, [cold, warm], ["cold_start", "warm_idle"])
    }
    stays = {
        f.name: f for f in clip_findings(KNOWLEDGE, [cold, warm_too], ["cold_start", "warm_idle"])
    }
    even = {f.name: f for f in clip_findings(KNOWLEDGE, [warm, warm], ["cold_start", "warm_idle"])}

    assert smooths["heard_warming"].states[0] == "smooths"
    assert stays["heard_warming"].states[0] == "stays"
    assert "heard_warming" not in even
    assert "heard_warming" not in said(cold, shows="cold_start")


def test_smoke_once_a_cycle_is_heard_as_one_weak_cylinder():
    once = a_clip(sound=a_sound(), together=Together(one_puff_a_cycle=True))

    assert said(once)["heard_firing"].states[0] == "one_weak"
    assert "once per engine cycle" in said(once)["heard_firing"].told


def test_wind_weakens_the_ear():
    fields = {"weak_cylinder": 0.95}
    clear = said(a_clip(sound=a_sound(**fields)))["heard_firing"]
    windy = said(a_clip(sound=a_sound(**fields, doubts=frozenset({DOUBTS["wind_noise"]}))))[
        "heard_firing"
    ]

    assert sharpness(windy) < sharpness(clear)


def test_no_engine_heard_says_nothing():
    sound = a_sound(weak_cylinder=0.9, doubts=frozenset({DOUBTS["no_engine_heard"]}))

    assert "heard_firing" not in said(a_clip(sound=sound))


def test_smoke_far_denser_than_fog_can_be_is_said_so():
    summer = forecast_fog(weather={"temperature": 28.0, "humidity": 40.0})
    timing = SmokeTiming(onset_s=2, peak_s=3, peak_pct=55.0, visible_share=0.9)

    (told,) = fog_findings([a_clip(timing=timing)], summer)

    assert told.states == ("beyond",)


def test_without_weather_there_is_no_forecast_to_hold_against():
    assert fog_findings([a_clip()], None) == []
