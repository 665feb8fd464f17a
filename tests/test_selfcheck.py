"""The set-up checked without an engine, on invented clips."""

import json

import cv2
import numpy as np
import pytest

from board_scene import hang, print_sheet
from made_clips import write_clip
from smokecase.cli import main
from smokecase.measured import Measured
from smokecase.report.backdrop import write_backdrop
from smokecase.selfcheck import check_setup


@pytest.fixture(scope="module")
def clips(tmp_path_factory):
    """A clear clip, one with a film that passes 52 %, and one with the board moved."""
    folder = tmp_path_factory.mktemp("setup")
    write_backdrop(folder / "board.pdf")
    yard = hang(print_sheet(folder / "board.pdf"), np.random.default_rng(5), s_curve=0.1)
    h, w = yard.plate.shape[:2]
    x, y, one = yard.homography @ [148.5, 98.0, 1]
    film = np.ones((h, w, 1))
    cv2.rectangle(film, (int(x / one) - 30, int(y / one) - 30),
                  (int(x / one) + 30, int(y / one) + 30), 0.52, -1)  # fmt: skip
    write_clip(folder / "clear.mp4", [yard.expose() for _ in range(8)], fps=10)
    write_clip(folder / "film.mp4", [yard.expose(film, 0.0, gain=1.02) for _ in range(4)], fps=10)
    write_clip(folder / "wall.mp4", [yard.expose()[:200, :300] for _ in range(3)], fps=10)
    return folder


def test_a_sound_setup_reads_nothing_and_the_film(clips, capsys):
    words = ["selfcheck", str(clips / "clear.mp4"), "--film", str(clips / "film.mp4"),
             "--passes", "52"]  # fmt: skip

    assert main(words) == 0

    said = capsys.readouterr().out
    assert said.count("\n") == 1
    assert said.endswith("the set-up can be used.\n")
    kept = json.loads((clips / "clear.selfcheck.json").read_text())
    assert kept["sound"] is True
    assert abs(kept["clear_opacity"]["value"]) < 1.5
    assert abs(kept["film_opacity"]["value"] - 48) < 3


def test_a_film_that_is_not_what_it_should_be_is_told(clips):
    wrong = Measured(value=75.0, u=1.0, unit="%")

    check = check_setup(clips / "clear.mp4", film=clips / "film.mp4", film_passes=wrong)

    assert not check.sound
    assert "do not rely on this set-up" in check.verdict


def test_no_backdrop_is_one_sentence(clips, capsys):
    assert main(["selfcheck", str(clips / "wall.mp4")]) == 3
    assert capsys.readouterr().err == (
        "smokecase: wall.mp4: no printed backdrop was found in the picture; film nearer and in "
        "better light, or mark a board with --board X0,Y0,X1,Y1.\n"
    )


def test_a_film_needs_to_be_known(clips, capsys):
    with pytest.raises(SystemExit):
        main(["selfcheck", str(clips / "clear.mp4"), "--film", str(clips / "film.mp4")])
    assert "--film and --passes belong together" in capsys.readouterr().err


def test_a_plain_checker_is_found_and_may_have_a_white_beside_it(tmp_path, capsys):
    light = np.full((240, 320), 0.30)
    for row in range(8):
        for column in range(8):
            light[40 + 20 * row : 60 + 20 * row, 80 + 20 * column : 100 + 20 * column] = (
                0.05 if (row + column) % 2 else 0.45
            )
    light[40:80, 10:50] = 0.5
    rng = np.random.default_rng(4)
    codes = [
        np.clip(255 * (light + rng.normal(0, 0.002, light.shape)) ** (1 / 2.2), 0, 255)
        .astype(np.uint8)[..., None].repeat(3, axis=2)
        for _ in range(8)
    ]  # fmt: skip
    clip = write_clip(tmp_path / "checker.mp4", codes, fps=10)

    plain = check_setup(clip)
    marked = check_setup(clip, white_px=(12, 42, 48, 78))

    assert plain.sound
    assert marked.sound
    with pytest.raises(SystemExit):
        main(["selfcheck", str(clip), "--white", "900,900,950,950"])
    assert "--white" in capsys.readouterr().err
