"""When a clip is refused as a whole: nothing that was not read is called clear."""

import numpy as np
import pytest

from page_clips import cut
from smokecase.doubts import EXPOSURE_UNCHECKED, MOVING_CAMERA, SHAKY, SHORT_PLATE
from smokecase.examination import examine
from smokecase.refusal import unsteady


@pytest.mark.parametrize(
    ("doubts", "told"),
    [
        (set(), False),
        ({SHAKY}, False),  # what shakes can still lie true
        ({EXPOSURE_UNCHECKED, SHORT_PLATE}, False),
        ({SHAKY, EXPOSURE_UNCHECKED}, True),
        ({MOVING_CAMERA, EXPOSURE_UNCHECKED}, True),
    ],
)
def test_a_view_is_unsteady_where_even_its_clear_parts_seem_changed(doubts, told):
    assert unsteady(doubts) is told


def test_a_refused_clip_is_called_free_of_smoke_in_no_frame(tmp_path):
    clip = cut(tmp_path / "tiny.mp4", size=(320, 180), every=6, seconds=7.0)

    found = examine(clip, exit_px=(130.0, 110.0), diameter_px=12.0)  # not on the pipe

    assert found.refused is not None
    assert found.colour.colour_open
    assert np.isnan(found.trace.opacity_pct).all()
    assert found.trace.colour[:, 3].max() < 0.75
    np.testing.assert_allclose(found.trace.colour.sum(axis=1), 1.0)
