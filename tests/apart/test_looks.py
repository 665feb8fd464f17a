"""What is brought is looked at in a process of its own: same answers, only its file is lost."""

from pathlib import Path

import av
import numpy as np
import pytest

from made_clips import write_clip, yard
from smokecase.apart.caller import Limits
from smokecase.apart.looks import Looks, copy_apart, look
from smokecase.errors import ClipError, WriteError
from smokecase.first_look import first_picture, look_first, what_is

TESTS = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def clip(tmp_path_factory):
    return write_clip(tmp_path_factory.mktemp("looks") / "yard.mp4", yard(12))


@pytest.fixture(scope="module")
def looks():
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYTHONPATH", str(TESTS))
        found = Looks("apart_tasks:look", Limits(stalled_s=10))
        yield found
        found.close()


def test_the_looks_are_those_of_a_look_at_hand(looks, clip):
    assert looks.what_is(clip) == what_is(clip)
    assert looks.look_first(clip) == look_first(clip)
    np.testing.assert_array_equal(looks.first_picture(clip, 0.2), first_picture(clip, 0.2))


def test_what_cannot_be_read_is_said_in_the_same_words(looks, tmp_path):
    path = tmp_path / "rubbish.mp4"
    path.write_bytes(b"no clip at all" * 100)
    with pytest.raises(ClipError) as here:
        look_first(path)

    with pytest.raises(ClipError) as apart:
        looks.look_first(path)

    assert str(apart.value) == str(here.value)


def test_a_file_that_kills_its_decoder_takes_no_other_with_it(looks, clip, tmp_path):
    killer = tmp_path / "kills.mp4"
    killer.write_bytes(clip.read_bytes())
    for ask in (looks.what_is, looks.look_first, looks.first_picture):
        with pytest.raises(ClipError, match=r"^kills.mp4: the decoder broke down on it \(signal"):
            ask(killer)

    assert looks.what_is(clip)[0] == "clip"


def test_a_file_that_stalls_its_decoder_is_given_up(clip, tmp_path, monkeypatch):
    monkeypatch.setenv("PYTHONPATH", str(TESTS))
    stalling = tmp_path / "stalls.mp4"
    stalling.write_bytes(clip.read_bytes())
    looks = Looks("apart_tasks:look", Limits(stalled_s=1))
    try:
        with pytest.raises(ClipError, match=r"stalls.mp4: nothing moved for 1 s while it was read"):
            looks.look_first(stalling)
    finally:
        looks.close()


def test_a_copy_to_watch_is_made_apart(clip, tmp_path):
    shares = []

    copy_apart(clip, tmp_path / "copy.mp4", tell=lambda share, words: shares.append(share))

    with av.open(str(tmp_path / "copy.mp4")) as container:
        stream = container.streams.video[0]
        assert (stream.codec_context.name, stream.codec_context.pix_fmt) == ("h264", "yuv420p")
        assert len(list(container.decode(stream))) == 12
    assert shares == sorted(shares) != []


def test_a_copy_that_cannot_be_written_says_so(clip, tmp_path):
    with pytest.raises(WriteError, match=r"yard.mp4: the copy to watch cannot be written"):
        copy_apart(clip, tmp_path / "nowhere" / "copy.mp4")


def test_an_unknown_look_is_refused(clip):
    with pytest.raises(ValueError, match="what must be one of kind, first, picture, copy"):
        look({"what": "guess", "path": str(clip)}, lambda share, words: None)
