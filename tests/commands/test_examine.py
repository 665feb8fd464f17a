"""The examine command as its user meets it: words, sentences, exit codes, folders."""

import errno
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

import smokecase.apart.clips
from made_clips import write_clip, write_sound, yard
from made_examinations import a_refused_examination, an_examination
from smokecase.cli import main
from smokecase.report import folder as room
from smokecase.report.film_guide import FILM_GUIDE
from smokecase.report.folder import read_folder

FULL = Path("/dev/full")


@pytest.fixture(autouse=True)
def _quick_pictures(monkeypatch):
    """Draw empty pictures; what is in them is tested in test_figures."""
    for name in ("draw_timeline", "draw_contact_sheet", "draw_opacity_map"):
        monkeypatch.setattr(room, name, lambda examination: None)
    monkeypatch.setattr(room, "to_png", lambda figure: b"")
    monkeypatch.setattr(room, "to_svg", lambda figure: b"")


@pytest.fixture
def asked(monkeypatch):
    """Measure nothing: note what the door asked for, and give a hand-made examination."""
    calls = {}

    def examine(path, **words):
        calls.update(words, path=path)
        words["tell"](0.5, "measuring")
        return calls.get("gives", an_examination())

    monkeypatch.setattr(smokecase.apart.clips, "examine_apart", examine)
    return calls


def names(path):
    return sorted(p.name for p in path.iterdir())


def test_the_words_reach_the_measurement(tmp_path, asked, capsys):
    code = main(["examine", "yard.mp4", "--out", str(tmp_path / "start"), "--exit", "200,180.5",
                 "--diameter", "30", "--plate", "clear.png", "--plate-window", "0,1.5",
                 "--board", "10,20,90,80", "--white", "1,2,3,4", "--from", "1",
                 "--to", "7"])  # fmt: skip

    assert code == 0
    given = {k: v for k, v in asked.items() if k not in ("tell", "limits")}
    assert given == {"path": "yard.mp4", "exit_px": (200.0, 180.5), "diameter_px": 30.0,
                     "plate": "clear.png", "plate_window_s": (0.0, 1.5), "from_s": 1.0,
                     "to_s": 7.0, "board_px": (10.0, 20.0, 90.0, 80.0),
                     "white_px": (1.0, 2.0, 3.0, 4.0), "cylinders": None,
                     "strokes": 4}  # fmt: skip
    shown = capsys.readouterr().out
    assert "It is densest at 2.1 s, where it blocks 58 % (52 to 64)" in " ".join(shown.split())
    assert f"Written to {tmp_path / 'start'}; open timeline.png." in shown
    assert len(shown.splitlines()) < 40
    assert read_folder(tmp_path / "start").clip == "yard.mp4"


def test_without_words_the_defaults_are_those_of_python(asked):
    assert main(["examine", "yard.mp4"]) == 0

    given = {k: v for k, v in asked.items() if k not in ("tell", "path", "limits")}
    assert given == {"exit_px": None, "diameter_px": None, "plate": None, "plate_window_s": None,
                     "from_s": 0.0, "to_s": np.inf, "board_px": None, "white_px": None,
                     "cylinders": None, "strokes": 4}  # fmt: skip


def test_json_is_the_summary_and_nothing_else(asked, capsys):
    assert main(["examine", "yard.mp4", "--json"]) == 0

    assert json.loads(capsys.readouterr().out) == an_examination().to_json()


def test_a_refusal_is_an_answer(tmp_path, asked, capsys):
    asked["gives"] = a_refused_examination()

    code = main(["examine", "yard.mp4", "--out", str(tmp_path / "start")])

    shown = " ".join(capsys.readouterr().out.split())
    assert code == 0
    assert "No opacity is given for this clip: what lies behind the plume is too even" in shown
    assert "hang the printed backdrop or a striped board behind the plume" in shown
    assert read_folder(tmp_path / "start").refused is not None


def test_the_film_guide_needs_no_clip(capsys):
    assert main(["examine", "--film-guide"]) == 0
    assert capsys.readouterr().out == FILM_GUIDE


def test_help_tells_how_to_film(capsys):
    with pytest.raises(SystemExit) as ended:
        main(["examine", "--help"])

    assert ended.value.code == 0
    assert "Start filming three seconds before the key is turned" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ([], "name the clip to examine, or ask for --film-guide"),
        (["yard.mp4", "--exit", "12"],
         "--exit: two numbers with a comma were expected, such as 812,640 (got '12')"),
        (["yard.mp4", "--diameter", "wide"],
         "--diameter: a number was expected, such as 12.5 (got 'wide')"),
        (["yard.mp4", "--from", "nan"], "--from: a number was expected, such as 12.5 (got 'nan')"),
        (["yard.mp4", "--annotated"], "--annotated needs a folder: add --out DIR"),
    ],
)  # fmt: skip
def test_wrong_words_are_named(words, told, capsys):
    with pytest.raises(SystemExit) as ended:
        main(["examine", *words])

    assert ended.value.code == 2
    assert told in capsys.readouterr().err


def test_a_place_outside_the_picture_is_named_by_its_word(tmp_path, capsys):
    clip = write_clip(tmp_path / "yard.mp4", yard(5))

    with pytest.raises(SystemExit) as ended:
        main(["examine", str(clip), "--exit", "900,10"])

    assert ended.value.code == 2
    assert "--exit must lie inside the picture of 64 x 48 pixels (got 900, 10)" in (
        capsys.readouterr().err
    )


# -- what bad input gets: one sentence, the documented code, no folder ----------------------


def refusal(tmp_path, clip, capsys, *, code=3):
    out = tmp_path / "out"
    assert main(["examine", str(clip), "--out", str(out)]) == code
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.count("\n") == 1  # one sentence and no traceback
    assert not out.exists()
    assert not list(tmp_path.glob(".out*"))
    return told.err.removeprefix("smokecase: ").strip()


def test_a_missing_file(tmp_path, capsys):
    assert refusal(tmp_path, tmp_path / "start.mp4", capsys) == (
        "start.mp4: there is no such file; check its name and folder."
    )


def test_a_folder_instead_of_a_clip(tmp_path, capsys):
    (tmp_path / "clips").mkdir()

    assert refusal(tmp_path, tmp_path / "clips", capsys) == (
        "clips: this is a folder; name the clip inside it."
    )


def test_text_an_empty_file_sound_only_and_an_unfinished_recording(tmp_path, capsys):
    (tmp_path / "text.mp4").write_text("a note\n" * 100)
    (tmp_path / "empty.mp4").touch()
    write_sound(tmp_path / "sound.m4a")
    whole = write_clip(tmp_path / "cut.mp4", yard(30)).read_bytes()
    (tmp_path / "cut.mp4").write_bytes(whole[: len(whole) // 2])

    for name, words in (
        ("text.mp4", "this is no clip or picture that can be read; use the phone's original file "
                     "(MP4 or MOV), or convert it to H.264."),
        ("empty.mp4", "the file is empty (0 bytes); copy it from the phone again."),
        ("sound.m4a", "there is sound but no picture in it; name the clip that was filmed."),
        ("cut.mp4", "the recording was never finished, its table of contents is missing; copy it "
                    "from the phone again."),
    ):  # fmt: skip
        assert refusal(tmp_path, tmp_path / name, capsys) == f"{name}: {words}"


def test_a_full_disk(tmp_path, asked, capsys, monkeypatch):
    def full(*args, **words):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(room, "_readme", full)

    assert refusal(tmp_path, "yard.mp4", capsys, code=4) == (
        f"{tmp_path / 'out'}: the disk is full, nothing was written; make room, or name a folder "
        "on another disk with --out."
    )


@pytest.mark.skipif(not FULL.exists(), reason="this system has no full device")
def test_a_really_full_device_has_the_error_number_we_look_for():
    with pytest.raises(OSError, match="No space left") as caught, FULL.open("w") as file:
        file.write("x" * 100_000)
    assert caught.value.errno == errno.ENOSPC


def test_a_place_that_cannot_be_written_is_told_before_the_work(tmp_path, capsys, monkeypatch):
    def locked(self, *args, **words):
        raise PermissionError(errno.EACCES, "Permission denied")

    clip = write_clip(tmp_path / "yard.mp4", yard(3))
    monkeypatch.setattr(
        smokecase.apart.clips, "examine_apart", lambda *a, **w: pytest.fail("measured")
    )
    monkeypatch.setattr("pathlib.Path.mkdir", locked)

    assert refusal(tmp_path, clip, capsys, code=4) == (
        f"{tmp_path / 'out'}: this place may not be written to; name a folder of your own with "
        "--out."
    )


def test_a_folder_with_other_things_is_left_alone(tmp_path, capsys):
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "garden.jpg").write_text("not ours")

    assert main(["examine", "yard.mp4", "--out", str(tmp_path / "photos")]) == 4
    assert capsys.readouterr().err == (
        f"smokecase: {tmp_path / 'photos'}: this folder holds other things, which would be lost; "
        "name a new folder with --out.\n"
    )
    assert names(tmp_path / "photos") == ["garden.jpg"]


def test_a_file_that_kills_its_decoder_is_told_in_a_sentence(tmp_path, capsys, monkeypatch):
    clip = write_clip(tmp_path / "yard.mp4", yard(3))
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parents[1]))
    monkeypatch.setattr(smokecase.apart.clips, "TASK", "apart_tasks:kill")

    assert refusal(tmp_path, clip, capsys, code=3) == (
        "yard.mp4: the decoder broke down on it (signal 11, SIGSEGV); convert it to H.264 of 1080 "
        "lines or less and try again."
    )


@pytest.mark.parametrize("where", ["measuring", "writing"])
def test_ctrl_c_leaves_nothing_half_written(tmp_path, asked, capsys, monkeypatch, where):
    def stopped(*args, **words):
        raise KeyboardInterrupt

    if where == "measuring":
        monkeypatch.setattr(smokecase.apart.clips, "examine_apart", stopped)
    else:
        monkeypatch.setattr(room, "_readme", stopped)

    assert refusal(tmp_path, "yard.mp4", capsys, code=130) == (
        "stopped at your request, nothing was left half-written."
    )


# -- odd input that can be measured ---------------------------------------------------------


def measured(tmp_path, clip, capsys):
    """Examine for real, and give the examination as it was written, with what was shown."""
    assert main(["examine", str(clip), "--out", str(tmp_path / "out")]) == 0
    told = capsys.readouterr()
    assert told.err == ""
    return read_folder(tmp_path / "out"), " ".join(told.out.split())


def doubts(examination):
    return {d.name for d in examination.doubts}


def test_a_clip_of_one_frame(tmp_path, capsys):
    found, _ = measured(tmp_path, write_clip(tmp_path / "one.mp4", yard(1)), capsys)

    assert found.frames == 1
    assert "too_short" in doubts(found)


def test_sixteen_pixels(tmp_path, capsys):
    clip = write_clip(tmp_path / "tiny.mp4", yard(30, width=16, height=16))

    found, _ = measured(tmp_path, clip, capsys)

    assert (found.width, found.height, found.frames) == (16, 16, 30)
    assert found.timing.onset_s is None


def test_a_clip_in_which_nothing_happens(tmp_path, capsys):
    clip = write_clip(tmp_path / "calm.mp4", yard(60, width=160, height=120))

    found, shown = measured(tmp_path, clip, capsys)

    assert "No smoke was seen." in shown
    assert found.timing.onset_s is None
    assert found.colour.none > 0.9


def test_240_frames_a_second(tmp_path, capsys):
    stamps = [round(i * 1000 / 240) for i in range(96)]
    clip = write_clip(tmp_path / "fast.mkv", yard(96), fps=240, stamps=stamps)

    found, _ = measured(tmp_path, clip, capsys)

    assert found.frames == 96
    assert found.trace.time_s[-1] == pytest.approx(stamps[-1] / 1000)


def test_8k(tmp_path, capsys):
    luma = np.full((4320, 7680), 100, np.uint8)
    chroma = np.full((2160, 3840), 128, np.uint8)
    clip = write_clip(tmp_path / "large.mp4", [(luma, chroma, chroma)] * 2,
                      options={"preset": "ultrafast", "crf": "40"})  # fmt: skip

    found, _ = measured(tmp_path, clip, capsys)

    assert (found.width, found.height, found.frames) == (7680, 4320, 2)


@pytest.mark.parametrize(("pix_fmt", "codec"), [("yuv422p", "libx264"), ("yuv420p10le", "ffv1"),
                                                ("gray", "ffv1"), ("gbrp", "utvideo"),
                                                ("yuvj420p", "mjpeg")])  # fmt: skip
def test_odd_pixel_formats(tmp_path, capsys, pix_fmt, codec):
    clip = write_clip(tmp_path / "odd.avi", yard(8), pix_fmt=pix_fmt, codec=codec)

    found, _ = measured(tmp_path, clip, capsys)

    assert found.frames == 8


def test_a_cut_file_is_measured_as_far_as_it_goes(tmp_path, capsys):
    clip = write_clip(tmp_path / "start.mp4", yard(100, width=160, height=120),
                      fragment="faststart")  # fmt: skip
    clip.write_bytes(clip.read_bytes()[: clip.stat().st_size * 6 // 10])

    found, shown = measured(tmp_path, clip, capsys)

    assert "truncated_file" in doubts(found)
    assert 50 < found.frames < 70
    lost_s = 4.0 - found.duration_s
    assert (
        f"the recording stops at {found.duration_s:.1f} s of 4.0 s: {lost_s:.1f} s are lost, what "
        "is there was measured"
    ) in shown


def test_a_stream_without_time_stamps(tmp_path, capsys):
    found, _ = measured(tmp_path, write_clip(tmp_path / "bare.h264", yard(30)), capsys)

    assert "bad_time_stamps" in doubts(found)
    assert found.trace.time_s[-1] == pytest.approx(29 / 25, abs=1e-4)


def test_a_single_still_gives_no_opacity_and_says_why(tmp_path, capsys):
    Image.fromarray(next(iter(yard(1)))).save(tmp_path / "smoke.png")

    found, shown = measured(tmp_path, tmp_path / "smoke.png", capsys)

    assert found.source == "still"
    assert "No opacity is given: one picture alone shows no view without smoke" in shown
    assert "add a picture of the same view without smoke with --plate" in shown


def test_a_pair_of_stills_gives_a_map(tmp_path, capsys):
    clear = next(iter(yard(1, width=160, height=120)))
    smoke = clear.copy()
    smoke[30:90, 40:120] = np.rint(0.5 * smoke[30:90, 40:120] + 10)
    Image.fromarray(clear).save(tmp_path / "clear.png")
    Image.fromarray(smoke).save(tmp_path / "smoke.png")

    code = main(["examine", str(tmp_path / "smoke.png"), "--plate", str(tmp_path / "clear.png"),
                 "--out", str(tmp_path / "pair")])  # fmt: skip

    assert code == 0
    assert read_folder(tmp_path / "pair").source == "pair"
    assert (tmp_path / "pair" / "opacity_map.npz").is_file()


def test_an_animated_picture_is_measured_like_a_clip(tmp_path, capsys):
    first, *rest = (Image.fromarray(p) for p in yard(12))
    first.save(tmp_path / "start.gif", save_all=True, append_images=rest, duration=100)

    found, _ = measured(tmp_path, tmp_path / "start.gif", capsys)

    assert (found.source, found.frames) == ("animation", 12)
    assert found.duration_s == pytest.approx(1.2)


def test_the_lost_packets_are_counted(tmp_path, asked, capsys):
    asked["gives"] = replace(an_examination(), lost_packets=3)

    assert main(["examine", "yard.mp4", "--json"]) == 0

    assert json.loads(capsys.readouterr().out)["lost_packets"] == 3
