"""Copies to hand on: what is covered is gone, and nothing of the file's own data is left."""

import av
import numpy as np
import pytest

from made_clips import write_clip, yard
from smokecase.errors import AnswersError
from smokecase.optics.light import to_linear, to_srgb8
from smokecase.video.mask import Box, write_masked


def shown(frame, transfer):
    return to_srgb8(to_linear(frame.codes, transfer))


def pictures(path):
    with av.open(str(path)) as container:
        return [f.to_ndarray(format="rgb24").astype(float) for f in container.decode(video=0)]


@pytest.fixture
def original(tmp_path):
    return write_clip(tmp_path / "in.mp4", yard(20), sound=np.zeros(8000))


def masked(original, *boxes):
    out = original.with_name("out.mp4")
    count = write_masked(original, out, boxes, to_srgb8=shown)
    assert count == 20
    return pictures(out)


def test_a_covered_box_holds_one_grey_in_every_picture(original):
    for picture in masked(original, Box(x0=10, y0=8, x1=30, y1=24)):
        inside = picture[10:22, 12:28]
        assert inside.std() < 6  # the coding's own rounding; the view spreads over 30 and more
        assert abs(inside.mean() - 64) < 6
        assert picture[30:, 40:].std() > 15  # the rest is still seen


def test_a_box_for_a_while_covers_only_then(original):
    found = masked(original, Box(x0=10, y0=8, x1=30, y1=24, from_s=0.3, to_s=0.6))

    spread = [picture[10:22, 12:28].std() for picture in found]
    assert max(spread[9:14]) < 6  # 0.36 to 0.52 s at 25 pictures a second
    assert min(spread[:6] + spread[17:]) > 15


def test_the_copy_has_no_sound_and_none_of_the_files_own_data(tmp_path):
    place = "+48.8577+002.295/"  # ISO 6709, as phones write it
    original = tmp_path / "in.mp4"
    with av.open(str(original), "w", options={"movflags": "use_metadata_tags"}) as container:
        container.metadata.update({"location": place, "artist": "Odo", "comment": "mine"})
        stream = container.add_stream("libx264", rate=25)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        for picture in yard(20):
            container.mux(stream.encode(av.VideoFrame.from_ndarray(picture, "rgb24")))
        container.mux(stream.encode())
    assert place.encode() in original.read_bytes()

    write_masked(original, tmp_path / "out.mp4", [], to_srgb8=shown)

    content = (tmp_path / "out.mp4").read_bytes()
    assert not any(word in content for word in (place.encode(), b"Odo", b"mine"))
    with av.open(str(tmp_path / "out.mp4")) as copy:
        assert not copy.streams.audio
        assert "location" not in copy.metadata


def test_boxes_that_cover_nothing_are_refused_in_one_sentence(original):
    with pytest.raises(AnswersError, match="the box 5,5,5,9 is empty; give left, top, right"):
        Box(x0=5, y0=5, x1=5, y1=9)
    with pytest.raises(AnswersError, match="the box at 100,0 lies outside the picture; the pict"):
        masked(original, Box(x0=100, y0=0, x1=120, y1=9))
