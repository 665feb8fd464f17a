"""A file of too few bits is told from one whose still view needs no more."""

from math import log2
from types import SimpleNamespace

import av
import numpy as np
import pytest
from PIL import Image

from made_clips import write_clip, yard
from smokecase.doubts import HEAVY_COMPRESSION
from smokecase.first_look import look_first
from smokecase.video.bits import DECODING, first_quantiser, too_few_bits
from smokecase.video.clip import open_clip

COARSE = {"qp": "45"}  # of 51
FINE = {"qp": "20"}


def still_view(count=60):
    """An invented view 320 x 180 in which nothing happens, without noise."""
    return [next(yard(1, width=160, height=90)).repeat(2, 0).repeat(2, 1)] * count


def first_of(path):
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        stream.codec_context.options = DECODING
        return next(container.decode(stream)), stream.codec_context.codec


def made(path, codec="libx264", *, options, pictures=None):
    quiet = {"x265-params": "log-level=none"} if codec == "libx265" else {}
    return write_clip(path, pictures or still_view(), codec=codec, tags=(1, 1),
                      options=options | quiet)  # fmt: skip


@pytest.mark.parametrize("codec", ["libx264", "libx265"])
def test_a_file_pressed_hard_is_doubted(tmp_path, codec):
    options = COARSE if codec == "libx264" else {"crf": "45"}

    clip = open_clip(made(tmp_path / "clip.mp4", codec, options=options))

    assert HEAVY_COMPRESSION in clip.doubts
    least = "0.03" if codec == "libx264" else "0.02"
    assert f"; below {least} fine texture is lost" in clip.remarks[0]


@pytest.mark.parametrize("codec", ["libx264", "libx265"])
def test_a_file_of_many_bits_is_not(tmp_path, codec):
    pictures = list(yard(30, width=160, height=90))
    options = FINE if codec == "libx264" else {"crf": "20"}

    clip = open_clip(made(tmp_path / "clip.mp4", codec, options=options, pictures=pictures))

    assert clip.doubts == frozenset()


def test_a_still_view_needs_few_bits(tmp_path):
    path = made(tmp_path / "clip.mp4", options=FINE)

    assert 8 * path.stat().st_size / (320 * 180 * 60) < 0.03  # few by themselves
    assert HEAVY_COMPRESSION not in open_clip(path).doubts


@pytest.mark.parametrize(("name", "codec", "options"), [("clip.mp4", "libx264", {"qp": "0"}),
                                                        ("clip.mkv", "ffv1", {})])  # fmt: skip
def test_a_lossless_file_loses_nothing(tmp_path, name, codec, options):
    even = [np.full((90, 160, 3), 120, np.uint8)] * 60

    clip = open_clip(made(tmp_path / name, codec, options=options, pictures=even))

    assert HEAVY_COMPRESSION not in clip.doubts


def test_an_animated_picture_is_no_film(tmp_path):
    one, other = (Image.new("RGB", (160, 90), (level,) * 3) for level in (90, 91))
    one.save(tmp_path / "clip.gif", save_all=True, append_images=[other] * 20, duration=100)

    assert open_clip(tmp_path / "clip.gif").doubts == frozenset()


def test_the_first_look_tells_it(tmp_path):
    hard, fine = (made(tmp_path / f"{o['qp']}.mp4", options=o) for o in (COARSE, FINE))

    assert HEAVY_COMPRESSION in look_first(hard).doubts
    assert HEAVY_COMPRESSION not in look_first(fine).doubts


@pytest.mark.parametrize("pix_fmt", ["yuv420p", "yuv420p10le"])
def test_the_quantiser_is_the_one_it_was_coded_with(tmp_path, pix_fmt):
    # x264 codes whole pictures finer by its --ipratio of 1.4, a doubling being 6 steps of the
    # quantiser (ITU-T H.264, 8.5.9)
    dtype, scale = (np.uint8, 1) if pix_fmt == "yuv420p" else (np.uint16, 4)
    rng = np.random.default_rng(2)
    planes = tuple((rng.integers(40, 200, s) * scale).astype(dtype)
                   for s in ((90, 160), (45, 80), (45, 80)))  # fmt: skip
    path = write_clip(tmp_path / "clip.mkv", [planes], pix_fmt=pix_fmt, options={"qp": "37"})

    assert first_quantiser(first_of(path)[0]) == 37 - round(6 * log2(1.4))


def test_the_bits_of_the_pictures_are_counted(tmp_path):
    picture, codec = first_of(made(tmp_path / "clip.mp4", options=COARSE))

    told = too_few_bits(picture, codec, size=4320, count=30)

    # 8 * 4320 / (320 * 180 * 30)
    assert told == (
        "the file spends 0.020 bits on a pixel of a picture; below 0.03 fine texture is lost"
    )
    assert too_few_bits(picture, codec, size=6480, count=30) == ""  # 0.03


def test_nothing_is_claimed_where_nothing_is_known(tmp_path):
    picture, codec = first_of(made(tmp_path / "clip.mp4", options=COARSE))

    assert too_few_bits(picture, codec, size=0, count=30) == ""
    assert too_few_bits(picture, codec, size=1080, count=0) == ""


@pytest.mark.parametrize("told", [b"", bytes(31), bytes(64), b"\xff" * 64])
def test_a_quantiser_in_another_form_is_not_read(told):
    side = SimpleNamespace(type=SimpleNamespace(name="VIDEO_ENC_PARAMS"))
    frame = SimpleNamespace(side_data=[_Bytes(told, side.type)])

    assert first_quantiser(frame) is None


class _Bytes(bytes):
    def __new__(cls, told, kind):
        made = super().__new__(cls, told)
        made.type = kind
        return made
