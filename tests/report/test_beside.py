"""Two clips on one clock: their pictures lie together, and each is heard on its own side."""

import av
import numpy as np
import pytest

from made_clips import grey, write_clip
from smokecase.report.beside import write_beside
from smokecase.video.sound_copy import lay_both_under


def knocks(seconds, at_s):
    """Sound at 8000 a second with a short tone at a time."""
    t = np.arange(int(8000 * seconds)) / 8000
    return np.where((t >= at_s) & (t < at_s + 0.1), 0.5 * np.sin(2 * np.pi * 440 * t), 0.0)


def heard(path):
    """Loudness of both sides every 10 ms."""
    with av.open(str(path)) as container:
        parts = [f.to_ndarray() for f in container.decode(audio=0)]
    sides = np.concatenate(parts, axis=1)
    blocks = sides[:, : sides.shape[1] // 441 * 441].reshape(2, -1, 441)
    return np.abs(blocks).mean(axis=-1)


@pytest.fixture
def pair(tmp_path):
    """The engine of the first starts at 1 s, that of the second at 0.4 s; each knocks then."""
    made = []
    for name, start_s, level in (("a", 1.0, 60), ("b", 0.4, 180)):
        pictures = [grey(level, width=96, height=64)] * 50
        made.append(write_clip(tmp_path / f"{name}.mp4", pictures, sound=knocks(2.0, start_s)))
    return tuple(made)


def test_each_clip_is_heard_on_its_own_side_at_the_same_moment(pair, tmp_path):
    out = tmp_path / "both.mp4"

    write_beside(pair, (1.0, 0.4), ("before", "after"), out)

    left, right = heard(out)
    # the film begins 0.4 s before the start: as early as the second clip lets it
    for side in (left, right):
        loud = np.flatnonzero(side > 0.1)
        assert 0.01 * loud[0] == pytest.approx(0.4, abs=0.05)  # an AAC frame lasts 23 ms
        assert 0.01 * loud[-1] == pytest.approx(0.5, abs=0.05)
    with av.open(str(out)) as container:
        first = next(container.decode(video=0)).to_ndarray(format="rgb24")
    assert first[100, 100].mean() < 90 < 150 < first[100, -100].mean()
    assert not list(tmp_path.glob("*.silent"))


def test_a_clip_without_sound_is_silent_on_its_side_and_two_such_make_a_silent_film(pair, tmp_path):
    mute = write_clip(tmp_path / "mute.mp4", [grey(90, width=96, height=64)] * 50)
    out, silent = tmp_path / "one.mp4", tmp_path / "none.mp4"

    write_beside((pair[0], mute), (1.0, 1.0), ("before", "after"), out)
    write_beside((mute, mute), (1.0, 1.0), ("before", "after"), silent)

    left, right = heard(out)
    assert left.max() > 0.1
    assert right.max() < 1e-3
    with av.open(str(silent)) as container:
        assert not container.streams.audio
    assert not lay_both_under(silent, (mute, mute), (0.0, 0.0), tmp_path / "never.mp4")
    assert not (tmp_path / "never.mp4").exists()
