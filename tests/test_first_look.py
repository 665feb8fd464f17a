"""The first look at a clip: what it says before anything is measured."""

import numpy as np
import pytest
from PIL import Image

from smokecase.errors import ClipError
from smokecase.first_look import first_picture, look_first
from smokecase.model_files import find_model


def test_a_good_clip_is_fit():
    seen = look_first(find_model("demo/press_engine_start.mp4"))

    assert seen.fit
    assert (seen.source, seen.width, seen.height, seen.has_sound) == ("clip", 1280, 720, True)
    assert seen.duration_s == pytest.approx(20.0, abs=0.05)  # half a frame more or less


def test_a_single_picture_says_what_it_lacks():
    seen = look_first(find_model("demo/real_steam.jpg"))

    assert {doubt.name for doubt in seen.doubts} == {"single_still"}


def test_a_dark_picture_and_a_blown_one_are_told_apart(tmp_path):
    for name, code in (("too_dark", 12), ("saturated", 255)):
        path = tmp_path / f"{name}.png"
        Image.fromarray(np.full((90, 160, 3), code, np.uint8)).save(path)

        assert name in {doubt.name for doubt in look_first(path).doubts}


def test_rubbish_is_no_clip(tmp_path):
    path = tmp_path / "rubbish.mp4"
    path.write_bytes(b"rubbish" * 50)

    with pytest.raises(ClipError, match="no clip or picture that can be read"):
        look_first(path)


def test_the_first_picture_is_upright_and_no_longer_than_1280():
    picture = first_picture(find_model("demo/press_engine_start.mp4"), 5.0)

    assert picture.shape == (720, 1280, 3)
    assert picture.dtype == np.uint8
