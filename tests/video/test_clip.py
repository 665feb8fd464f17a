"""Frames with exact codes and honest times, whatever the file."""

import os

import numpy as np
import pytest
from numpy.testing import assert_allclose

from made_clips import grey, turn, write_clip, write_sound, yard
from smokecase.doubts import BAD_TIME_STAMPS, COLOUR_TAGS_ASSUMED, DAMAGED_FILE, TRUNCATED_FILE
from smokecase.errors import ClipError
from smokecase.video.clip import open_clip

# luma weights of red and blue: ITU-R BT.709-6, BT.601-7 and BT.2020-2, derivation of luminance
WEIGHTS = {1: (0.2126, 0.0722), 6: (0.299, 0.114), 9: (0.2627, 0.0593)}


def plain_rgb(luma, blue_difference, red_difference, *, matrix, full_range=False, bits=8):
    """Red, green, blue [0 to 1] by the standards' own words, for one pixel."""
    step = 2.0 ** (bits - 8)
    if full_range:
        y, cb, cr = luma / (256 * step - 1), blue_difference, red_difference
        cb, cr = ((c - 128 * step) / (256 * step - 1) for c in (cb, cr))
    else:
        y = (luma - 16 * step) / (219 * step)
        cb, cr = ((c - 128 * step) / (224 * step) for c in (blue_difference, red_difference))
    red_weight, blue_weight = WEIGHTS[matrix]
    red = y + 2 * (1 - red_weight) * cr
    blue = y + 2 * (1 - blue_weight) * cb
    green = (y - red_weight * red - blue_weight * blue) / (1 - red_weight - blue_weight)
    return np.clip([red, green, blue], 0, 1)


def even_planes(values, shapes, dtype):
    return tuple(np.full(s, v, dtype) for s, v in zip(shapes, values, strict=True))


FORMATS = {
    "yuv420p": ([(48, 64), (24, 32), (24, 32)], np.uint8, 8, "libx264"),
    "yuv422p": ([(48, 64), (48, 32), (48, 32)], np.uint8, 8, "libx264"),
    "yuv444p": ([(48, 64), (48, 64), (48, 64)], np.uint8, 8, "libx264"),
    "yuvj420p": ([(48, 64), (24, 32), (24, 32)], np.uint8, 8, "libx264"),
    "yuv420p10le": ([(48, 64), (24, 32), (24, 32)], np.uint16, 10, "libx264"),
    "yuv422p10le": ([(48, 64), (48, 32), (48, 32)], np.uint16, 10, "ffv1"),
}


@pytest.mark.parametrize("pix_fmt", FORMATS)
@pytest.mark.parametrize("matrix", [1, 6, 9])
def test_colours_follow_the_declared_matrix_and_range(tmp_path, pix_fmt, matrix):
    shapes, dtype, bits, codec = FORMATS[pix_fmt]
    values = [v * 2 ** (bits - 8) for v in (120, 110, 150)]
    path = write_clip(
        tmp_path / "clip.mkv", [even_planes(values, shapes, dtype)] * 3, pix_fmt=pix_fmt,
        codec=codec, tags=(matrix, 2 if pix_fmt == "yuvj420p" else 1),
    )  # fmt: skip

    clip = open_clip(path)
    frame = next(iter(clip.frames()))

    expected = plain_rgb(*values, matrix=matrix, full_range=pix_fmt == "yuvj420p", bits=bits)
    assert_allclose(frame.codes[10, 20] / 65535, expected, atol=1e-4)  # a fortieth of a code
    assert COLOUR_TAGS_ASSUMED not in clip.doubts


def test_full_range_tagged_on_an_ordinary_format(tmp_path):
    shapes, dtype, _, _ = FORMATS["yuv420p"]
    planes = even_planes((120, 110, 150), shapes, dtype)
    path = write_clip(tmp_path / "clip.mp4", [planes] * 3, tags=(1, 2))

    frame = next(iter(open_clip(path).frames()))

    expected = plain_rgb(120, 110, 150, matrix=1, full_range=True)
    assert_allclose(frame.codes[10, 20] / 65535, expected, atol=1e-4)


@pytest.mark.parametrize("pix_fmt", ["gray", "gray10le", "gbrp", "gbrp10le"])
def test_grey_and_red_green_blue_files_keep_their_codes(tmp_path, pix_fmt):
    bits, dtype = (10, np.uint16) if pix_fmt.endswith("10le") else (8, np.uint8)
    stored = (130, 90, 60) if "gbr" in pix_fmt else (100,)  # planes are green, blue, red
    values = [v * 2 ** (bits - 8) for v in stored]
    planes = even_planes(values, [(48, 64)] * len(values), dtype)
    name, codec = ("clip.avi", "utvideo") if pix_fmt == "gbrp" else ("clip.mkv", "ffv1")
    path = write_clip(tmp_path / name, [planes] * 3, pix_fmt=pix_fmt, codec=codec,
                      tags=(0 if "gbr" in pix_fmt else 2, 2))  # fmt: skip

    frame = next(iter(open_clip(path).frames()))

    red_green_blue = [values[2], *values[:2]] if "gbr" in pix_fmt else values * 3
    expected = np.array(red_green_blue) / (2**bits - 1)
    # the scaler's own red, green and blue are off by up to a twentieth of an 8-bit code
    assert_allclose(frame.codes[10, 20] / 65535, expected, atol=2e-4)


@pytest.mark.parametrize(("number", "transfer"), [(18, "hlg"), (16, "pq"), (1, "srgb"),
                                                  (13, "srgb")])  # fmt: skip
def test_the_light_curve_is_read_from_the_file(tmp_path, number, transfer):
    shapes, dtype, _, codec = FORMATS["yuv420p10le"]
    planes = even_planes((480, 500, 520), shapes, dtype)
    path = write_clip(tmp_path / "clip.mkv", [planes] * 2, pix_fmt="yuv420p10le", codec=codec,
                      tags=(9, 1, number))  # fmt: skip

    assert open_clip(path).transfer == transfer


@pytest.mark.parametrize(("size", "matrix"), [((480, 848), 6), ((720, 1280), 1)])
def test_without_tags_the_matrix_follows_the_size_and_says_so(tmp_path, size, matrix):
    height, width = size
    planes = even_planes(
        (120, 110, 150), [size, (height // 2, width // 2), (height // 2, width // 2)], np.uint8
    )
    path = write_clip(tmp_path / "clip.mp4", [planes] * 2)

    clip = open_clip(path)
    frame = next(iter(clip.frames()))

    assert COLOUR_TAGS_ASSUMED in clip.doubts
    assert "(assumed)" in clip.coding
    assert clip.remarks == (clip.coding,)
    expected = plain_rgb(120, 110, 150, matrix=matrix)
    assert_allclose(frame.codes[10, 20] / 65535, expected, atol=1e-4)


def test_shrinking_is_the_mean_of_the_pixels_it_covers(tmp_path):
    rng = np.random.default_rng(3)
    luma = rng.integers(20, 230, (720, 1280)).astype(np.uint8)
    chroma = np.full((360, 640), 128, np.uint8)
    path = write_clip(tmp_path / "clip.mp4", [(luma, chroma, chroma)] * 2, tags=(1, 1))

    clip = open_clip(path)
    codes = next(iter(clip.frames())).codes

    mean = luma.reshape(360, 2, 640, 2).mean((1, 3))
    assert (clip.width, clip.height, clip.scale) == (1280, 720, 0.5)
    assert_allclose(codes[..., 1] / 65535, (mean - 16) / 219, atol=2e-4)  # 16-bit rounding inside
    assert clip.to_picture(0, 0) == (0.5, 0.5)  # centre of the four pixels it covers
    assert clip.to_working(*clip.to_picture(17.25, 3.0)) == (17.25, 3.0)


def test_small_pictures_are_not_enlarged(tmp_path):
    clip = open_clip(write_clip(tmp_path / "clip.mp4", yard(3, width=16, height=16)))

    assert [f.codes.shape for f in clip.frames()] == [(16, 16, 3)] * 3
    assert clip.scale == 1.0


@pytest.mark.parametrize("clockwise", [90, 180, 270])
def test_the_picture_stands_upright(tmp_path, clockwise):
    picture = grey(60)
    picture[:10, :10] = 220  # stored top left
    path = turn(write_clip(tmp_path / "clip.mp4", [picture] * 3), clockwise)

    clip = open_clip(path)
    codes = next(iter(clip.frames())).codes

    upright = np.rot90(picture, -clockwise // 90)  # a player turns it clockwise
    assert (clip.height, clip.width) == codes.shape[:2] == upright.shape[:2]
    assert_allclose(codes[..., 1] / 257, upright[..., 1], atol=3)  # 4:2:0 and 8-bit rounding


def test_oblong_pixels_become_square(tmp_path):
    path = write_clip(tmp_path / "clip.mp4", [grey(90)] * 3, aspect=(4, 3))

    clip = open_clip(path)

    assert (clip.width, clip.height) == (85, 48)
    assert next(iter(clip.frames())).codes.shape == (48, 85, 3)


def test_variable_frame_rate_keeps_each_frames_own_time(tmp_path):
    stamps = [0, 33, 100, 133, 300, 333]
    path = write_clip(tmp_path / "clip.mkv", yard(6), stamps=stamps)

    clip = open_clip(path)

    assert_allclose([f.time_s for f in clip.frames()], np.array(stamps) / 1000, atol=1e-9)
    assert BAD_TIME_STAMPS not in clip.doubts
    assert [f.time_s for f in clip.frames(0.1, 0.2)] == [0.1, 0.133]
    assert [f.index for f in clip.frames(0.1, 0.2)] == [2, 3]


def test_a_clock_that_starts_late_is_set_to_zero(tmp_path):
    path = write_clip(tmp_path / "clip.mkv", yard(4), stamps=[5000, 5040, 5080, 5120])

    assert_allclose([f.time_s for f in open_clip(path).frames()], [0, 0.04, 0.08, 0.12], atol=1e-9)


def test_missing_time_stamps_become_even_spacing(tmp_path):
    # a bare H.264 stream carries no times at all
    path = write_clip(tmp_path / "clip.h264", yard(8))

    clip = open_clip(path)
    times = [f.time_s for f in clip.frames()]

    assert_allclose(np.diff(times), 0.04, atol=1e-6)
    assert clip.duration_s == pytest.approx(0.32)


def test_one_backward_time_stamp_is_straightened_and_said(tmp_path):
    path = write_clip(tmp_path / "clip.mkv", yard(10), codec="mjpeg", pix_fmt="yuvj420p",
                      options={})  # fmt: skip
    raw = bytearray(path.read_bytes())
    # a block is track, two bytes of time in milliseconds, flags (RFC 9559, 10.2): 80 becomes 20
    place = raw.index(b"\x81\x00\x50\x80", raw.index(b"\x81\x00\x28\x80"))
    raw[place + 2] = 20
    path.write_bytes(raw)

    clip = open_clip(path)
    times = [f.time_s for f in clip.frames()]

    assert_allclose(times, 0.04 * np.arange(10), atol=1e-6)
    assert BAD_TIME_STAMPS in clip.doubts
    assert "some time stamps are missing or run backwards" in " ".join(clip.remarks)


def test_a_clock_set_back_for_good_goes_on_from_where_it_was(tmp_path):
    one = write_clip(tmp_path / "one.ts", yard(10), options={"bf": "0", "qp": "0"})
    path = tmp_path / "both.ts"
    path.write_bytes(one.read_bytes() * 2)

    clip = open_clip(path)
    times = [f.time_s for f in clip.frames()]

    # the picture at the seam may be lost
    assert 19 <= len(times) <= 20
    assert_allclose(np.diff(times), 0.04, atol=0.0401)
    assert times[-1] == pytest.approx(0.76, abs=1e-6)
    assert BAD_TIME_STAMPS in clip.doubts


@pytest.mark.parametrize(
    ("codec", "options"),
    [("libx264", {"crf": "18", "g": "15"}), ("mpeg4", {"b": "4000000", "g": "10"})],
)
def test_a_damaged_place_costs_a_few_frames_and_is_counted(tmp_path, codec, options):
    path = write_clip(tmp_path / "clip.mp4", yard(60, width=320, height=240), codec=codec,
                      options=options)  # fmt: skip
    raw = bytearray(path.read_bytes())
    middle = len(raw) // 2
    raw[middle : middle + 4096] = bytes(4096)
    path.write_bytes(raw)

    clip = open_clip(path)
    frames = list(clip.frames())

    assert 40 <= len(frames) < 60
    assert frames[-1].time_s == pytest.approx(59 / 25, abs=1e-3)  # goes on after the damage
    assert clip.lost_packets == 60 - len(frames)
    assert DAMAGED_FILE in clip.doubts
    assert any(r.endswith("of the file was left out") or r.endswith("were left out")
               for r in clip.remarks)  # fmt: skip


def test_a_cut_file_is_read_up_to_the_cut_and_says_how_much_is_lost(tmp_path):
    path = write_clip(
        tmp_path / "start.mp4", yard(100, width=160, height=120), fragment="faststart"
    )
    raw = path.read_bytes()
    path.write_bytes(raw[: int(len(raw) * 0.6)])

    clip = open_clip(path)
    times = [f.time_s for f in clip.frames()]

    assert TRUNCATED_FILE in clip.doubts
    assert 2.0 < times[-1] < 2.8
    assert clip.duration_s == pytest.approx(times[-1] + 0.04, abs=0.081)  # at most two half packets
    told = [r for r in clip.remarks if "the recording stops at" in r]
    assert told == [
        f"the recording stops at {clip.duration_s:.1f} s of 4.0 s: "
        f"{4 - clip.duration_s:.1f} s are lost, what is there was measured"
    ]


def test_each_walk_gives_the_same_codes(tmp_path):
    clip = open_clip(write_clip(tmp_path / "clip.mp4", yard(10)))

    once, again = list(clip.frames()), list(clip.frames())

    assert all(np.array_equal(a.codes, b.codes) for a, b in zip(once, again, strict=True))
    with pytest.raises(ValueError, match="read-only"):
        once[0].codes[0, 0, 0] = 1


# -- what cannot be read ------------------------------------------------------------------


def sentence(path):
    with pytest.raises(ClipError) as caught:
        open_clip(path)
    assert caught.value.exit_code == 3
    return str(caught.value)


def test_a_missing_file(tmp_path):
    assert sentence(tmp_path / "start.mp4") == (
        "start.mp4: there is no such file; check its name and folder."
    )


def test_a_folder(tmp_path):
    (tmp_path / "clips").mkdir()

    assert sentence(tmp_path / "clips") == "clips: this is a folder; name the clip inside it."


def test_an_empty_file(tmp_path):
    (tmp_path / "start.mp4").touch()

    assert sentence(tmp_path / "start.mp4") == (
        "start.mp4: the file is empty (0 bytes); copy it from the phone again."
    )


@pytest.mark.parametrize("text", ["a note about the engine\n" * 50, "#EXTM3U\nclip.ts\n",
                                  "ffconcat version 1.0\nfile other.mp4\n"])  # fmt: skip
def test_text_under_a_clips_name(tmp_path, text):
    (tmp_path / "start.mp4").write_text(text)

    assert sentence(tmp_path / "start.mp4") == (
        "start.mp4: this is no clip or picture that can be read; use the phone's original file "
        "(MP4 or MOV), or convert it to H.264."
    )


def test_sound_only(tmp_path):
    assert sentence(write_sound(tmp_path / "start.m4a")) == (
        "start.m4a: there is sound but no picture in it; name the clip that was filmed."
    )


def test_a_recording_that_was_never_finished(tmp_path):
    path = write_clip(tmp_path / "start.mp4", yard(30))  # its table of contents is at the end
    raw = path.read_bytes()
    path.write_bytes(raw[: len(raw) // 2])

    assert sentence(path) == (
        "start.mp4: the recording was never finished, its table of contents is missing; copy it "
        "from the phone again."
    )


def test_a_file_without_one_whole_picture(tmp_path):
    path = write_clip(tmp_path / "start.mp4", yard(5), fragment="faststart")
    raw = path.read_bytes()
    place = raw.index(b"mdat") + 4
    path.write_bytes(raw[:place] + bytes(len(raw) - place))

    assert sentence(path) == (
        "start.mp4: no picture could be decoded; convert it to H.264 and try again."
    )


def test_a_clip_of_one_frame(tmp_path):
    clip = open_clip(write_clip(tmp_path / "clip.mp4", yard(1)))

    assert [f.time_s for f in clip.frames()] == [0.0]
    assert clip.frame_count == 1


def test_240_frames_a_second(tmp_path):
    stamps = [round(i * 1000 / 240) for i in range(48)]
    clip = open_clip(write_clip(tmp_path / "clip.mkv", yard(48), fps=240, stamps=stamps))

    assert len([f for f in clip.frames()]) == 48
    assert clip.duration_s == pytest.approx(0.2, abs=0.002)


def test_8k_is_brought_to_working_size(tmp_path):
    picture = np.full((4320, 7680), 100, np.uint8)
    chroma = np.full((2160, 3840), 128, np.uint8)
    path = write_clip(tmp_path / "clip.mp4", [(picture, chroma, chroma)] * 2,
                      options={"preset": "ultrafast", "crf": "40"})  # fmt: skip

    clip = open_clip(path)

    assert (clip.width, clip.height) == (7680, 4320)
    assert [f.codes.shape for f in clip.frames()] == [(360, 640, 3)] * 2


def test_a_pipe_that_never_ends_is_no_clip(tmp_path):
    os.mkfifo(tmp_path / "pipe.mp4")

    with pytest.raises(ClipError, match=r"pipe.mp4: this is no file; name the clip that was"):
        open_clip(tmp_path / "pipe.mp4")


def test_a_file_that_is_changed_while_it_is_read_is_refused(tmp_path):
    clip = open_clip(write_clip(tmp_path / "yard.mp4", yard(4)))
    clip.refuse_changed()

    write_clip(tmp_path / "yard.mp4", yard(5))

    with pytest.raises(ClipError, match=r"yard.mp4: the file was changed while it was read; wait"):
        clip.refuse_changed()
