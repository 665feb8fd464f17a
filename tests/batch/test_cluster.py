"""On a Dask scheduler: whatever is killed in the middle, nothing is lost and nothing done twice."""

from collections import Counter

import pyarrow.parquet as pq
import pytest

from batch_rig import Rig, kill, put_clips, read_log
from smokecase.apart.caller import Limits
from smokecase.batch.engines import Cluster
from smokecase.batch.run import run_batch
from smokecase.errors import SchedulerError

CLIPS = 30


@pytest.fixture
def rig(tmp_path):
    with Rig(tmp_path / "log") as found:
        yield found


def finish(client):
    out, said = client.communicate(timeout=120)
    assert client.returncode == 0, said
    return out


def check(rig, out, *, in_flight):
    """Every clip has its row, and only what was under way at the kill was begun again."""
    rows = pq.read_table(out / "clips.parquet").to_pylist()
    ended = Counter(read_log(rig.log, "ended"))
    assert [row["state"] for row in rows] == ["done"] * CLIPS
    assert len({row["sha256"] for row in rows}) == CLIPS
    assert set(ended) == {row["sha256"] for row in rows}
    assert len(read_log(rig.log, "begun")) <= CLIPS + in_flight


def test_a_killed_worker_loses_nothing(rig, tmp_path):
    clips, out = put_clips(tmp_path / "clips", CLIPS), tmp_path / "out"
    first, _ = rig.start_worker(), rig.start_worker()
    client = rig.start_client(clips, out)
    rig.wait_until(8)

    kill(first)

    assert finish(client) == f"{CLIPS} of {CLIPS} clips measured, 0 set aside.\n"
    check(rig, out, in_flight=4)


def test_a_killed_scheduler_is_waited_for(rig, tmp_path):
    clips, out = put_clips(tmp_path / "clips", CLIPS), tmp_path / "out"
    rig.start_worker()
    client = rig.start_client(clips, out)
    rig.wait_until(8)

    kill(rig.scheduler)
    for worker in rig.workers:
        kill(worker)  # they end by themselves after a while
    rig.scheduler = rig.start_scheduler()
    rig.start_worker()

    assert finish(client) == f"{CLIPS} of {CLIPS} clips measured, 0 set aside.\n"
    check(rig, out, in_flight=4)


def test_a_killed_client_goes_on_with_the_same_command(rig, tmp_path):
    clips, out = put_clips(tmp_path / "clips", CLIPS), tmp_path / "out"
    rig.start_worker()
    client = rig.start_client(clips, out)
    rig.wait_until(8)

    kill(client)
    again = rig.start_client(clips, out)

    assert finish(again) == f"{CLIPS} of {CLIPS} clips measured, 0 set aside.\n"
    check(rig, out, in_flight=4)


def test_no_scheduler_is_one_sentence(tmp_path):
    clips = put_clips(tmp_path / "clips", 1)
    engine = Cluster("tcp://127.0.0.1:9", Limits(), again_s=1)

    with pytest.raises(SchedulerError, match=r"tcp://127.0.0.1:9: no scheduler answers at this"):
        run_batch([str(clips)], tmp_path / "out", engine=engine)
