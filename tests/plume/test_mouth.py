"""The mouth of a pipe in a drawn plate: which poses the dark hole speaks for."""

import cv2
import numpy as np
import pytest

from smokecase.plume.mouth import find_mouths, mouth_score
from smokecase.plume.pipe import Edges

H, W = 120, 200
MOUTH = (100.0, 60.0, 0.0, 40.0, 0.5)  # x, y, direction, outer diameter, short axis over long one
WALL = 0.88  # inside of the drawn pipe over its outside


def plate_with_hole(direction_deg=0.0, *, share=WALL, cut_off=False):
    """An even grey with a nearly black ellipse; `cut_off`: its left half painted over."""
    light = np.full((H * 8, W * 8), 0.25, np.float32)
    centre = (int(8 * MOUTH[0]), int(8 * MOUTH[1]))
    axes = (int(4 * share * MOUTH[3] * MOUTH[4]), int(4 * share * MOUTH[3]))
    cv2.ellipse(light, centre, axes, direction_deg, 0, 360, 0.006, -1)
    if cut_off:
        light[:, : centre[0]] = 0.25
    small = cv2.resize(light, (W, H), interpolation=cv2.INTER_AREA)
    return np.repeat(small[..., None], 3, axis=2)


def score(plate, *pose):
    return float(mouth_score(Edges.of(plate), np.array([pose]))[0])


def test_a_hole_with_a_closed_outline_speaks_for_its_own_pose():
    assert score(plate_with_hole(), *MOUTH) > 0.8


@pytest.mark.parametrize(
    "change",
    [{"diameter": 0.6}, {"diameter": 1.5}, {"across": 0.3}, {"along": 0.4}],
    ids=["too narrow", "too wide", "too far across", "too far along"],
)
def test_it_speaks_for_no_other_size_or_place(change):
    x, y, direction, diameter, mouth = MOUTH
    other = (
        x + diameter * change.get("along", 0.0),
        y + diameter * change.get("across", 0.0),
        direction,
        diameter * change.get("diameter", 1.0),
        mouth,
    )

    assert score(plate_with_hole(), *other) < 0.4 * score(plate_with_hole(), *MOUTH)


def test_it_is_the_same_whichever_way_the_pipe_points():
    x, y, _, diameter, mouth = MOUTH
    straight = score(plate_with_hole(), *MOUTH)

    turned = score(plate_with_hole(60.0), x, y, np.radians(60.0), diameter, mouth)

    assert turned == pytest.approx(straight, abs=0.05)


def test_an_outline_that_is_open_on_one_side_speaks_for_little():
    assert score(plate_with_hole(cut_off=True), *MOUTH) < 0.5 * score(plate_with_hole(), *MOUTH)


def test_a_bright_disc_is_no_mouth():
    assert score(0.256 - plate_with_hole(), *MOUTH) < 0.05


def test_a_pipe_seen_from_the_side_shows_no_mouth():
    side_on = (*MOUTH[:4], 0.0)

    assert score(plate_with_hole(), *side_on) == 0.0


def test_a_mouth_whose_tube_lies_outside_the_picture_is_none():
    plate = plate_with_hole()[:, 85:]  # the tube would begin 15 px right of the edge, and end there

    assert score(plate, MOUTH[0] - 85.0, *MOUTH[1:]) == 0.0
    assert score(plate, MOUTH[0] - 85.0, MOUTH[1], np.pi, *MOUTH[3:]) > 0.5


def test_a_dark_ellipse_is_found_with_its_outer_diameter_either_way_round():
    edges = Edges.of(plate_with_hole())

    poses = find_mouths(edges)

    best = poses[np.argsort(-mouth_score(edges, poses))[:2]]
    np.testing.assert_allclose(best[:, :2], [MOUTH[:2]] * 2, atol=1.0)
    np.testing.assert_allclose(np.sort(np.cos(best[:, 2])), [-1.0, 1.0], atol=0.01)
    np.testing.assert_allclose(best[:, 3], MOUTH[3], rtol=0.08)
    np.testing.assert_allclose(best[:, 4], MOUTH[4], atol=0.06)


def test_a_dark_bar_is_no_mouth():
    plate = np.full((H, W, 3), 0.25, np.float32)
    plate[50:62, 40:160] = 0.006

    assert not len(find_mouths(Edges.of(plate)))
