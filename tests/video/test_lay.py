"""Frames laid on the plate, and what the frame did not see."""

import numpy as np
from numpy.testing import assert_allclose

from smokecase.video.lay import RIM_PX, lay_on_plate, whole_blocks
from smokecase.video.view import View


def moved(dx, dy):
    """The view of a frame whose scene lies dx, dy further left and up than on the plate."""
    to_plate = np.array([[1.0, 0.0, dx], [0.0, 1.0, dy]])
    return View(to_plate=to_plate, shake_px=0.0, moved_px=float(np.hypot(dx, dy)), trusted=True)


def yard(seed=3, shape=(120, 200)):
    rng = np.random.default_rng(seed)
    coarse = rng.uniform(0.1, 0.6, (shape[0] // 8, shape[1] // 8, 3))
    return np.kron(coarse, np.ones((8, 8, 1))).astype(np.float32)


def test_what_a_frame_did_not_see_is_as_on_the_plate_at_the_frames_exposure():
    plate, gain = yard(), np.array([1.2, 1.1, 0.9], np.float32)
    frame = np.full_like(plate, 0.7)  # what stands where the plate does not look
    frame[:-24] = (plate * gain)[24:]  # the phone was moved down by 24 px

    laid, seen = lay_on_plate(frame, moved(0, 24), plate)

    assert_allclose(laid, plate * gain, rtol=1e-4)
    assert not seen[: 24 + RIM_PX].any()
    assert seen[24 + RIM_PX : -RIM_PX, RIM_PX:-RIM_PX].all()


def test_smoke_in_the_seen_part_does_not_pass_for_exposure():
    plate = yard()
    frame = np.roll(plate, -24, axis=0)
    frame[30:70, 40:110] = 0.02  # a sixth of what is seen

    laid, seen = lay_on_plate(frame, moved(0, 24), plate)

    assert_allclose(laid[~seen], plate[~seen], rtol=1e-4)


def test_a_frame_that_saw_all_is_given_back():
    plate = yard()

    laid, seen = lay_on_plate(plate, moved(0, 0), plate)

    assert laid is plate
    assert seen is None


def test_only_blocks_that_were_seen_whole_count():
    seen = np.ones((64, 96), bool)
    seen[:20] = False  # one row of blocks is lost, the next one partly

    assert_allclose(whole_blocks(seen), np.arange(4)[:, None] > 1 + np.zeros(6))
