"""Steadying: known warps of scikit-image's pictures must come back, with their residual.

Pictures: scikit-image `data` (licences listed in its data/README.txt); moves, noise and smoke are
drawn from a seeded generator.
"""

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose
from skimage import data

from smokecase.video.landmarks import find_landmarks
from smokecase.video.steady import fit_view, fit_view_to
from smokecase.video.view import IDENTITY, NOWHERE, View, warp_to_plate

EDGE = 40  # margin cut off, so that no warped picture shows its mirrored border
PICTURES = {
    "brick wall": lambda: data.brick()[:, :400],
    "gravel": lambda: data.gravel()[60:400],
    "cup on a table": lambda: data.coffee().mean(axis=2),
    "person": lambda: data.astronaut().mean(axis=2),
}


def scene(name):
    return PICTURES[name]().astype(np.float32) / 255.0


def filmed(picture, *, shift=(0.0, 0.0), turn_deg=0.0, zoom=1.0):
    """Plate, moved frame, and the true map of the frame's pixels onto the plate's."""
    h, w = picture.shape
    centre = np.array([w / 2, h / 2])
    c, s = zoom * np.cos(np.radians(turn_deg)), zoom * np.sin(np.radians(turn_deg))
    turn = np.array([[c, -s], [s, c]])
    move = np.column_stack([turn, centre - turn @ centre + shift])
    moved = cv2.warpAffine(
        picture, move, (w, h), flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REFLECT
    )
    cut = np.array([[1, 0, EDGE], [0, 1, EDGE], [0, 0, 1.0]])
    full = np.vstack([move, [0, 0, 1]])
    back = np.linalg.inv(cut) @ np.linalg.inv(full) @ cut
    inside = (slice(EDGE, -EDGE), slice(EDGE, -EDGE))
    return picture[inside], moved[inside], back[:2]


def misplaced_px(view, truth, shape):
    """Root mean square error of the map over the picture."""
    h, w = shape
    spots = np.array([[x, y, 1] for x in np.linspace(0, w, 5) for y in np.linspace(0, h, 5)])
    return np.sqrt(np.mean(np.sum((spots @ (view.to_plate - truth).T) ** 2, axis=1)))


def noise(rng, picture, sigma=0.01):
    return picture + rng.normal(0, sigma, picture.shape)


@pytest.mark.parametrize("name", PICTURES)
def test_a_moved_turned_and_zoomed_frame_is_laid_back_to_a_twentieth_of_a_pixel(name):
    rng = np.random.default_rng(1)
    errors = []
    for _ in range(4):
        plate, frame, truth = filmed(
            scene(name),
            shift=rng.normal(0, 4, 2),
            turn_deg=rng.normal(0, 0.7),
            zoom=1 + rng.normal(0, 0.005),
        )

        view = fit_view(noise(rng, plate, 0.004), noise(rng, frame))

        assert view.trusted
        errors.append(misplaced_px(view, truth, plate.shape))

    assert max(errors) < 0.05  # found: 0.005 to 0.03


def test_a_zoom_is_followed_from_frame_to_frame_where_the_plate_alone_is_lost():
    marks = find_landmarks(filmed(scene("person"))[0])
    before = None
    for zoom in np.arange(1.1, 2.05, 0.1):
        _, frame, truth = filmed(scene("person"), zoom=zoom)
        before = fit_view_to(marks, frame, before=before)

    assert not fit_view_to(marks, frame).trusted
    assert before.trusted
    assert misplaced_px(before, truth, frame.shape) < 0.3


def test_a_wrong_view_before_does_no_harm():
    plate, frame, truth = filmed(scene("gravel"), shift=(3.0, -2.0))
    far = View(to_plate=np.array([[1, 0, 60.0], [0, 1, 40]]), shake_px=0.1, moved_px=72.0,
               trusted=True)  # fmt: skip

    view = fit_view_to(find_landmarks(plate), frame, before=far)

    assert view.trusted
    assert misplaced_px(view, truth, frame.shape) < 0.1


def test_smoke_over_a_third_of_the_picture_does_no_harm():
    rng = np.random.default_rng(2)
    plate, frame, truth = filmed(scene("brick wall"), shift=(2.3, -1.6), turn_deg=0.3)
    h, w = plate.shape
    lumps = cv2.resize(rng.random((12, 12)).astype(np.float32), (w, h))
    smoke = np.where(np.arange(w)[None, :] > 0.62 * w, 0.3 + 0.6 * lumps, 0.0)

    view = fit_view(plate, noise(rng, frame * (1 - smoke) + 0.8 * smoke))

    assert view.trusted
    assert misplaced_px(view, truth, plate.shape) < 0.1


def test_a_passer_by_who_moves_does_not_drag_the_view_along():
    rng = np.random.default_rng(3)
    plate, frame, truth = filmed(scene("gravel"), shift=(1.2, 0.7))
    seen, first = frame.copy(), plate.copy()
    person = cv2.resize(scene("person")[100:300, 200:320], (70, 200))
    first[60:, 60:130], seen[60:, 75:145] = person, person

    view = fit_view(first, noise(rng, seen))

    assert view.trusted
    assert misplaced_px(view, truth, plate.shape) < 0.1


@pytest.mark.parametrize("exposure", [0.35, 1.4])
def test_a_change_of_exposure_does_no_harm(exposure):
    rng = np.random.default_rng(4)
    plate, frame, truth = filmed(scene("cup on a table"), shift=(-3.4, 2.2))

    view = fit_view(plate, np.clip(exposure * noise(rng, frame), 0, 1))

    assert view.trusted
    assert misplaced_px(view, truth, plate.shape) < 0.1


def test_a_jump_of_thirty_pixels_is_followed():
    plate, frame, truth = filmed(scene("gravel"), shift=(31.0, -18.0))

    view = fit_view(plate, frame)

    assert view.trusted
    assert misplaced_px(view, truth, plate.shape) < 0.1
    assert_allclose(view.moved_px, np.hypot(31, 18), atol=0.1)


def test_rolling_shutter_is_taken_up_as_a_shear():
    picture = scene("brick wall")
    h, w = picture.shape
    shear = np.array([[1.0, 0.012, -0.012 * h / 2], [0.0, 1.0, 0.0]])
    moved = cv2.warpAffine(picture, shear, (w, h), flags=cv2.INTER_LANCZOS4)
    inside = (slice(EDGE, -EDGE), slice(EDGE, -EDGE))

    view = fit_view(picture[inside], moved[inside])

    assert view.trusted
    assert_allclose(view.to_plate[0, 1], -0.012, atol=0.001)  # corners are good to 0.1 in 350 px


@pytest.mark.parametrize("light", [1.0, 0.1, 0.03])
def test_no_shake_is_invented_where_the_camera_stood_still(light):
    rng = np.random.default_rng(5)
    still = scene("cup on a table") * light

    for _ in range(4):
        view = fit_view(noise(rng, still, 0.004), noise(rng, still, 0.012))

        assert view.is_still
        assert view.moved_px == 0.0


def test_the_residual_tells_how_well_the_corners_agree():
    rng = np.random.default_rng(6)
    picture = scene("gravel")
    h, w = picture.shape
    x, y = np.meshgrid(np.arange(w, dtype=np.float32), np.arange(h, dtype=np.float32))
    # heat shimmer: a fine displacement field of 0.3 px per axis that no single move explains
    wobble = [
        cv2.GaussianBlur(rng.normal(size=(h, w)).astype(np.float32), (0, 0), 12) for _ in "xy"
    ]
    dx, dy = (0.3 * f / f.std() for f in wobble)
    seen = cv2.remap(picture, x + dx, y + dy, cv2.INTER_LANCZOS4)

    calm, shimmering = fit_view(picture, picture), fit_view(picture, seen)

    assert calm.shake_px < 0.02
    assert_allclose(shimmering.shake_px, 0.3, atol=0.1)  # the window of the tracker averages


def test_an_even_picture_is_left_alone_and_not_trusted():
    view = fit_view(np.full((120, 160), 0.4), np.full((120, 160), 0.5))

    assert view.is_still
    assert not view.trusted
    assert np.isnan(view.shake_px)


def test_another_scene_is_not_trusted():
    view = fit_view(scene("brick wall")[:300, :300], scene("gravel")[:300, :300])

    assert not view.trusted


def test_nothing_is_fitted_where_all_is_kept_out():
    plate, frame, _ = filmed(scene("gravel"), shift=(3.0, 1.0))

    view = fit_view(plate, frame, keep_out=np.ones(plate.shape, dtype=bool))

    assert view.is_still
    assert not view.trusted


def test_landmarks_found_once_serve_every_frame():
    plate, frame, _ = filmed(scene("gravel"), shift=(3.0, 1.0))

    once = fit_view_to(find_landmarks(plate), frame)

    assert_allclose(once.to_plate, fit_view(plate, frame).to_plate)


def test_a_warped_frame_lies_on_the_plate():
    plate, frame, truth = filmed(scene("person"), shift=(6.4, -3.7))
    view = View(to_plate=truth, shake_px=0.0, moved_px=7.4, trusted=True)

    light = warp_to_plate(np.dstack([frame] * 3).astype(np.float32), view)

    assert light.shape == (*plate.shape, 3)
    assert light.dtype == np.float32
    # two resamplings of a sharp picture: 1 % of full scale
    assert np.abs(light[..., 1] - plate)[8:-8, 8:-8].mean() < 0.01


def test_the_fine_part_of_a_warped_frame_is_that_of_one_that_is_fine_all_over():
    plate, frame, truth = filmed(scene("gravel"), shift=(6.4, -3.7), turn_deg=0.4)
    view = View(to_plate=truth, shake_px=0.0, moved_px=7.4, trusted=True)
    frame, part = frame.astype(np.float32), (slice(30, 90), slice(50, 130))

    fine, partly = warp_to_plate(frame, view), warp_to_plate(frame, view, fine=part)
    rough = warp_to_plate(frame, view, fine=NOWHERE)

    # the library rounds positions to 1/32 px; gravel changes by up to half its range in a pixel
    assert_allclose(partly[part], fine[part], atol=0.5 / 32)
    beside = np.ones(plate.shape, bool)
    beside[part] = False
    assert_allclose(partly[beside], rough[beside])


@pytest.mark.parametrize(("period_px", "lost"), [(3, 0.01), (4, 0.015), (6, 0.015), (12, 0.005)])
def test_half_a_pixel_of_steadying_hardly_costs_contrast(period_px, lost):
    x = np.arange(400)
    wave = np.tile(np.sin(2 * np.pi * x / period_px), (60, 1)).astype(np.float32)
    half = View(
        to_plate=IDENTITY - [[0, 0, 0.5], [0, 0, 0]], shake_px=0.0, moved_px=0.5, trusted=True
    )

    light = warp_to_plate(wave, half)

    wanted = np.sin(2 * np.pi * (x + 0.5) / period_px)[20:-20]
    contrast = light[30, 20:-20] @ wanted / (wanted @ wanted)
    assert abs(contrast - 1) < lost


def test_a_still_view_changes_nothing():
    light = np.random.default_rng(8).random((40, 50, 3)).astype(np.float32)

    same = warp_to_plate(light, fit_view(light[..., 1], light[..., 1]))

    assert same is light


def test_pictures_of_different_size_are_refused():
    with pytest.raises(ValueError, match=r"plate's shape \(40, 50\) \(got \(41, 50\)\)"):
        fit_view(np.zeros((40, 50)), np.zeros((41, 50)))
