"""What the tests of batches share: quick pretended work, and a cluster of its own on loopback."""

import hashlib
import os
import signal
import socket
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

from made_examinations import an_examination
from smokecase.apart.caller import Limits
from smokecase.apart.clips import to_answer
from smokecase.batch.engines import Cluster
from smokecase.batch.measure import fingerprint_of, to_row
from smokecase.batch.run import run_batch
from smokecase.batch.work import Outcome, do
from smokecase.diagnosis import diagnose

TESTS = Path(__file__).parent
LOG = "BATCH_RIG_LOG"


def put_clips(folder, count):
    """Files that stand for clips; only the pretended work reads them."""
    folder.mkdir(parents=True, exist_ok=True)
    for n in range(count):
        (folder / f"clip{n:03}.mp4").write_bytes(f"content {n}".encode() * 20)
    return folder


def pretend_row(examination=None):
    found = examination or an_examination()
    return to_row(found, _weighed(found)) | {"cpu_s": 1.0, "peak_memory_mb": 100.0}


def _weighed(found, _kept={}):  # noqa: B006 - weighed once for all tests
    if "it" not in _kept:
        _kept["it"] = diagnose([found], answers={"fuel": "diesel"})
    return _kept["it"]


class Inline:
    """An engine that does each job at once; `work` gives its outcome."""

    def __init__(self, work=None, most=10**9):
        self.work, self.most, self.jobs = work or pretend, most, []

    def run(self, take, give, look_up):
        while (job := take()) is not None:
            self.jobs.append(job)
            if self.measured > self.most:
                raise KeyboardInterrupt
            look_up()
            give(self.work(job))

    @property
    def measured(self):
        return sum(job.sha256 is not None for job in self.jobs)


def pretend(job):
    """Look truly, measure in pretence; a file whose content says so is set aside."""
    if job.sha256 is None:
        return do(job, None)
    content = Path(job.url).read_bytes() if Path(job.url).exists() else b""
    if b"poison" in content:
        return Outcome(job=job, sha256=job.sha256, fault="the decoder broke down on it; cut it.")
    return Outcome(job=job, sha256=job.sha256, row=pretend_row(), readings=b"r", picture=b"p")


# -- work on a cluster: this module is imported by its workers ---------------------------------


def slow_pretence(job, limits):
    """A tenth of a second a clip; each measurement leaves a line when it begins and ends."""
    if job.sha256 is None:
        return do(job, None)
    _note(f"begun {job.sha256}")
    time.sleep(0.1)
    _note(f"ended {job.sha256}")
    return Outcome(job=job, sha256=job.sha256, row={"source": "clip", "worker": os.getpid()})


def _note(line):
    with Path(os.environ[LOG]).open("a") as log:
        log.write(line + "\n")


def read_log(path, word):
    return [line.split()[1] for line in path.read_text().splitlines() if line.startswith(word)]


# -- the same in a nursery -----------------------------------------------------------------


def prepare():
    pretend_row()


def pretend_apart(request, tell):
    time.sleep(0.1)
    found = an_examination(
        sha256=hashlib.sha256(Path(request["path"]).read_bytes()).hexdigest(),
        versions={"smokecase": fingerprint_of({})},
    )
    plain, arrays = to_answer(found)
    return plain | {"row": pretend_row(found)}, arrays


# -- a cluster -----------------------------------------------------------------------------


def environment(log=None):
    found = os.environ | {"PYTHONPATH": str(TESTS), "OMP_NUM_THREADS": "1"}
    return found | ({LOG: str(log)} if log else {})


class Rig:
    """A scheduler and workers on loopback, killed at the end."""

    def __init__(self, log):
        self.log, self.port = log, free_port()
        self.address = f"tcp://127.0.0.1:{self.port}"
        self.workers = []
        self.log.write_text("")

    def __enter__(self):
        self.scheduler = self.start_scheduler()
        return self

    def __exit__(self, *_):
        for process in [self.scheduler, *self.workers]:
            kill(process)

    def start_scheduler(self):
        return self._start("scheduler", "--host", "127.0.0.1", "--port", str(self.port),
                           "--no-dashboard")  # fmt: skip

    def start_worker(self):
        self.workers.append(
            self._start("worker", self.address, "--host", "127.0.0.1", "--nthreads", "1",
                        "--nworkers", "1", "--no-nanny", "--no-dashboard", "--death-timeout", "60")
        )  # fmt: skip
        return self.workers[-1]

    def _start(self, *words):
        return subprocess.Popen(
            [sys.executable, "-m", "dask", *words], env=environment(self.log),
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True,
        )  # fmt: skip

    def start_client(self, clips, out):
        """``smokecase batch`` with pretended work, in a process of its own."""
        ask = "import sys, batch_rig; batch_rig.run_client(*sys.argv[1:])"
        return subprocess.Popen(
            [sys.executable, "-c", ask, self.address, str(clips), str(out)],
            env=environment(self.log), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
            start_new_session=True,
        )  # fmt: skip

    def wait_until(self, count):
        """Wait until so many measurements have ended; a minute at the most."""
        for _ in range(600):
            if len(read_log(self.log, "ended")) >= count:
                return
            time.sleep(0.1)
        raise TimeoutError(self.log.read_text())


def run_client(address, clips, out):
    print(run_batch([clips], out, engine=Cluster(address, Limits(), work=slow_pretence)))  # noqa: T201


def free_port():
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return found.getsockname()[1]


def kill(process):
    with suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    process.wait()
    for pipe in (process.stdout, process.stderr):
        if pipe:
            pipe.close()
