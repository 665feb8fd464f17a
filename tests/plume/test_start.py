"""How a clip begins: clear, smoky, or clear for one picture."""

import numpy as np
import pytest

from smokecase.plume.start import first_is_clear, stirs_at_start

TIMES = np.arange(12) / 12.0  # s
AT_EXIT = np.zeros((15, 20), bool)
AT_EXIT[6:9, 8:12] = True


def first_second(stirring, from_s=0.0, noise=0.003):
    """Blocks of a view of even light, of which the marked ones flicker by a twentieth."""
    rng = np.random.default_rng(6)
    blocks = 0.2 * (1 + noise * rng.normal(size=(12, *AT_EXIT.shape)))
    flicker = 0.05 * np.where(from_s <= TIMES, np.resize([0.0, 0.6, 1.0, 0.4], 12), 0.0)
    return (blocks * (1 - flicker[:, None, None] * stirring)).astype(np.float32)


@pytest.mark.parametrize(
    ("stirring", "from_s", "told"),
    [
        (AT_EXIT, 0.0, True),  # thin smoke from the first picture on
        (AT_EXIT, 0.7, False),  # smoke after a clear beginning
        (np.ones_like(AT_EXIT), 0.0, False),  # rain, or a lamp that flickers
        (np.roll(AT_EXIT, 7, axis=1), 0.0, False),  # a leaf beside the pipe
        (np.zeros_like(AT_EXIT), 0.0, False),
    ],
    ids=["at_once", "later", "everywhere", "beside", "nothing"],
)
def test_smoke_from_the_start_stirs_the_view_at_the_exit_alone(stirring, from_s, told):
    assert stirs_at_start(TIMES, first_second(stirring, from_s), AT_EXIT) is told


def whole_clip(transmittance, noise=0.003, drift=None):
    """Blocks of 40 pictures; those at the exit are seen through smoke with a dark veil."""
    rng = np.random.default_rng(7)
    blocks = 0.2 * (1 + noise * rng.normal(size=(40, *AT_EXIT.shape)))
    if drift is not None:
        blocks *= drift[:, None, None]
    blocks[:, AT_EXIT] *= transmittance[:, None]
    return blocks.astype(np.float32)


SPREAD = np.arange(40) / 5.0  # s
CHANGING = np.exp(-0.3 * (1.0 + 0.5 * np.sin(2.0 * np.arange(40))))  # smoke that billows
ONE_CLEAR = np.where(np.arange(40) == 0, 1.0, CHANGING)
LATE = np.where(np.arange(40) < 9, 1.0 - 0.0005 * np.arange(40), CHANGING)


@pytest.mark.parametrize(
    ("transmittance", "drift", "told"),
    [
        (ONE_CLEAR, None, True),
        (CHANGING, None, False),  # smoke that was there before
        (np.ones(40), None, False),
        (LATE, None, False),  # smoke that comes later: there are better pictures than the first
        # a light that goes out parts the first picture from the others everywhere
        (CHANGING, np.where(np.arange(40) == 0, 1.5, 1.0), False),
    ],
    ids=["clear_once", "smoky", "clear", "late", "light"],
)
def test_one_clear_picture_lies_outside_all_that_the_smoke_shows_later(transmittance, drift, told):
    assert first_is_clear(SPREAD, whole_clip(transmittance, drift=drift), AT_EXIT) is told


def test_too_few_pictures_tell_nothing_of_the_first():
    assert not first_is_clear(SPREAD[:5], whole_clip(ONE_CLEAR)[:5], AT_EXIT)
