"""Full disks, places that cannot be written, clocks that jump, files that change: one sentence."""

import os
import resource
import signal
import subprocess
import sys
import threading
from datetime import UTC, datetime, timedelta

import pyarrow.parquet as pq
import pytest

from batch_rig import Inline, environment, put_clips
from made_clips import write_clip, yard
from smokecase.batch.run import run_batch
from smokecase.case.store import open_cases
from smokecase.errors import ClipError, SmokecaseError, WriteError
from smokecase.examination import examine

NOON = datetime(2031, 5, 4, 12, tzinfo=UTC)


def limited(words, *, largest_bytes):
    """Run Python where no file may grow beyond a size, as on a disk that is full."""

    def limit():
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (largest_bytes, largest_bytes))

    return subprocess.run([sys.executable, *words], preexec_fn=limit, capture_output=True,
                          text=True, env=environment(), check=False)  # fmt: skip


def test_a_batch_on_a_full_disk_says_so_and_goes_on_when_there_is_room(tmp_path):
    clips, out = put_clips(tmp_path / "clips", 40), tmp_path / "out"
    ask = (
        "import sys; from batch_rig import Inline, run_batch\n"
        "from smokecase.errors import SmokecaseError\n"
        "try: run_batch([sys.argv[1]], sys.argv[2], engine=Inline())\n"
        "except SmokecaseError as error: sys.exit(str(error))"
    )

    ended = limited(["-c", ask, str(clips), str(out)], largest_bytes=90_000)

    assert ended.returncode == 1
    assert ended.stderr.startswith(f"{out}: the disk is full; what was done before is kept; make")
    assert ended.stderr.count("\n") == 1
    engine = Inline()
    assert run_batch([str(clips)], out, engine=engine).done == 40
    assert 0 < engine.measured < 40  # some were done before and stayed so
    assert pq.read_table(out / "clips.parquet").num_rows == 40


def test_a_place_that_cannot_be_written_is_one_sentence(tmp_path):
    clips = put_clips(tmp_path / "clips", 1)
    (tmp_path / "file").write_text("in the way")

    with pytest.raises(WriteError, match="a file of this name is in the way; name a new folder"):
        run_batch([str(clips)], tmp_path / "file", engine=Inline())
    with pytest.raises(SmokecaseError, match=r"could not be written|may not be written to"):
        run_batch([str(clips)], "/proc/smokecase", engine=Inline())


def test_a_clip_that_is_exchanged_while_it_is_measured_is_refused(tmp_path):
    clip = write_clip(tmp_path / "yard.mp4", yard(12))
    other = write_clip(tmp_path / "other.mp4", yard(12, seed=2))

    def tell(share, words):
        if other.exists():
            other.replace(clip)

    with pytest.raises(ClipError, match=r"yard.mp4: the file was changed while it was read; wait"):
        examine(clip, tell=tell)


def test_a_clip_that_grows_while_it_is_measured_is_refused(tmp_path):
    clip = write_clip(tmp_path / "yard.mp4", yard(12))

    def tell(share, words):
        with clip.open("ab") as file:
            file.write(b"more")

    with pytest.raises(ClipError, match="the file was changed while it was read"):
        examine(clip, tell=tell)


def test_a_clock_that_jumps_back_disturbs_no_ledger(tmp_path):
    with open_cases(tmp_path) as store:
        case = store.open_case("clock", engine={"fuel": "diesel"}, author="Ada", time=NOON)
        for jump_h in (1, -9000, 2, -1):
            time = NOON + timedelta(hours=jump_h)
            store.add(case, "note", {"text": f"{jump_h} h"}, author="Ada", time=time)

        found = store.read_case("clock")

    assert found.damage == ()
    assert [str(e) for e in found.entries[1:]] == [
        "note: 1 h", "note: -9000 h", "note: 2 h", "note: -1 h"
    ]  # fmt: skip


def test_a_clock_that_jumps_back_ends_no_batch(tmp_path):
    clips = put_clips(tmp_path / "clips", 3)
    for n, path in enumerate(sorted(clips.iterdir())):
        os.utime(path, (2_000_000_000 - n * 10**9, 2_000_000_000 - n * 10**9))  # in the future too

    assert run_batch([str(clips)], tmp_path / "out", engine=Inline()).done == 3


def test_two_batches_in_two_folders_at_once_do_not_meet(tmp_path):
    clips = put_clips(tmp_path / "clips", 10)
    done = []
    both = [
        threading.Thread(
            target=lambda n=n: done.append(
                run_batch([str(clips)], tmp_path / f"out{n}", engine=Inline()).done
            )
        )
        for n in range(2)
    ]
    for one in both:
        one.start()
    for one in both:
        one.join()

    assert done == [10, 10]
