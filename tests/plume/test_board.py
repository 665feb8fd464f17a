"""The printed backdrop found and read in invented scenes of known truth (`board_scene.py`)."""

import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose

sys.path.insert(0, str(Path(__file__).parents[1]))

from board_scene import decode, hang, print_sheet
from smokecase.doubts import BOARD_OFF_SECTION
from smokecase.optics.tone import BENDS
from smokecase.plume.backdrop import backdrop_from_box, backdrop_from_sheets, learn_from_drift
from smokecase.plume.backdrop_reading import SectionByContrast, contrast_reading
from smokecase.plume.board import cover, find_sheets, label_cells
from smokecase.report.backdrop import write_backdrop


@pytest.fixture(scope="module")
def sheet(tmp_path_factory):
    path = tmp_path_factory.mktemp("print") / "board.pdf"
    write_backdrop(path)
    return print_sheet(path)


@pytest.fixture(scope="module")
def yard(sheet):
    return hang(sheet, np.random.default_rng(12), size=(600, 1066), s_curve=0.1)


@pytest.fixture(scope="module")
def clear(yard):
    return np.mean([decode(yard.expose() / 255.0) for _ in range(4)], axis=0).astype(np.float32)


@pytest.fixture(scope="module")
def found(yard):
    return find_sheets(yard.expose())


def section(yard):
    side = 1.1 * yard.diameter_px
    x, y = yard.exit_px[0] + 0.95 * yard.diameter_px, yard.exit_px[1]
    return (x - side / 2 + 0.5, y - side / 2 + 0.5, x + side / 2 + 0.5, y + side / 2 + 0.5)


def test_the_sheet_is_found_where_it_hangs(yard, found):
    points = np.array([[148.5, 98.0], [60.0, 60.0], [240.0, 150.0]])
    truth = np.column_stack([points, np.ones(3)]) @ yard.homography.T
    truth = truth[:, :2] / truth[:, 2:]

    assert [(f.sheet.paper, f.sheet.grid, f.sheet.number) for f in found] == [("A4", "near", 1)]
    # wrinkles move points by about 0.6 mm, a third of a pixel, at random
    assert_allclose(found[0].to_picture(points), truth, atol=1.5)


def test_the_scale_is_that_of_the_scene(yard, found):
    middle = np.array([148.5, 98.0])
    steps = middle + np.array([[-40, 0], [40, 0], [0, -40], [0, 40.0]])
    px = np.column_stack([steps, np.ones(4)]) @ yard.homography.T
    px = px[:, :2] / px[:, 2:]
    truth = 160 / (np.linalg.norm(px[1] - px[0]) + np.linalg.norm(px[3] - px[2]))

    scale, u = found[0].mm_per_px(middle)

    assert abs(scale - truth) < 2 * u
    assert u < 0.03 * scale


def test_a_larger_copy_is_the_same_sheet(found):
    large = found[0].scaled(2.0)
    point = np.array([[100.0, 80.0]])

    # origin at the centre of the top left pixel: (x + 0.5) doubles
    assert_allclose(large.to_picture(point), 2 * (found[0].to_picture(point) + 0.5) - 0.5)
    assert_allclose(large.mm_per_px()[0], found[0].mm_per_px()[0] / 2, rtol=1e-9)


def test_half_hidden_by_smoke_it_is_still_found(yard):
    h, w = yard.plate.shape[:2]
    middle = yard.homography @ [148.5, 98.0, 1]
    ramp = np.mgrid[0:h, 0:w][1] - middle[0] / middle[2]
    for veil in (0.05, 0.7):
        through = 1 - 0.6 * np.clip(ramp / 30 + 0.5, 0, 1)[..., None]

        assert len(find_sheets(yard.expose(through, veil))) == 1


def test_with_all_markers_hidden_the_frame_before_helps(yard, found):
    picture = yard.expose()
    for marker in found[0].sheet.markers:
        x, y = found[0].to_picture(marker.corners_mm()).mean(axis=0).astype(int)
        picture[y - 16 : y + 16, x - 16 : x + 16] = 120

    assert find_sheets(picture) == []
    again = find_sheets(picture, previous=found)
    assert len(again) == 1
    assert again[0].markers == 0
    assert_allclose(again[0].to_picture([[150, 100]]), found[0].to_picture([[150, 100]]), atol=1)


def test_a_wall_is_no_backdrop(yard):
    wall = yard.expose()[:200, :300]

    assert find_sheets(wall) == []


def test_cells_are_labelled_inside_the_sheet(found, yard):
    labels = label_cells(found[0], yard.plate.shape[:2])
    mask = cover(found, yard.plate.shape[:2])

    assert mask[labels >= 0].mean() > 0.999
    green = yard.plate[..., 1]
    kinds = np.array([c.kind for c in found[0].sheet.cells])
    level = [
        np.median(green[np.isin(labels, np.nonzero(kinds == k)[0])]) for k in ("white", "black")
    ]
    assert level[0] > 5 * level[1]


@pytest.mark.parametrize(
    ("peak", "slope", "veil"),
    [(0.0, 1.0, 0.05), (0.3, 1.0, 0.05), (0.6, 2.0, 0.4), (0.5, 0.0, 0.7)],
)
def test_the_section_is_read_by_contrast(yard, clear, found, peak, slope, veil):
    board = backdrop_from_sheets(found, clear, np.zeros(clear.shape[:2], bool))
    through, colour = yard.plume(peak, slope=slope, veil=veil)
    seen = decode(yard.expose(through, colour) / 255.0).astype(np.float32)
    x0, y0, x1, y1 = section(yard)
    truth = through[round(y0) : round(y1), round(x0) : round(x1)].mean(axis=(0, 1))

    t, u, doubts = contrast_reading(seen, clear, board, section(yard))

    assert not doubts
    assert_allclose(t, truth, atol=0.03)  # the bar for one reading; the mean is held at 1.5 %
    assert np.all(np.abs(t - truth) < 3 * u)
    assert np.all(u < 0.03)


def test_white_comes_from_the_white_patches(yard, clear, found):
    board = backdrop_from_sheets(found, clear, np.zeros(clear.shape[:2], bool))
    # light of the scene on the sheet: exposure 0.8 times its colour, shaded by up to an eighth
    wanted = 0.8 * np.array([0.97, 1.0, 1.04])

    assert np.all(np.abs(board.white - wanted) < 2 * board.u_white + 0.1)
    assert_allclose(board.white / board.white[1], wanted / wanted[1], atol=0.03)


def test_a_board_marked_by_hand_reads_too(yard, clear, found):
    middle = found[0].to_picture([[160.0, 98.0]])[0]
    box = (middle[0] - 45, middle[1] - 20, middle[0] + 45, middle[1] + 20)
    board = backdrop_from_box(box, clear, np.zeros(clear.shape[:2], bool))
    area = (middle[0] - 14, middle[1] - 14, middle[0] + 14, middle[1] + 14)
    seen = (0.6 * clear + 0.4 * 0.2).astype(np.float32)

    t, u, _ = contrast_reading(seen, clear, board, area)

    assert np.all(np.abs(t - 0.6) < 2 * u + 0.005)


def test_a_plain_wall_marked_by_hand_is_refused(clear):
    assert (
        backdrop_from_box((10, 10, 100, 100), clear * 0 + 0.3, np.zeros(clear.shape[:2], bool))
        is None
    )


def test_a_section_beside_the_board_is_said(yard, clear, found):
    board = backdrop_from_sheets(found, clear, np.zeros(clear.shape[:2], bool))
    reader = SectionByContrast(clear, board, (5, 5, 45, 45))

    reading = reader.read(clear, np.full(3, 0.003))

    assert reading.doubts == {BOARD_OFF_SECTION}
    assert np.isnan(reading.transmittance).all()
    assert cv2.countNonZero(board.mask.astype(np.uint8)) > 500


def test_a_change_of_exposure_narrows_the_tone_curve_down(yard, clear, found):
    nowhere = np.zeros(clear.shape[:2], bool)
    board = backdrop_from_sheets(found, clear, nowhere)
    darker = decode(yard.expose(gain=0.6) / 255.0).astype(np.float32)

    learnt = learn_from_drift(board, clear, (darker,), ~nowhere, nowhere)
    beside = learn_from_drift(board, clear, (darker,), nowhere, nowhere)

    def spread(tone):
        return float(np.sqrt(tone.weights @ (BENDS - tone.weights @ BENDS) ** 2))

    assert spread(learnt.tone) < 0.85 * spread(board.tone)
    assert abs(learnt.tone.weights @ BENDS - 0.1) < 2 * spread(learnt.tone)  # the yard's own curve
    assert beside.tone is board.tone  # smoke may have reached every patch
