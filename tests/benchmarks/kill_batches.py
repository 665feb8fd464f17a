"""Kills parts of a batch at random moments and looks for what was lost or done twice: by hand.

    python tests/benchmarks/kill_batches.py [rounds]

Each round is a batch of thirty pretended clips on a scheduler of its own, in which a worker, the
scheduler (with its workers) or the client is killed at a random moment. Exits with 1 where a clip
has no row, or where more was begun again than was under way at the kill.
"""

import random
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import pyarrow.parquet as pq

from batch_rig import Rig, kill, put_clips, read_log

CLIPS = 30
AT_ONCE = 4  # two workers of one thread, and as many waiting at the scheduler
VICTIMS = ("worker", "scheduler", "client")


def run_round(victim, rng, folder):
    """One batch with one kill; gives how many clips were begun, ended, and have a row."""
    clips, out = put_clips(folder / "clips", CLIPS), folder / "out"
    with Rig(folder / "log") as rig:
        first, _ = rig.start_worker(), rig.start_worker()
        client = rig.start_client(clips, out)
        rig.wait_until(rng.randrange(1, CLIPS - 4))
        time.sleep(rng.uniform(0.0, 0.1))
        if victim == "worker":
            kill(first)
        elif victim == "scheduler":
            for process in (rig.scheduler, *rig.workers):
                kill(process)
            rig.scheduler = rig.start_scheduler()
            rig.start_worker()
        else:
            kill(client)
            client = rig.start_client(clips, out)
        said, complaint = client.communicate(timeout=300)
        begun = Counter(read_log(rig.log, "begun"))
    if client.returncode:
        return {"begun": sum(begun.values()), "rows": 0, "words": complaint.strip()}
    rows = pq.read_table(out / "clips.parquet").to_pylist()
    done = {row["sha256"] for row in rows if row["state"] == "done"}
    return {"begun": sum(begun.values()), "rows": len(done), "words": said.strip()}


def main():
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    rng = random.Random(20310504)
    wrong = 0
    for victim in VICTIMS:
        again = []
        lost = 0
        for n in range(rounds):
            with tempfile.TemporaryDirectory() as folder:
                found = run_round(victim, rng, Path(folder))
            again.append(found["begun"] - CLIPS)
            lost += CLIPS - found["rows"]
            if found["rows"] < CLIPS or again[-1] > AT_ONCE:
                sys.stdout.write(f"{victim}, round {n}: {found}\n")
                wrong += 1
            sys.stdout.flush()
        sys.stdout.write(
            f"| {victim} | {rounds} | {rounds * CLIPS} | {lost} | {sum(again)} | {max(again)} |\n"
        )
    return int(wrong > 0)


if __name__ == "__main__":
    sys.exit(main())
