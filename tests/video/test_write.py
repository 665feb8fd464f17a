"""Written clips play everywhere, keep their times and nearly their colours."""

import av
import numpy as np
import pytest
from numpy.testing import assert_allclose

from made_clips import write_clip, yard
from smokecase.errors import Cancelled
from smokecase.video.clip import open_clip
from smokecase.video.write import write_h264, write_proxy


def test_times_and_colours_survive(tmp_path):
    times = [0.0, 0.04, 0.1, 0.25]
    picture = np.full((50, 70, 3), (180, 90, 60), np.uint8)

    count = write_h264(tmp_path / "out.mp4", ((t, picture) for t in times), fps=25)

    clip = open_clip(tmp_path / "out.mp4")
    frames = list(clip.frames())
    assert count == len(frames) == 4
    assert_allclose([f.time_s for f in frames], times, atol=1e-5)
    assert_allclose(frames[2].codes[25, 35] / 257, (180, 90, 60), atol=3)  # compression
    assert not clip.doubts  # it says how its colours are coded


def test_an_odd_row_is_cut_off(tmp_path):
    write_h264(tmp_path / "out.mp4", [(0.0, np.zeros((51, 71, 3), np.uint8))], fps=25)

    clip = open_clip(tmp_path / "out.mp4")
    assert (clip.width, clip.height) == (70, 50)


def show(frame, transfer):
    return (frame.codes >> 8).astype(np.uint8)


def test_a_proxy_is_h264_whatever_the_original_was(tmp_path):
    original = write_clip(tmp_path / "start.mkv", yard(10), codec="ffv1", pix_fmt="yuv422p")

    count = write_proxy(original, tmp_path / "proxy.mp4", to_srgb8=show)

    assert count == 10
    with av.open(str(tmp_path / "proxy.mp4")) as container:
        stream = container.streams.video[0]
        assert (stream.codec_context.name, stream.codec_context.pix_fmt) == ("h264", "yuv420p")


def test_making_a_proxy_can_be_stopped(tmp_path):
    original = write_clip(tmp_path / "start.mp4", yard(10))

    def tell(share, words):
        if share > 0.3:
            raise Cancelled

    with pytest.raises(Cancelled):
        write_proxy(original, tmp_path / "proxy.mp4", to_srgb8=show, tell=tell)
