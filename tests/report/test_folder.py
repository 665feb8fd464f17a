"""The folder is whole or not there, and reads back as it was."""

import csv
import errno
import json
import os
from dataclasses import replace
from pathlib import Path

import av
import jsonschema
import numpy as np
import pytest

from made_clips import write_clip, yard
from made_examinations import a_pair, a_refused_examination, an_examination
from smokecase.errors import Cancelled, ClipError, WriteError
from smokecase.model_files import find_model
from smokecase.readings import SCREENING, PlumeOutline
from smokecase.report import folder as room
from smokecase.report.annotated import write_annotated
from smokecase.report.folder import read_folder, write_folder

SCHEMA = json.loads(find_model("summary.schema.json").read_text())


@pytest.fixture
def pictures():
    """Asked for by the tests that want the real pictures."""


@pytest.fixture(autouse=True)
def _quick_pictures(request, monkeypatch):
    """Draw empty pictures; what is in them is tested in test_figures."""
    if "pictures" not in request.fixturenames:
        monkeypatch.setattr(room, "draw_timeline", lambda examination: None)
        monkeypatch.setattr(room, "draw_contact_sheet", lambda examination: None)
        monkeypatch.setattr(room, "draw_opacity_map", lambda examination: None)
        monkeypatch.setattr(room, "to_png", lambda figure: b"")
        monkeypatch.setattr(room, "to_svg", lambda figure: b"")


def names(path):
    return sorted(p.name for p in Path(path).iterdir())


def test_the_folder_of_a_clip_holds_what_is_promised(tmp_path, pictures):
    out = write_folder(an_examination(), tmp_path / "start")

    assert names(out) == ["README.txt", "contact_sheet.png", "readings.csv", "summary.json",
                          "timeline.png", "timeline.svg"]  # fmt: skip
    assert names(tmp_path) == ["start"]
    readme = (out / "README.txt").read_text()
    for name in names(out):
        assert f"\n{name}" in readme
    assert SCREENING in " ".join(readme.split())
    assert "About the clip's file\n- 2 damaged packets of the file were left out" in readme
    assert "- the smoke is so thick that hardly any light comes through: film further" in readme


def test_readings_have_the_documented_columns_and_empty_cells(tmp_path):
    out = write_folder(an_examination(), tmp_path / "start")

    with (out / "readings.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0])[:11] == ["time_s", "opacity_pct", "opacity_low_pct", "opacity_high_pct",
                                  "centre_line_pct", "plume_p95_pct", "black", "blue", "white",
                                  "none", "doubts"]  # fmt: skip
    assert float(rows[20]["opacity_pct"]) == pytest.approx(60.0)
    assert float(rows[20]["opacity_low_pct"]) == pytest.approx(60 - 1.96 * 3, abs=1e-3)
    assert rows[0]["plume_p95_pct"] == ""  # no plume, no reading
    assert (rows[20]["doubts"], rows[0]["doubts"]) == ("dense", "")


@pytest.mark.parametrize("made", [an_examination, a_refused_examination, a_pair])
def test_the_summary_keeps_its_schema(tmp_path, made):
    out = write_folder(made(), tmp_path / "start")

    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    summary = json.loads((out / "summary.json").read_text())
    jsonschema.validate(summary, SCHEMA)
    assert summary["screening_note"] == SCREENING


def test_the_schema_refuses_a_summary_without_its_names():
    plain = an_examination().to_json()
    for name in ("refused", "exit_px", "section_px", "timing", "colour", "doubts"):
        broken = {k: v for k, v in plain.items() if k != name}
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(broken, SCHEMA)


@pytest.mark.parametrize("made", [an_examination, a_refused_examination, a_pair])
def test_a_folder_reads_back(tmp_path, made):
    whole = made()

    back = read_folder(write_folder(whole, tmp_path / "start"))

    assert back.to_json() == whole.to_json()
    for column in ("time_s", "opacity_pct", "opacity_high_pct", "plume_p95_pct", "colour"):
        np.testing.assert_allclose(
            getattr(back.trace, column), getattr(whole.trace, column), rtol=1e-4, atol=1e-6
        )  # five digits are written
    assert back.trace.doubts == whole.trace.doubts


def test_a_pair_of_stills_comes_with_its_map(tmp_path, pictures):
    out = write_folder(a_pair(), tmp_path / "pair")

    assert {"opacity_map.png", "opacity_map.npz"} <= set(names(out))
    assert "timeline.png" not in names(out)  # a still has no time
    with np.load(out / "opacity_map.npz", allow_pickle=False) as numbers:
        np.testing.assert_array_equal(numbers["opacity_pct"], a_pair().opacity_map.opacity_pct)
        assert str(numbers["screening_note"]) == SCREENING


def test_the_annotated_clip_outlines_the_plume_where_it_was_seen_last(tmp_path):
    clip = write_clip(tmp_path / "yard.mp4", yard(40, width=160, height=90), tags=(1, 1))
    square = np.array([[20, 20], [140, 20], [140, 70], [20, 70]], np.int32)
    whole = replace(an_examination(), width=160, height=90, section_px=None, exit_px=None)
    seen = replace(whole, outlines=(PlumeOutline(time_s=0.4, shapes=(square,)),
                                    PlumeOutline(time_s=0.8, shapes=())))  # fmt: skip

    found = []
    for name, examination in (("bare", whole), ("outlined", seen)):
        write_annotated(examination, clip, tmp_path / f"{name}.mp4")
        with av.open(str(tmp_path / f"{name}.mp4")) as container:
            frames = [f.to_ndarray(format="rgb24")[:90] for f in container.decode(video=0)]
        found.append(np.array(frames, float))
    change = np.abs(found[1] - found[0]).mean(axis=-1)

    # 25 pictures a second: outlined from picture 10 to 19, and never inside the square
    assert change[:9, 20, 30:130].mean() < 3
    assert change[12:18, 19:22, 30:130].max(axis=1).mean() > 15
    assert change[22:, 20, 30:130].mean() < 3
    assert change[12:18, 30:60, 40:120].mean() < 3


def test_the_section_keeps_to_the_scene_where_the_camera_moves(tmp_path):
    view = next(yard(1, width=320, height=240))
    # each picture shows the yard two pixels further to the left
    pictures = [view[20:200, 2 * i : 2 * i + 240] for i in range(12)]
    clip = write_clip(tmp_path / "hand.mp4", pictures, tags=(1, 1))
    still = replace(an_examination(), width=240, height=180, exit_px=None,
                    section_px=(120.0, 60.0, 180.0, 120.0))  # fmt: skip
    shaken = replace(still, trace=replace(still.trace, shake_px=np.full(len(still.trace), 0.1)))

    found = []
    for name, examination in (("still", still), ("shaken", shaken)):
        write_annotated(examination, clip, tmp_path / f"{name}.mp4")
        with av.open(str(tmp_path / f"{name}.mp4")) as container:
            last = list(container.decode(video=0))[10].to_ndarray(format="rgb24")
        found.append(np.abs(last[70:110, :240].astype(float) - pictures[10][70:110]).mean((0, 2)))

    # the left edge stays at 120 in the picture, or goes with the scene to 100
    assert 119 <= int(np.argmax(found[0][90:150])) + 90 <= 121
    assert 99 <= int(np.argmax(found[1][90:150])) + 90 <= 101


def test_an_annotated_clip_is_made_on_request(tmp_path):
    clip = write_clip(tmp_path / "yard.mp4", yard(40, width=160, height=90), tags=(1, 1))
    whole = replace(an_examination(), width=160, height=90)

    out = write_folder(whole, tmp_path / "start", clip_path=clip, annotated=True)

    with av.open(str(out / "annotated.mp4")) as container:
        assert container.streams.video[0].codec_context.name == "h264"
        frames = list(container.decode(video=0))
    assert len(frames) == 40
    assert frames[0].height > 90  # the strip of readings lies below the picture
    assert float(frames[-1].pts * frames[-1].time_base) == pytest.approx(39 / 25, abs=1e-3)
    with pytest.raises(ValueError, match="clip_path must be given"):
        write_folder(whole, tmp_path / "start", annotated=True)


def test_a_new_examination_replaces_the_old_one(tmp_path):
    out = write_folder(a_pair(), tmp_path / "start")

    write_folder(an_examination(), out)

    assert read_folder(out).clip == "yard.mp4"
    assert not (out / "opacity_map.npz").exists()
    assert names(tmp_path) == ["start"]


@pytest.mark.parametrize("exchange", [True, False])
def test_both_ways_of_moving_in_place_leave_one_whole_folder(tmp_path, monkeypatch, exchange):
    if not exchange:
        monkeypatch.setattr(room, "_exchange", lambda one, other: False)
    out = write_folder(a_pair(), tmp_path / "start")

    write_folder(an_examination(), out)

    assert read_folder(out).clip == "yard.mp4"
    assert names(tmp_path) == ["start"]


def failing_at(share, error):
    def tell(now, words):
        if now >= share:
            raise error

    return tell


@pytest.mark.parametrize("old", [True, False])
def test_stopping_the_work_leaves_the_old_folder_or_none(tmp_path, old):
    if old:
        write_folder(a_pair(), tmp_path / "start")

    with pytest.raises(Cancelled):
        write_folder(an_examination(), tmp_path / "start", tell=failing_at(0.1, Cancelled()))

    assert names(tmp_path) == (["start"] if old else [])
    if old:
        assert read_folder(tmp_path / "start").clip == "smoke.png"


def test_what_a_killed_run_left_behind_is_cleared_and_a_living_one_is_not(tmp_path):
    dead = tmp_path / ".start.partial-999999999"
    alive = tmp_path / f".start.partial-{os.getppid()}"
    dead.mkdir()
    alive.mkdir()

    write_folder(an_examination(), tmp_path / "start")

    assert names(tmp_path) == [alive.name, "start"]


def sentence(tmp_path, error):
    with pytest.raises(WriteError) as caught:
        write_folder(an_examination(), tmp_path / "start", tell=failing_at(0.1, error))
    assert caught.value.exit_code == 4
    assert names(tmp_path) == []
    return str(caught.value).removeprefix(str(tmp_path) + "/")


def test_a_full_disk(tmp_path):
    assert sentence(tmp_path, OSError(errno.ENOSPC, "No space left on device")) == (
        "start: the disk is full, nothing was written; make room, or name a folder on another "
        "disk with --out."
    )


def test_a_place_that_may_not_be_written(tmp_path):
    assert sentence(tmp_path, OSError(errno.EROFS, "Read-only file system")) == (
        "start: this place may not be written to; name a folder of your own with --out."
    )


def test_another_fault_of_the_disk(tmp_path):
    assert sentence(tmp_path, OSError(errno.EIO, "Input/output error")) == (
        "start: the folder could not be written (input/output error); name another folder with "
        "--out."
    )


def test_other_peoples_folders_and_files_are_left_alone(tmp_path):
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "garden.jpg").write_text("not ours")
    (tmp_path / "note").write_text("not ours")

    with pytest.raises(WriteError, match="this folder holds other things, which would be lost; "
                       "name a new folder with --out"):  # fmt: skip
        write_folder(an_examination(), tmp_path / "photos")
    with pytest.raises(WriteError, match="a file of this name is in the way"):
        write_folder(an_examination(), tmp_path / "note")
    assert names(tmp_path / "photos") == ["garden.jpg"]


def unreadable(path):
    with pytest.raises(ClipError) as caught:
        read_folder(path)
    return str(caught.value).removeprefix(str(path))


def test_folders_that_cannot_be_read_back_say_why(tmp_path):
    assert unreadable(tmp_path) == (
        ": this is no folder of a finished examination; name the folder that was given to examine "
        "with --out."
    )
    out = write_folder(an_examination(), tmp_path / "start")
    plain = json.loads((out / "summary.json").read_text())
    (out / "summary.json").write_text(json.dumps(plain | {"version": 7}))
    assert unreadable(out) == (
        ": summary.json is of version 7, this smokecase reads version 1; examine the clip again."
    )
    (out / "summary.json").write_text(json.dumps(plain | {"doubts": ["odd"]}))
    assert "was changed and does not fit any more ('odd'); examine the clip again." in (
        unreadable(out)
    )
    (out / "summary.json").write_text("{")
    assert ": the examination in this folder cannot be read" in unreadable(out)
