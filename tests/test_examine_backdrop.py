"""A clip with the printed backdrop through the same door as any other."""

import cv2
import numpy as np
import pytest
from PIL import Image

from board_scene import hang, print_sheet
from made_clips import write_clip
from smokecase import cli
from smokecase.examination import examine
from smokecase.report.backdrop import write_backdrop


@pytest.fixture(scope="module")
def filmed(tmp_path_factory):
    folder = tmp_path_factory.mktemp("yard")
    write_backdrop(folder / "board.pdf")
    yard = hang(print_sheet(folder / "board.pdf"), np.random.default_rng(5), s_curve=0.1)
    side = 1.1 * yard.diameter_px
    x, y = yard.exit_px[0] + 0.95 * yard.diameter_px, yard.exit_px[1]
    x0, y0, x1, y1 = np.round([x - side / 2, y - side / 2, x + side / 2, y + side / 2]).astype(int)
    pictures, truth = [], []
    for n in range(32):
        through, veil = np.ones_like(yard.plate), np.zeros(3)
        if n >= 16:
            through, veil = yard.plume(0.5 + 0.2 * np.sin(n / 4), veil=0.05)
        pictures.append(yard.expose(through, veil))
        truth.append(100 * (1 - through[y0:y1, x0:x1, 1].mean()))
    write_clip(folder / "smoke.mp4", pictures, fps=15)
    return yard, folder / "smoke.mp4", np.array(truth)


def test_the_backdrop_is_found_and_carries_the_reading(filmed):
    yard, path, truth = filmed

    trace = examine(path, exit_px=yard.exit_px, diameter_px=yard.diameter_px).trace

    error = trace.opacity_pct - truth
    assert np.abs(error).mean() < 1.5  # the bar for clips with a backdrop
    inside = (trace.opacity_low_pct <= truth) & (truth <= trace.opacity_high_pct)
    assert inside.mean() > 0.88


@pytest.fixture(scope="module")
def stills(tmp_path_factory):
    folder = tmp_path_factory.mktemp("stills")
    write_backdrop(folder / "board.pdf")
    yard = hang(print_sheet(folder / "board.pdf"), np.random.default_rng(11))
    through, veil = yard.plume(0.55, veil=0.05)
    np.save(folder / "through.npy", through[..., 1])
    for name, codes in (("clear", yard.expose()), ("smoke", yard.expose(through, veil))):
        Image.fromarray(codes).save(folder / f"{name}.png")
    side = 1.1 * yard.diameter_px
    x, y = yard.exit_px[0] + 0.95 * yard.diameter_px, yard.exit_px[1]
    x0, y0, x1, y1 = np.round([x - side / 2, y - side / 2, x + side / 2, y + side / 2]).astype(int)
    return yard, folder, 100 * (1 - through[y0:y1, x0:x1, 1].mean())


def test_two_stills_before_the_backdrop_are_read_by_contrast(stills):
    yard, folder, truth = stills

    examination = examine(
        folder / "smoke.png",
        plate=folder / "clear.png",
        exit_px=yard.exit_px,
        diameter_px=yard.diameter_px,
    )

    trace = examination.trace
    assert examination.settings["backdrop"].startswith("A4")
    assert trace.opacity_pct[0] == pytest.approx(truth, abs=3)  # twice the bar of the mean error
    assert trace.opacity_low_pct[0] < truth < trace.opacity_high_pct[0]
    assert trace.centre_line_pct[0] > trace.opacity_pct[0]


def test_without_an_exit_the_board_is_read_pixel_by_pixel(stills):
    _, folder, _ = stills

    found = examine(folder / "smoke.png", plate=folder / "clear.png")

    assert np.isnan(found.trace.opacity_pct[0])  # nobody said where the pipe ends
    told = found.opacity_map
    size = told.opacity_pct.shape[::-1]
    through = np.load(folder / "through.npy").astype(np.float32)
    truth = 100 * (1 - cv2.resize(through, size, interpolation=cv2.INTER_AREA))
    half = (told.high_pct - told.low_pct) / 2
    before_board = np.isfinite(half) & (half < 12) & (truth > 10)
    error = (told.opacity_pct - truth)[before_board]
    assert before_board.sum() > 3000
    assert np.abs(error).mean() < 3  # single pixels, twice the bar of the mean error
    assert np.mean(np.abs(error) < half[before_board]) > 0.9


def test_the_paper_goes_before_a_marked_white(stills):
    _, folder, _ = stills
    smoke, clear = folder / "smoke.png", folder / "clear.png"

    def doubt(**marked):
        return examine(smoke, plate=clear, **marked).colour.u_veil_reflectance

    assert doubt(white_px=(0, 0, 60, 60)) == doubt()


def test_what_cannot_be_white_is_told_in_the_words_of_the_command(stills, capsys):
    yard, folder, _ = stills
    x, y = yard.exit_px
    dark = f"{x - 40:.0f},{y - 8:.0f},{x - 10:.0f},{y + 8:.0f}"  # the pipe

    with pytest.raises(SystemExit) as stop:
        cli.main(["examine", str(folder / "smoke.png"), "--white", dark])

    assert stop.value.code == 2
    assert "--white marks something darker" in capsys.readouterr().err
