"""What changes at the pipe, told from what changes everywhere: invented blocks of known cause."""

import numpy as np
import pytest

from smokecase.doubts import EXIT_NOT_FOUND
from smokecase.plume.section import PipeExit
from smokecase.plume.smoke_or_not import look_at_pipe

ROWS, COLUMNS, FRAMES = 22, 40, 40
SHAPE = (352, 640)
PIPE = PipeExit(
    exit_px=(200.0, 180.0), u_exit_px=2.0, diameter_px=24.0, u_diameter_px=2.0, direction_deg=0.0,
    u_direction_deg=5.0, doubts=frozenset(),
)  # fmt: skip


@pytest.fixture
def plate():
    return np.random.default_rng(1).uniform(0.1, 0.4, (ROWS, COLUMNS, 3)).astype(np.float32)


@pytest.fixture
def still(plate):
    """The plate over and over, with a little noise."""
    noise = np.random.default_rng(2).normal(1, 0.004, (FRAMES, ROWS, COLUMNS, 1))
    return (plate * noise).astype(np.float32)


def weight(blocks, plate):
    return look_at_pipe(blocks.astype(np.float32), plate, SHAPE, PIPE).smoke


def test_a_flickering_plume_at_the_exit_is_smoke(still, plate):
    rng = np.random.default_rng(3)
    depth = rng.uniform(0.1, 0.6, (FRAMES, 1, 1, 1))
    still[10:, 9:14, 13:24] += (0.6 - still[10:, 9:14, 13:24]) * depth[10:]

    assert weight(still, plate) > 0.95


def test_thin_smoke_before_a_quiet_wall_stands_out_as_dense_smoke_does(still, plate):
    rng = np.random.default_rng(5)
    depth = rng.uniform(0.0, 0.06, (FRAMES, 1, 1, 1))
    still[10:, 9:14, 13:24] += (0.6 - still[10:, 9:14, 13:24]) * depth[10:]

    assert weight(still, plate) > 0.9


def test_smoke_in_the_rain_stands_out_by_what_stays(still, plate):
    rng = np.random.default_rng(6)
    still[rng.uniform(0, 1, still.shape[:3]) < 0.1] *= 1.3
    depth = rng.uniform(0.1, 0.6, (FRAMES, 1, 1, 1))
    still[10:, 9:14, 13:24] += (0.6 - still[10:, 9:14, 13:24]) * depth[10:]

    assert weight(still, plate) > 0.9


def test_a_view_in_which_nothing_changes_is_no_smoke(still, plate):
    assert weight(still, plate) < 0.2


def test_rain_over_the_whole_picture_is_no_smoke(still, plate):
    drops = np.random.default_rng(4).uniform(0, 1, still.shape[:3]) < 0.1
    still[drops] *= 1.3

    assert weight(still, plate) < 0.3


def test_a_shadow_that_crosses_is_no_smoke(still, plate):
    for i in range(FRAMES):
        first = int(i * COLUMNS / FRAMES)
        still[i, :, first : first + 5] *= 0.6

    assert weight(still, plate) < 0.5


def test_someone_walking_past_is_no_smoke(still, plate):
    for i in range(FRAMES):
        first = int(2 * i * COLUMNS / FRAMES)
        still[i, 4:, first : first + 4] = 0.05

    assert weight(still, plate) < 0.5


def test_an_exposure_that_was_not_followed_is_no_smoke(still, plate):
    still[20:] *= 1.08

    assert weight(still, plate) < 0.8  # changed everywhere alike, and for good: not sure


def test_without_an_exit_nothing_is_said(still, plate):
    nowhere = PipeExit(
        exit_px=None, u_exit_px=np.inf, diameter_px=None, u_diameter_px=np.inf, direction_deg=None,
        u_direction_deg=np.inf, doubts=frozenset({EXIT_NOT_FOUND}),
    )  # fmt: skip

    assert look_at_pipe(still, plate, SHAPE, nowhere) is None
    assert look_at_pipe(still[:3], plate, SHAPE, PIPE) is None
