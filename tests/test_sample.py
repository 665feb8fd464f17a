"""The sample of frames that walk 1 learns from."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from tests.made_clips import write_clip

from smokecase.errors import ClipError
from smokecase.optics.light import to_linear
from smokecase.sample import MOST_SAMPLES, Lights, take_sample
from smokecase.video.clip import open_clip


def untold(share, words):
    return None


def test_lights_are_kept_to_a_part_in_two_thousand_with_their_exposure_taken_out():
    rng = np.random.default_rng(2)
    light = rng.uniform(1e-4, 4.0, (5, 9, 16, 3)).astype(np.float32)
    gains = rng.uniform(0.7, 1.4, (5, 3))

    lights = Lights([x.astype(np.float16) for x in light]).without(gains)

    assert len(lights) == 5
    for n, one in enumerate(lights):
        assert one.dtype == np.float32
        assert_allclose(one, light[n] / gains[n], rtol=1 / 2000)
    assert_allclose(lights[1:3][1], lights[2])


def test_a_still_camera_gives_frames_as_they_are_spread_over_the_clip(tmp_path):
    rng = np.random.default_rng(4)
    yard = np.kron(rng.integers(40, 200, (12, 20, 3)), np.ones((8, 8, 1))).astype(np.uint8)
    frames = [np.clip(yard + rng.integers(-1, 2, yard.shape), 0, 255).astype("u1")] * 130
    clip = open_clip(write_clip(tmp_path / "clip.mp4", frames))
    doubts = set()

    sample = take_sample(clip, 0.0, np.inf, doubts=doubts, tell=untold)

    assert sample.landmarks is None
    assert not doubts
    assert MOST_SAMPLES <= len(sample.lights) <= 2 * MOST_SAMPLES
    assert len(sample.times_s) == len(sample.lights)
    assert_allclose(np.diff(sample.times_s), 2 / 25, atol=2e-3)
    first = to_linear(next(iter(clip.frames())).codes, clip.transfer)
    assert_allclose(sample.lights[0], first, rtol=1 / 2000, atol=1e-7)


def test_a_part_without_a_frame_is_refused(tmp_path):
    clip = open_clip(write_clip(tmp_path / "clip.mp4", [np.full((36, 64, 3), 90, np.uint8)] * 5))

    with pytest.raises(ClipError, match="no picture lies in the chosen part"):
        take_sample(clip, 50.0, 60.0, doubts=set(), tell=untold)
