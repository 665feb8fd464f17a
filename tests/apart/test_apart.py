"""Whatever a decoder does, only its own file is lost, and one sentence says how."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from made_clips import write_clip, yard
from made_examinations import a_pair
from smokecase.apart.caller import Limits, Nursery
from smokecase.apart.clips import TASK, examine_apart, from_answer, to_answer
from smokecase.apart.wire import Frames, frame, pack, unpack
from smokecase.errors import Cancelled, ClipError
from smokecase.examination import examine

TESTS = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def nursery():
    with (
        pytest.MonkeyPatch.context() as patch,
        Nursery(
            "apart_tasks:work", Limits(memory_mb=300, stalled_s=1, longest_s=2, writes_mb=1)
        ) as found,
    ):
        patch.setenv("PYTHONPATH", str(TESTS))
        yield found


def do(nursery, what, tell=None, **more):
    return nursery.run({"do": what, **more}, where="yard.mp4", tell=tell)[0]


def is_gone(pid):
    """Wait until the system has removed a process; at the latest after 20 s."""
    for _ in range(200):
        stat = Path(f"/proc/{pid}/stat")
        try:
            if stat.read_text().rpartition(")")[2].split()[0] == "Z":
                return True
        except (FileNotFoundError, ProcessLookupError):
            return True
        time.sleep(0.1)
    return False


def test_work_comes_back_with_its_progress(nursery):
    said = []

    found = do(nursery, "add", lambda share, words: said.append((share, words)), numbers=[1, 2])

    assert found == {"sum": 3}
    assert said == [(0.5, "adding")]


@pytest.mark.parametrize(
    ("what", "words"),
    [
        ("crash", r"yard.mp4: the decoder broke down on it \(signal 11, SIGSEGV\); convert it"),
        ("leave", r"broke down on it \(exit status 3\)"),
        ("blurt", r"broke down on it \(exit status 0\)"),
        ("lie", r"its answer is out of form"),
        ("stall", r"yard.mp4: nothing moved for 1 s while it was read; convert it"),
        ("talk_for_ever", r"it was not done after 2 s"),
        ("eat", r"reading it would take more than 300 MB of memory; convert it to H.264 of"),
        ("stumble", r"failed inside smokecase \(KeyError, apart_tasks.py line \d+: 'missing'\)"),
        ("write_a_file", r"failed inside smokecase \(OSError.*too large"),
    ],
)
def test_every_way_to_end_is_one_sentence_and_the_next_file_is_read(nursery, tmp_path, what, words):
    with pytest.raises(ClipError, match=words):
        do(nursery, what, bytes=400_000_000, out=str(tmp_path / "out"))

    assert do(nursery, "add", numbers=[2, 3]) == {"sum": 5}


def test_memory_below_the_limit_is_given(nursery):
    assert do(nursery, "eat", bytes=100_000_000) == {"size": 1e8}


def test_what_a_library_prints_does_not_get_between(nursery):
    assert do(nursery, "chatter") == {"sum": 1}


def test_cancelling_ends_the_work(nursery):
    pids = []

    def tell(share, words):
        pids.append(int(words))
        raise Cancelled

    with pytest.raises(Cancelled):
        do(nursery, "stall", tell)

    assert is_gone(pids[0])


def test_nothing_lives_on_when_the_caller_is_killed():
    ask = (
        "from smokecase.apart.caller import Nursery\n"
        "Nursery('apart_tasks:work').run({'do': 'stall'}, where='x',\n"
        "    tell=lambda share, words: print(words, flush=True))"
    )
    caller = subprocess.Popen(
        [sys.executable, "-c", ask], stdout=subprocess.PIPE,
        env=os.environ | {"PYTHONPATH": str(TESTS)},
    )  # fmt: skip
    pid = int(caller.stdout.readline())

    caller.send_signal(signal.SIGKILL)
    caller.communicate()

    assert is_gone(pid)


def test_a_killed_nursery_is_begun_anew(nursery):
    do(nursery, "add", numbers=[])
    os.killpg(nursery._process.pid, signal.SIGKILL)
    nursery._process.wait()

    assert do(nursery, "add", numbers=[4]) == {"sum": 4}


def test_a_clip_gives_the_same_numbers_apart(tmp_path):
    clip = write_clip(tmp_path / "yard.mp4", yard(12))

    here, there = examine(clip), examine_apart(clip)

    assert there.to_json() == here.to_json()
    assert there.to_table() == here.to_table()
    np.testing.assert_array_equal(there.trace.opacity_low_pct, here.trace.opacity_low_pct)
    assert len(there.key_frames) == len(here.key_frames)
    for mine, other in zip(there.key_frames, here.key_frames, strict=True):
        np.testing.assert_array_equal(mine.picture, other.picture)
        np.testing.assert_array_equal(mine.plume, other.plume)


def test_errors_of_the_work_come_back_as_they_are(tmp_path):
    clip = write_clip(tmp_path / "yard.mp4", yard(3))
    with Nursery(TASK) as one:
        with pytest.raises(ClipError, match=r"nothing.mp4: there is no such file; check its name"):
            examine_apart(tmp_path / "nothing.mp4", nursery=one)
        with pytest.raises(ValueError, match=r"exit_px must lie inside the picture of 64 x 48"):
            examine_apart(clip, nursery=one, exit_px=(900.0, 2.0))


def test_a_pair_keeps_its_map():
    pair = a_pair()

    found = from_answer(*unpack(pack(*to_answer(pair))), where="smoke.png")

    np.testing.assert_array_equal(found.opacity_map.low_pct, pair.opacity_map.low_pct)
    assert found.to_json() == pair.to_json()


def test_frames_are_put_together_from_any_pieces():
    whole = frame(b"P", b"[0.5]") + frame(b"R", b"x" * 70_000)
    frames = Frames()

    found = [f for i in range(0, len(whole), 997) for f in frames.add(whole[i : i + 997])]

    assert found == [(b"P", b"[0.5]"), (b"R", b"x" * 70_000)]


@pytest.mark.parametrize(
    "listed",
    [
        [["a", "object", [1]]],
        [["a", "float64", [-1]]],
        [["a", "float64", [1 << 40]]],
        [["a", "float64", ["8"]]],
        [["a"]],
    ],
)
def test_an_answer_that_is_none_is_refused(listed):
    head = json.dumps({"plain": {}, "arrays": listed}).encode()

    with pytest.raises(ValueError, match=r"array|form|unpack"):
        unpack(len(head).to_bytes(4, "big") + head)


def test_limits_must_be_above_zero():
    with pytest.raises(ValueError, match=r"memory_mb must be above zero \(got 0\)"):
        Limits(memory_mb=0)
