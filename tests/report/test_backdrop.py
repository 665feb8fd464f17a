"""The printable backdrop: exact sizes in the file, and markers found in a print at 100 dpi."""

import re
import xml.etree.ElementTree as ET

import cv2
import numpy as np
import pypdfium2
import pytest
from numpy.testing import assert_allclose

from smokecase.cli import main
from smokecase.errors import WriteError
from smokecase.optics.target import (
    GRIDS,
    MAX_SHEETS,
    PAPERS_MM,
    grid_for_distance,
    lay_out_sheet,
    sheet_of_marker,
)
from smokecase.report.backdrop import write_backdrop

# ISO 216 (A4, A3) and ANSI/ASME Y14.1 (8.5 in by 11 in): landscape, mm
PUBLISHED_MM = {"A4": (297, 210), "A3": (420, 297), "letter": (279.4, 215.9)}
MM = 25.4 / 72  # point of ISO 32000-1


@pytest.fixture(scope="module", params=list(PAPERS_MM))
def printed(request, tmp_path_factory):
    path = tmp_path_factory.mktemp("print") / "board.pdf"
    write_backdrop(path, paper=request.param, sheets=2)
    return request.param, path, pypdfium2.PdfDocument(path)


def rasterise(page, dpi):
    return np.asarray(page.render(scale=dpi / 72).to_pil().convert("RGB"))


def test_pages_have_the_papers_size(printed):
    paper, _, pdf = printed

    assert len(pdf) == 3  # two sheets and the guide
    for page in pdf:
        assert_allclose(np.array(page.get_size()) * MM, PUBLISHED_MM[paper], atol=0.01)


def test_every_patch_lies_where_it_should(printed):
    paper, _, pdf = printed
    sheet = lay_out_sheet(paper)
    height = pdf[0].get_size()[1]
    boxes = []
    for part in pdf[0].get_objects():
        left, bottom, right, top = part.get_bounds()
        boxes.append([left * MM, (height - top) * MM, right * MM, (height - bottom) * MM])
    boxes = np.array(boxes)

    for cell in (c for c in sheet.cells if c.kind != "white"):
        side = sheet.cell_mm
        wanted = [cell.x_mm, cell.y_mm, cell.x_mm + side, cell.y_mm + side]
        # the file holds hundredths of a point: 0.004 mm
        assert np.abs(boxes - wanted).max(axis=1).min() < 0.01, cell


def test_the_ruler_is_as_long_as_it_says(printed):
    _, _, pdf = printed
    bounds = np.array([p.get_bounds() for p in pdf[0].get_objects()]) * MM
    left, bottom, right, top = bounds.T

    ticks = (right - left < 0.5) & (top - bottom < 5) & (top - bottom > 1)
    centres = (left + right)[ticks] / 2

    assert ticks.sum() == 41  # one each 5 mm
    assert_allclose(centres.max() - centres.min(), 200, atol=0.01)
    assert_allclose(np.diff(np.sort(centres)), 5, atol=0.01)


def test_markers_are_found_in_a_print_at_100_dpi(printed):
    paper, _, pdf = printed
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_250))
    for number in (1, 2):
        picture = cv2.cvtColor(rasterise(pdf[number - 1], 100), cv2.COLOR_RGB2GRAY)
        sheet = lay_out_sheet(paper, number=number)

        corners, ids, _ = detector.detectMarkers(picture)

        wanted = {m.identity: m.corners_mm() for m in sheet.markers}
        assert set(ids.ravel().tolist()) == set(wanted)
        for found, identity in zip(corners, ids.ravel().tolist(), strict=True):
            # pixel centres lie half a pixel in; detection is good to about a pixel
            mm = (found.reshape(4, 2) + 0.5) * 25.4 / 100
            assert_allclose(mm, wanted[identity], atol=0.3)


def test_the_svg_tells_the_same_sheet(printed):
    paper, path, _ = printed
    root = ET.fromstring((path.parent / "board-1.svg").read_text())
    width, height = PUBLISHED_MM[paper]

    assert root.get("width") == f"{width:g}mm"
    assert root.get("height") == f"{height:g}mm"
    sheet = lay_out_sheet(paper)
    cell = next(c for c in sheet.cells if c.kind == "black")
    corner = f"{cell.x_mm:g},{cell.y_mm:g}"
    assert any(p.get("points", "").startswith(corner) for p in root)


def test_grey_steps_are_printed_as_ordered(printed):
    # sRGB curve, IEC 61966-2-1: the page's code must decode to the share of light
    paper, _, pdf = printed
    picture = rasterise(pdf[0], 100) / 255.0
    light = np.where(picture <= 0.04045, picture / 12.92, ((picture + 0.055) / 1.055) ** 2.4)
    sheet = lay_out_sheet(paper)
    for cell in sheet.cells:
        x, y = cell.x_mm + sheet.cell_mm / 2, cell.y_mm + sheet.cell_mm / 2
        seen = light[int(y / 25.4 * 100), int(x / 25.4 * 100)]
        assert_allclose(seen, cell.share, atol=0.005)  # half an 8-bit step at the top


def test_a_marker_tells_paper_grid_and_number():
    identities = set()
    for paper in PAPERS_MM:
        for grid in GRIDS:
            for number in range(1, MAX_SHEETS + 1):
                sheet = lay_out_sheet(paper, grid, number)
                for marker in sheet.markers:
                    assert sheet_of_marker(marker.identity) is sheet
                    assert marker.identity < 250  # the dictionary's size
                    identities.add(marker.identity)
    assert sheet_of_marker(249) is None
    assert len(identities) == 3 * 6 * (6 + 4)


def test_patches_grow_with_the_distance():
    assert grid_for_distance("A4", 2.0) == "near"
    assert grid_for_distance("A4", 3.5) == "far"
    assert grid_for_distance("A4", 9.0) is None


def test_same_words_same_bytes(tmp_path):
    write_backdrop(tmp_path / "one.pdf")
    write_backdrop(tmp_path / "two.pdf")

    assert (tmp_path / "one.pdf").read_bytes() == (tmp_path / "two.pdf").read_bytes()


def test_the_command_writes_and_says_where(tmp_path, capsys):
    out = tmp_path / "board.pdf"

    assert main(["backdrop", "--paper", "letter", "--sheets", "3", "--out", str(out)]) == 0

    said = capsys.readouterr().out
    assert len(re.findall(r"board(-[123])?\.(pdf|svg)", said)) == 4
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        "board-1.svg", "board-2.svg", "board-3.svg", "board.pdf",
    ]  # fmt: skip


def test_messages(tmp_path, capsys):
    with pytest.raises(WriteError) as caught:
        write_backdrop(tmp_path / "board.pdf", distance_m=9)
    assert str(caught.value) == (
        "backdrop: patches that fit on A4 are too small to be read from 9 m; "
        "take --paper A3, or film from nearer."
    )
    assert main(["backdrop", "--out", str(tmp_path / "none" / "board.pdf")]) == 4
    assert capsys.readouterr().err == (
        "smokecase: board.pdf: the file could not be written (No such file or directory); "
        "choose another folder with --out.\n"
    )
    assert main(["backdrop", "--out", str(tmp_path / "board.txt")]) == 4
    assert "does not end in .pdf; write --out FILE.pdf." in capsys.readouterr().err
