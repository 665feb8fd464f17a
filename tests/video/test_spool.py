"""Frames kept from the first walk are those that decoding gives; where none are, it decodes."""

from dataclasses import replace

import numpy as np
import pytest
from tests.made_clips import write_clip

from smokecase.doubts import DAMAGED_FILE
from smokecase.video import spool
from smokecase.video.clip import open_clip
from smokecase.video.spool import spooled


@pytest.fixture
def clip(tmp_path):
    rng = np.random.default_rng(3)
    pictures = [rng.integers(0, 255, (36, 64, 3), np.uint8) for _ in range(12)]
    return open_clip(write_clip(tmp_path / "clip.mp4", pictures))


def counting(clip):
    """The same clip, and a list that grows by one for each walk that decodes."""
    walks = []

    def walk(*args):
        walks.append(args[1:])
        return clip.walk(*args)

    return replace(clip, walk=walk), walks


def same(some, others):
    return len(some) == len(others) and all(
        a.index == b.index and a.time_s == b.time_s and np.array_equal(a.codes, b.codes)
        for a, b in zip(some, others, strict=True)
    )


def test_a_second_walk_gives_the_same_frames_and_decodes_nothing(clip):
    counted, walks = counting(clip)

    with spooled(counted) as kept:
        first, again = list(kept.frames()), list(kept.frames())
        middle = list(kept.frames(0.1, 0.3, every=2))

    assert len(walks) == 1
    assert same(first, list(clip.frames()))
    assert same(again, first)
    assert same(middle, list(clip.frames(0.1, 0.3, every=2)))
    with pytest.raises(ValueError, match="read-only"):
        again[0].codes[0, 0, 0] = 1


def test_each_so_manieth_frame_is_handed_out_of_the_first_walk_and_all_are_kept(clip):
    counted, walks = counting(clip)

    with spooled(counted) as kept:
        some = list(kept.frames(every=5))
        rest = list(kept.frames())

    assert [f.index for f in some] == [0, 5, 10]
    assert len(walks) == 1
    assert same(rest, list(clip.frames()))


def test_what_lies_outside_the_first_walk_is_decoded(clip):
    counted, walks = counting(clip)

    with spooled(counted) as kept:
        list(kept.frames(0.1, 0.3))
        whole = list(kept.frames())

    assert len(walks) == 2
    assert same(whole, list(clip.frames()))


def test_frames_of_another_size_are_decoded(clip):
    with spooled(clip) as kept:
        list(kept.frames())
        small = list(kept.resized(32).frames())

    assert [f.codes.shape for f in small] == [(18, 32, 3)] * 12


def test_a_walk_that_was_left_early_keeps_nothing(clip):
    counted, walks = counting(clip)

    with spooled(counted) as kept:
        next(kept.frames())
        whole = list(kept.frames())

    assert len(walks) == 2
    assert same(whole, list(clip.frames()))


def test_a_clip_too_large_to_keep_is_decoded_each_time(clip, monkeypatch):
    monkeypatch.setattr(spool, "MOST_BYTES", 1000)
    counted, walks = counting(clip)

    with spooled(counted) as kept:
        assert same(list(kept.frames()), list(kept.frames()))

    assert len(walks) == 2


def test_a_clip_larger_than_a_file_may_be_here_is_decoded_each_time(clip, monkeypatch):
    monkeypatch.setattr("resource.getrlimit", lambda kind: (1000, 1000))
    counted, walks = counting(clip)

    with spooled(counted) as kept:
        assert same(list(kept.frames()), list(kept.frames()))

    assert len(walks) == 2


def test_a_full_disk_costs_time_but_no_frame(clip, monkeypatch):
    class Full:
        def __init__(self, buffering):
            self.room = 3

        def __enter__(self):
            return self

        def __exit__(self, *error):
            return None

        def write(self, data):
            self.room -= 1
            if self.room < 0:
                raise OSError(28, "No space left on device")
            return data.nbytes

        def truncate(self, size):
            assert size == 0

    monkeypatch.setattr(spool.tempfile, "TemporaryFile", Full)
    counted, walks = counting(clip)

    with spooled(counted) as kept:
        first, again = list(kept.frames()), list(kept.frames())

    assert len(walks) == 2
    assert same(first, list(clip.frames()))
    assert same(again, first)


def test_what_a_walk_found_out_is_noted_on_the_clip_that_is_kept(tmp_path):
    rng = np.random.default_rng(3)
    pictures = [rng.integers(0, 255, (120, 160, 3), np.uint8) for _ in range(20)]
    path = write_clip(tmp_path / "clip.mp4", pictures)
    raw = bytearray(path.read_bytes())
    half = len(raw) // 2
    raw[half : half + 2048] = bytes(2048)
    path.write_bytes(raw)
    decoded = open_clip(path)
    frames = list(decoded.frames())

    with spooled(open_clip(path)) as kept:
        assert same(list(kept.frames()), frames)

    assert kept.lost_packets == decoded.lost_packets > 0
    assert DAMAGED_FILE in kept.doubts
