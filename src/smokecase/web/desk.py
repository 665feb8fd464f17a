"""Long work in the background: one thing after another, with progress, time left and a way to stop.

A piece of work has a name. Whoever asks for it again, after a reload or on another screen, finds
the same piece and its progress. Clips are looked at and measured in processes of their own, so that
none can take the page down, and what measuring took of the memory is given back.
"""

import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache
from typing import Any

from smokecase.apart.caller import Nursery
from smokecase.apart.clips import TASK
from smokecase.apart.looks import Looks
from smokecase.errors import Cancelled, SmokecaseError
from smokecase.web.memory import give_back_free
from smokecase.web.shop import Shop

Tell = Callable[[float, str], None]
Work = Callable[[Tell], Any]
Name = tuple[str | int, ...]

LANES = ("measure", "paper")  # each does one thing at a time
MOST_KEPT = 200  # finished pieces that are remembered
FEWEST_S, LEAST_SHARE = 1.5, 0.04  # before that, the time left is a guess


@dataclass(slots=True, eq=False)
class Job:
    """One piece of long work; written by its lane, read by anyone."""

    name: Name
    work: Work = field(repr=False)
    words: str  # what goes on
    state: str = "waiting"  # waiting, running, done, failed, stopped
    share: float = 0.0
    began: float = 0.0  # on the clock that only goes forward [s]
    stop: threading.Event = field(default_factory=threading.Event, repr=False)
    result: Any = None
    error: SmokecaseError | None = None

    @property
    def is_open(self) -> bool:
        """Whether it waits or runs."""
        return self.state in ("waiting", "running")

    @property
    def left_s(self) -> float | None:
        """Time left, if it goes on as it did so far. [s]."""
        spent = time.monotonic() - self.began
        if self.state != "running" or spent < FEWEST_S or self.share < LEAST_SHARE:
            return None
        return spent * (1.0 - self.share) / self.share

    def tell(self, share: float, words: str) -> None:
        """Take the progress of the work; the place where it can be stopped."""
        if self.stop.is_set():
            raise Cancelled
        self.share, self.words = min(1.0, max(self.share, share)), words


class Desk:
    """All long work of one page."""

    def __init__(self) -> None:
        self._jobs: dict[Name, Job] = {}
        self._waiting: dict[str, deque[Job]] = {lane: deque() for lane in LANES}
        self._news = threading.Condition()
        self._closed = False
        self.looks = Looks()  # whose process looks at what is brought
        self.nursery = Nursery(TASK)  # of the lane for measuring, which does one thing at a time
        self._threads = [
            threading.Thread(target=self._run, args=(lane,), name=f"smokecase-{lane}", daemon=True)
            for lane in LANES
        ]
        for thread in self._threads:
            thread.start()

    def warm_up(self) -> None:
        """Load what the first clip and the first causes would have to wait for."""

        def begin(tell: Tell) -> None:
            self.looks.begin()
            self.nursery.begin(where="measuring")

        def weigh(tell: Tell) -> None:
            from smokecase.diagnosis import diagnose

            diagnose()  # the first time takes a second, every other a quarter of it

        self.submit(("begin", "measure"), begin, lane="measure", words="getting ready to measure")
        self.submit(("begin", "weigh"), weigh, lane="paper", words="getting ready to weigh")

    def submit(self, name: Name, work: Work, *, lane: str, words: str) -> Job:
        """Put work in line; the same work asked for twice is done once."""
        with self._news:
            job = self._jobs.get(name)
            if job is not None and job.is_open:
                return job
            job = Job(name=name, work=work, words=words)
            self._jobs.pop(name, None)
            self._jobs[name] = job
            self._waiting[lane].append(job)
            self._forget_old()
            self._news.notify_all()
        return job

    def find(self, name: Name) -> Job | None:
        """Return the work of this name, finished or not."""
        return self._jobs.get(name)

    def of(self, *begin: str | int) -> list[Job]:
        """Return all work whose name begins so, oldest first."""
        with self._news:
            return [job for name, job in self._jobs.items() if name[: len(begin)] == begin]

    def before(self, job: Job) -> int:
        """Tell how many pieces of work come before one that waits."""
        with self._news:
            for line in self._waiting.values():
                if job in line:
                    return line.index(job) + 1
        return 0

    def stop(self, name: Name) -> None:
        """Stop work, whether it waits or runs."""
        with self._news:
            job = self._jobs.get(name)
            if job is None:
                return
            job.stop.set()
            for line in self._waiting.values():
                if job in line:
                    line.remove(job)
                    job.state = "stopped"

    def close(self) -> None:
        """Stop everything and wait for it."""
        with self._news:
            self._closed = True
            for job in self._jobs.values():
                job.stop.set()
            for line in self._waiting.values():
                line.clear()
            self._news.notify_all()
        self.nursery.kill()
        self.looks.close()
        for thread in self._threads:
            thread.join(timeout=20)
        self.nursery.close()

    def _forget_old(self) -> None:
        finished = [name for name, job in self._jobs.items() if not job.is_open]
        for name in finished[: max(0, len(finished) - MOST_KEPT)]:
            del self._jobs[name]

    def _run(self, lane: str) -> None:
        while True:
            with self._news:
                while not self._waiting[lane] and not self._closed:
                    self._news.wait()
                if self._closed:
                    return
                job = self._waiting[lane].popleft()
                job.state, job.began = "running", time.monotonic()
            self._do(job)
            give_back_free()

    def _do(self, job: Job) -> None:
        try:
            job.tell(0.0, job.words)
            job.result = job.work(job.tell)
        except Cancelled:
            job.state = "stopped"
        except SmokecaseError as error:
            job.error, job.state = error, "failed"
        except Exception as error:
            what = f"the program itself failed here ({type(error).__name__}: {error})"
            job.error = SmokecaseError(
                what, where=job.words, remedy="try again; if it stays, tell those who made it"
            )
            job.state = "failed"
        else:
            job.share, job.state = 1.0, "done"


_DESKS: list[Desk] = []


@cache
def desk_of(shop: Shop) -> Desk:
    """Return the desk of a shop, which all languages and visitors share."""
    desk = Desk()
    _DESKS.append(desk)
    return desk


def close_all() -> None:
    """Stop all work of this process."""
    while _DESKS:
        _DESKS.pop().close()
    desk_of.cache_clear()
