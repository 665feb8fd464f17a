"""The invented clips that the wheel carries: small, marked, and true to their recipe."""

import json

import av
import pytest
from numpy.testing import assert_allclose

from made_examinations import an_examination
from smokecase.commands.demo import readings_beside_truth
from smokecase.demo.encode import MARK
from smokecase.demo.plan import make_plan
from smokecase.demo.stories import SECONDS, SEED, SIZE, STORIES
from smokecase.model_files import find_model


def bundled(story):
    clip = find_model(f"demo/{story.name}.mp4")
    return clip, json.loads(clip.with_suffix(".truth.json").read_text())


@pytest.mark.parametrize("story", STORIES, ids=lambda s: s.name)
def test_a_bundled_clip_is_small_sounds_and_says_that_it_is_invented(story):
    clip, truth = bundled(story)

    assert clip.stat().st_size <= 1.5e6
    with av.open(str(clip)) as file:
        assert file.metadata["comment"] == MARK
        assert story.wish.title in file.metadata["title"]
        assert len(file.streams.audio) == 1
        assert file.streams.video[0].frames == truth["frames"]
    assert truth["invented"] == MARK
    assert truth["scenario"]["words"].startswith("Invented")


@pytest.mark.parametrize("story", STORIES, ids=lambda s: s.name)
def test_a_bundled_clip_is_the_one_that_the_recipe_draws(story):
    _, truth = bundled(story)

    plan = make_plan(SEED, size=SIZE, seconds=SECONDS, wish=story.wish)

    assert_allclose(truth["pipe"]["exit_px"], plan.scene.exit_px, atol=1e-4)
    assert_allclose(truth["per_frame"]["time_s"], plan.times_s, atol=1e-5)
    assert_allclose(truth["engine"]["idle_rpm"], plan.engine.idle_rpm, atol=1e-4)


def test_the_three_clips_show_what_they_tell():
    start, sister, after = (bundled(story)[1] for story in STORIES)

    def peak(truth):
        return max(truth["per_frame"]["opacity_near_pipe"])

    assert peak(start) > peak(after) > peak(sister)
    assert start["smoke"]["puff_hz"] == pytest.approx(start["engine"]["idle_rpm"] / 120, rel=1e-4)
    assert sister["smoke"]["puff_hz"] is None
    assert start["near_pipe_box_px"] == sister["near_pipe_box_px"] == after["near_pipe_box_px"]


def test_the_truth_stands_beside_what_was_read():
    truth = {
        "smoke": {"colour_class": "white", "visible_onset_s": 1.5, "peak_s": 2.0, "puff_hz": None},
        "engine": {"idle_rpm": 720.9},
        "per_frame": {"time_s": [1.0, 1.9, 2.0, 2.1], "opacity_near_pipe": [0.0, 40.0, 50.0, 60.0]},
    }

    rows = readings_beside_truth(an_examination(), truth)

    assert [" ".join(row.split()) for row in rows] == [
        "first smoke 2.0 s truth 1.5 s",
        "densest 2.1 s truth 2.0 s",
        "light blocked then 58 % (52 to 64) truth 50 %",
        "colour black: black 90 %, blue 4 %, white 6 % truth white",
        "puffs a second 6.00 (5.80 to 6.20) truth none",
        "idle speed, by ear not heard truth 721 1/min",
    ]


def test_a_real_picture_comes_with_its_licence():
    words = find_model("demo/README.txt").read_text()

    assert find_model("demo/real_steam.jpg").stat().st_size < 100_000
    assert "Public domain" in words
