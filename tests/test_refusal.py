"""When a clip is refused as a whole: a view that lies crooked says nothing of smoke."""

import pytest

from smokecase.doubts import EXPOSURE_UNCHECKED, MOVING_CAMERA, SHAKY, SHORT_PLATE
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
