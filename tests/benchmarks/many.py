"""What a million clips a day takes, on paper, from what one clip and one task cost here.

    nice python -m tests.benchmarks.many [--clips FOLDER] [--out examples/million_clips.md]

Measures, each in this run: what clips of three sizes cost through the batch's own process; what
the ledger, the tables and the page cost a clip; and what a scheduler of Dask takes for one task.
The rest is arithmetic, shown on the page. Processor time is told where the machine's other work
would spoil the time on the clock.
"""

import argparse
import json
import os
import platform
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from batch_rig import Rig, environment, put_clips
from benchmarks.batch_page import invented_rows
from benchmarks.speed import make_clip
from smokecase.apart.caller import Limits
from smokecase.batch.engines import Cluster, Cores
from smokecase.batch.ledger import open_ledger
from smokecase.batch.manifest import Line
from smokecase.batch.places import Place
from smokecase.batch.run import run_batch
from smokecase.batch.tables import CLIPS, PAGE, write_tables
from smokecase.batch.work import Outcome, do

ROOT = Path(__file__).parents[2]
# name: width, height, frames a second, seconds
SIZES = {"720p30, 8 s": (1280, 720, 30, 8), "1080p30, 30 s": (1920, 1080, 30, 30),
         "4K30, 8 s": (3840, 2160, 30, 8)}  # fmt: skip
TYPICAL = "1080p30, 30 s"
DAY_S = 86_400
A_DAY = 1_000_000
BUSY = 0.7  # share of a core's day that is used: queues, starts, clips that are tried twice
TASKS = 2000
LEDGER_CLIPS, TABLE_CLIPS = 500, 20_000
CLUSTER_CLIPS = 300


# -- one clip ------------------------------------------------------------------------------------


def clip_costs(folder):
    """What each size costs, through the process that a batch measures in."""
    import pyarrow.parquet as pq

    found = {}
    for name, (width, height, fps, seconds) in SIZES.items():
        path = folder / f"{name.replace(', ', '_').replace(' ', '')}.mp4"
        if not path.exists():
            make_clip(path, width, height, fps, seconds)
        with tempfile.TemporaryDirectory() as out:
            run_batch([str(path)], out, engine=Cores(1, Limits()))
            row = pq.read_table(Path(out) / CLIPS).to_pylist()[0]
            assert row["state"] == "done", row["reason"]
            kept = sum(p.stat().st_size for shelf in ("readings", "pictures")
                       for p in (Path(out) / shelf).rglob("*.*"))  # fmt: skip
        found[name] = {"mb": row["size_bytes"] / 1e6, "cpu_s": row["cpu_s"],
                       "memory_mb": row["peak_memory_mb"], "kept_kb": kept / 1e3}  # fmt: skip
        say(f"{name}: {found[name]}")
    return found


# -- ledger, tables, page --------------------------------------------------------------------------


def ledger_costs(folder):
    """Milliseconds that putting one clip away takes, and tables and page of many."""
    rows = list(invented_rows(TABLE_CLIPS))
    wide = {"next_check": "measure the compression of every cylinder" * 2, "knowledge": "0" * 64}
    with open_ledger(folder) as ledger:
        begin_ledger(ledger, rows)
        clock = time.perf_counter()
        for row in rows[:LEDGER_CLIPS]:
            files = {"readings": os.urandom(40_000), "pictures": os.urandom(9_000)}
            ledger.finish(f"{row['key']:0>64}", "0" * 64, row | wide, None, files, 1.0)
        put_ms = 1e3 * (time.perf_counter() - clock) / LEDGER_CLIPS
        with ledger.together():  # the rest without their files, at once
            for row in rows[LEDGER_CLIPS:]:
                ledger.finish(f"{row['key']:0>64}", "0" * 64, row | wide, None, {}, 1.0)
        clock = time.process_time()
        write_tables(ledger)
        tables_s = time.process_time() - clock
    return {"put_ms": put_ms, "tables_s_per_million": tables_s / TABLE_CLIPS * 1e6,
            "ledger_kb": (folder / "batch.sqlite").stat().st_size / TABLE_CLIPS / 1e3,
            "table_kb": (folder / CLIPS).stat().st_size / TABLE_CLIPS / 1e3,
            "page_mb": (folder / PAGE).stat().st_size / 1e6}  # fmt: skip


def begin_ledger(ledger, rows):
    with ledger.together():
        for row in rows:
            ledger.note(Place(row["url"], 58_000_000, "1"), Line(url=row["url"]))
            ledger.recognise(row["url"], "0" * 64, f"{row['key']:0>64}")


# -- the scheduler --------------------------------------------------------------------------------


def nothing(_):
    """What a worker does for a task whose cost is only its handling."""


def scheduler_costs(folder):
    """Processor milliseconds of scheduler and client for each task, and clips through our engine.

    The scheduler is a process of its own, as in use; its processor time is read from the system.
    """
    import distributed

    with Rig(folder / "log") as rig:
        for _ in range(2):
            rig.start_worker()
        with distributed.Client(rig.address, set_as_default=False) as client:
            client.wait_for_workers(2)
            client.gather([client.submit(nothing, n, pure=False) for n in range(50)])
            before, own = cpu_s(rig.scheduler.pid), time.process_time()
            futures = [client.submit(nothing, n, pure=False) for n in range(TASKS)]
            client.gather(futures)
            task_ms = 1e3 * (cpu_s(rig.scheduler.pid) - before) / TASKS
            client_ms = 1e3 * (time.process_time() - own) / TASKS
        clips = put_clips(folder / "clips", CLUSTER_CLIPS)
        before, own = cpu_s(rig.scheduler.pid), time.process_time()
        engine = Cluster(rig.address, Limits(), work=at_once)
        batch = run_batch([str(clips)], folder / "out", engine=engine)
        assert batch.done == CLUSTER_CLIPS, str(batch)
        clip_ms = 1e3 * (cpu_s(rig.scheduler.pid) - before) / CLUSTER_CLIPS
        engine_ms = 1e3 * (time.process_time() - own) / CLUSTER_CLIPS
    return {"task_ms": task_ms, "client_ms": client_ms, "clip_ms": clip_ms, "engine_ms": engine_ms}


def at_once(job, limits):
    """Look truly at the content, then give back as much as a measured clip does."""
    if job.sha256 is None:
        return do(job, None)
    row = next(invented_rows(1)) | {"key": job.key}
    return Outcome(job=job, sha256=job.sha256, row=row, readings=bytes(40_000), picture=bytes(9000))


def cpu_s(pid):
    """Processor seconds of a process so far: proc(5), fields utime and stime."""
    parts = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(parts[11]) + int(parts[12])) / os.sysconf("SC_CLK_TCK")


# -- the page -------------------------------------------------------------------------------------


def say(words):
    sys.stderr.write(f"{words}\n")


def page_of(told):
    """Arithmetic and words; `told` is what was measured."""
    clips, ledger, scheduler = told["clips"], told["ledger"], told["scheduler"]
    rate = A_DAY / DAY_S
    costs = "\n".join(
        f"| {name} | {c['mb']:.1f} | {c['cpu_s']:.1f} | {c['memory_mb']:.0f} | "
        f"{c['kept_kb']:.0f} | {rate * c['cpu_s']:.0f} | {rate * c['cpu_s'] / BUSY:.0f} | "
        f"{A_DAY * c['cpu_s'] / 3600:,.0f} |"
        for name, c in clips.items()
    )
    one = clips[TYPICAL]
    cores = rate * one["cpu_s"] / BUSY
    words = {
        "date": told["date"], "load": told["load"], "cores_here": told["cores"],
        "python": told["python"],
        "rate": rate, "costs": costs, "typical": TYPICAL, "cores": cores,
        "machines": cores / 32, "core_hours": A_DAY * one["cpu_s"] / 3600 / BUSY,
        "in_tb": A_DAY * one["mb"] / 1e6, "in_gbit": 2 * rate * one["mb"] * 8 / 1e3,
        "kept_gb": A_DAY * (one["kept_kb"] + ledger["ledger_kb"] + ledger["table_kb"]) / 1e6,
        "ram_gb": cores * one["memory_mb"] / 1e3, "spool_tb": cores * 1.2 / 1e3,
        "scheduler_share": rate * scheduler["clip_ms"] / 1e3,
        "scheduler_limit": 1e3 / scheduler["clip_ms"],
        "engine_share": rate * scheduler["engine_ms"] / 1e3,
        "engine_limit": 1e3 / scheduler["engine_ms"],
        "put_limit": 1e3 / ledger["put_ms"], "tables_min": ledger["tables_s_per_million"] / 60,
        "ledger_gb": ledger["ledger_kb"] * A_DAY / 1e6,
        "table_gb": ledger["table_kb"] * A_DAY / 1e6, **ledger, **scheduler,
    }  # fmt: skip
    return PAGE_WORDS.format(**words)


PAGE_WORDS = """# A million clips a day, on paper

{date}, {cores_here}-core machine under a load of {load:.0f}, Python {python}; made by
`nice python -m tests.benchmarks.many`. Nothing of this size was run: one clip, one task and one
line of the ledger were measured here, the rest is arithmetic. Clips are invented and coded as
phones do (0.25 bits a pixel); a day brings {rate:.1f} clips a second.

## Workers

Processor time is that of the process that measures, sound and weighing included, through
`smokecase batch --workers 1`. A core is counted on to be busy 70 % of the day.

| clip | file [MB] | processor time [s] | peak memory [MB] | kept of it [kB] | cores at work | \
cores to have | core hours at work, a day |
| --- | --- | --- | --- | --- | --- | --- | --- |
{costs}

For {typical}: **{cores:.0f} cores** ({machines:.0f} machines of 32), {ram_gb:.0f} GB of memory
among them, and about {spool_tb:.1f} TB of fast temporary disk for decoded frames (1.2 GB a clip at
work; without it each clip is decoded twice). **Cost: {core_hours:,.0f} core hours a day**, idle
ones included, times what an hour of a core costs you:

    cost a day = {core_hours:,.0f} h x ........ (price of a core hour)

The clips of eight seconds show what does not depend on length: finding the pipe, the plate and
the smoke's colour is about half of their time. Hyper-threads are not cores. Under a load far above
the number of cores processor time is high rather than low, for programs spoil each other's caches:
under a load of 20 decoding alone took 1.7 times the processor time that it takes on a quiet machine
here, examining a 720p clip of 8 s more than twice. On a quiet machine expect about half of these
cores and hours.

## Storage and network

| what | a day |
| --- | --- |
| clips that come in | {in_tb:.0f} TB |
| read by workers: once for the fingerprint, once to measure | {in_gbit:.0f} Gbit/s all day |
| kept: readings, pictures, ledger, tables | {kept_gb:.0f} GB in two million files |
| of it the ledger, one file | {ledger_gb:.1f} GB |
| of it `clips.parquet` | {table_gb:.1f} GB |

A clip from an object store is copied to the worker twice, because looking at it and measuring it
are two tasks that may fall to two machines. Where the network is what is short, hand workers a
file system they all see, and keep its cache on the worker.

## Scheduler

Measured against a scheduler in a process of its own on loopback, two workers, {task_ms:.2f} ms of
its processor time a task that does nothing (client: {client_ms:.2f} ms). Through `smokecase batch`
a clip is two tasks, and carries its readings and picture back through the scheduler's machine to
the one client:

| part | processor time a clip [ms] | clips a second it could bear | share of it at {rate:.1f} |
| --- | --- | --- | --- |
| scheduler | {clip_ms:.1f} | {scheduler_limit:.0f} | {scheduler_share:.0%} |
| client, ledger included | {engine_ms:.1f} | {engine_limit:.0f} | {engine_share:.0%} |
| putting one away on the disk, time on the clock | {put_ms:.1f} | {put_limit:.0f} | |

The tables and the page are made from the ledger at the end: {tables_min:.0f} min of processor time
a million clips, on the client alone. The page shows 10 000 of them and has {page_mb:.1f} MB:

![At a desk: the clips to look at first, each with its reasons](batch_page_desk.png)

![On a phone: the same, and how dense the clips are](batch_page_phone.png)

*Two parts of the page at each width; 5000 invented clips, made by
`python tests/benchmarks/batch_page.py OUT.html 5000`.*

## What breaks first, in this order

1. **The network**, where clips lie in an object store: {in_gbit:.0f} Gbit/s because each clip is
   fetched twice. At half of it by fetching once, see above.
2. **Processor hours**: {cores:.0f} cores. Everything else is small beside them.
3. **The folder of results**: two million small files a day, in 256 folders on each shelf. Name a
   folder a day with `--out`; a file system that holds tens of millions of files is needed beyond.
4. **The one client**. It alone writes the ledger. One client a region or an hour, each with its own
   places and its own folder, shares the work with no change: folders do not meet. A copy that lies
   in two folders is then measured twice.
5. **The scheduler** last: it is asked for two tasks a clip. Two clients may use one scheduler.

What was not measured: hundreds of workers at one scheduler, whose heartbeats cost it more than
tasks do, and a real network. Both belong into a trial with a tenth of the load before anyone pays
for all of it.
"""


def main():
    """Measure and write the page."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--clips", type=Path, help="folder that keeps the clips made")
    parser.add_argument("--told", type=Path, help="file of the figures: read if it is there")
    parser.add_argument("--out", type=Path, default=ROOT / "examples" / "million_clips.md")
    args = parser.parse_args()
    os.environ |= environment()
    with tempfile.TemporaryDirectory() as scratch:
        folder = args.clips or Path(scratch) / "made"
        folder.mkdir(parents=True, exist_ok=True)
        told = json.loads(args.told.read_text()) if args.told and args.told.exists() else {}
        told |= {"date": datetime.now(UTC).strftime("%d %B %Y"), "cores": os.cpu_count(),
                 "python": platform.python_version()}  # fmt: skip
        work = {"scheduler": lambda: scheduler_costs(Path(scratch)),
                "ledger": lambda: ledger_costs(Path(scratch) / "ledger"),
                "clips": lambda: clip_costs(folder)}  # fmt: skip
        for name, measure in work.items():
            if name not in told:
                told[name] = measure()
                told["load"] = os.getloadavg()[0]  # of the clips, which come last
                say(f"{name}: {told[name]}")
                if args.told:
                    args.told.write_text(json.dumps(told, indent=1))
    args.out.write_text(page_of(told), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
