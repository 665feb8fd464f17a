"""Key pictures are kept so that a sheet can be drawn of them later."""

import json

import numpy as np
import pytest
from PIL import Image

from made_examinations import an_examination
from smokecase.errors import CaseError
from smokecase.report.key_pictures import key_pictures_from_json, key_pictures_to_json


def test_key_pictures_come_back_with_all_that_is_drawn_over_them():
    pictures = an_examination().key_frames

    back = key_pictures_from_json(key_pictures_to_json(pictures), where="yard.mp4")

    assert len(back) == len(pictures) > 0
    for mine, other in zip(back, pictures, strict=True):
        assert (mine.time_s, mine.what) == (other.time_s, other.what)
        assert (mine.section_px, mine.exit_px) == (other.section_px, other.exit_px)
        np.testing.assert_array_equal(mine.plume, other.plume)
        assert mine.picture.shape == other.picture.shape
        off = np.abs(mine.picture.astype(float) - other.picture)
        assert off.mean() < 6  # JPEG loses a little


@pytest.mark.parametrize("text", ["no JSON", "[{}]", '[{"time_s": 1}]', "7"])
def test_damaged_ones_are_refused_in_a_sentence(text):
    with pytest.raises(CaseError, match=r"yard.mp4: its key pictures are damaged \(.*measure the"):
        key_pictures_from_json(text, where="yard.mp4")


def test_a_picture_that_is_none_is_refused():
    rows = json.loads(key_pictures_to_json(an_examination().key_frames))
    rows[0]["picture"] = "AAAA"

    with pytest.raises(CaseError, match="key pictures are damaged"):
        key_pictures_from_json(json.dumps(rows), where="yard.mp4")


def test_a_picture_of_an_absurd_size_is_refused(monkeypatch):
    rows = key_pictures_to_json(an_examination().key_frames)
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", 100)  # so that the picture is one

    with pytest.raises(CaseError, match="key pictures are damaged"):
        key_pictures_from_json(rows, where="yard.mp4")
