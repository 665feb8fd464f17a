"""A pipe that is small in the picture: the section holds few pixels, and the clip says so."""

import pytest

from made_clips import write_clip, yard
from smokecase.examination import examine


@pytest.fixture(scope="module")
def clip(tmp_path_factory):
    path = tmp_path_factory.mktemp("far") / "far.mp4"
    return write_clip(path, yard(60, width=320, height=180))


@pytest.mark.parametrize(("diameter_px", "told"), [(9.0, True), (24.0, False)])
def test_a_small_pipe_is_doubted_and_going_nearer_advised(clip, diameter_px, told):
    found = examine(clip, exit_px=(150.0, 90.0), diameter_px=diameter_px)

    advice = {doubt.name: doubt.remedy for doubt in found.doubts}

    assert ("pipe_small" in advice) is told
    assert not told or "go nearer" in advice["pipe_small"]
