"""Stills and animated pictures keep their codes, or say why they cannot be read."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from PIL import Image

from made_clips import yard
from smokecase.errors import ClipError
from smokecase.video.clip import open_clip


def a_picture():
    return next(iter(yard(1, width=48, height=32)))


def only_frame(path):
    clip = open_clip(path)
    frames = list(clip.frames())
    assert (clip.source, clip.duration_s, len(frames)) == ("still", 0.0, 1)
    return clip, frames[0].codes


def test_a_png_keeps_every_code(tmp_path):
    Image.fromarray(a_picture()).save(tmp_path / "smoke.png")

    clip, codes = only_frame(tmp_path / "smoke.png")

    assert_allclose(codes, a_picture().astype(int) * 257)
    assert (clip.width, clip.height, clip.scale, clip.transfer) == (48, 32, 1.0, "srgb")


def test_sixteen_bits_are_kept(tmp_path):
    import cv2

    deep = np.random.default_rng(2).integers(0, 65536, (32, 48, 3)).astype(np.uint16)
    cv2.imwrite(str(tmp_path / "smoke.png"), deep[:, :, ::-1])

    _, codes = only_frame(tmp_path / "smoke.png")

    assert_allclose(codes, deep)


def test_a_grey_still_has_three_equal_channels(tmp_path):
    Image.fromarray(a_picture()[:, :, 0]).save(tmp_path / "smoke.png")

    _, codes = only_frame(tmp_path / "smoke.png")

    assert_allclose(codes, np.repeat(a_picture()[:, :, :1].astype(int) * 257, 3, axis=2))


def test_a_jpeg_is_turned_upright(tmp_path):
    exif = Image.Exif()
    exif[0x0112] = 6  # the camera was held on its side: turn a quarter clockwise (EXIF 2.32)
    picture = Image.fromarray(a_picture()).resize((96, 64), Image.Resampling.NEAREST)
    picture.save(tmp_path / "smoke.jpg", quality=95, subsampling=0, exif=exif)

    clip, codes = only_frame(tmp_path / "smoke.jpg")

    assert (clip.width, clip.height) == (64, 96)
    upright = np.rot90(np.asarray(picture), -1)
    assert abs(codes / 257.0 - upright).mean() < 3  # compression


def test_a_large_still_is_averaged_down(tmp_path):
    picture = np.random.default_rng(4).integers(0, 256, (720, 1280, 3)).astype(np.uint8)
    Image.fromarray(picture).save(tmp_path / "smoke.png")

    clip, codes = only_frame(tmp_path / "smoke.png")

    assert clip.scale == 0.5
    mean = picture.reshape(360, 2, 640, 2, 3).mean((1, 3))
    assert_allclose(codes, mean * 257, atol=1)


@pytest.mark.parametrize("name", ["start.gif", "start.png", "start.webp"])
def test_an_animated_picture_keeps_its_times(tmp_path, name):
    pictures = [Image.fromarray(p) for p in yard(4, width=48, height=32)]
    pictures[0].save(tmp_path / name, save_all=True, append_images=pictures[1:],
                     duration=[100, 200, 50, 100], lossless=True)  # fmt: skip

    clip = open_clip(tmp_path / name)
    frames = list(clip.frames())

    assert (clip.source, clip.frame_count) == ("animation", 4)
    assert_allclose([f.time_s for f in frames], [0, 0.1, 0.3, 0.35])
    assert clip.duration_s == pytest.approx(0.45)
    assert [f.index for f in clip.frames(0.1, 0.32)] == [1, 2]
    # a GIF has 256 colours in all; the other two keep every code
    tolerance = 40 * 257 if name.endswith("gif") else 0
    assert_allclose(frames[2].codes, np.asarray(pictures[2]).astype(int) * 257, atol=tolerance)


def sentence(path):
    with pytest.raises(ClipError) as caught:
        list(open_clip(path).frames())
    return str(caught.value)


def test_see_through_pictures_are_refused(tmp_path):
    picture = np.dstack([a_picture(), np.full((32, 48), 90, np.uint8)])
    Image.fromarray(picture).save(tmp_path / "puff.png")

    assert sentence(tmp_path / "puff.png") == (
        "puff.png: parts of the picture are see-through, so its light is not known; lay it on its "
        "background and save it again."
    )


def test_damaged_and_foreign_pictures_are_refused(tmp_path):
    Image.fromarray(a_picture()).save(tmp_path / "smoke.png")
    raw = (tmp_path / "smoke.png").read_bytes()
    (tmp_path / "smoke.png").write_bytes(raw[:40])
    (tmp_path / "smoke.heic").write_bytes(b"\0\0\0\x18ftypheic" + bytes(100))

    assert sentence(tmp_path / "smoke.png") == (
        "smoke.png: the picture is damaged or of an unknown form; save it as PNG or JPEG and try "
        "again."
    )
    assert sentence(tmp_path / "smoke.heic") == (
        "smoke.heic: pictures in the HEIF form cannot be read; save it as PNG or JPEG and try "
        "again."
    )
