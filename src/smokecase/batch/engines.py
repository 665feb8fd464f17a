"""Who does the work: the cores of this machine, or the workers of a Dask scheduler.

Both ask for jobs as they have hands free and give outcomes back as they come, in any order.
"""

import asyncio
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, CancelledError, Future, ThreadPoolExecutor, wait
from contextlib import contextmanager, suppress
from typing import Any, Protocol

from smokecase.apart.caller import Limits, Nursery
from smokecase.batch.measure import TASK
from smokecase.batch.work import Job, Outcome, do, do_on_worker, version
from smokecase.errors import SchedulerError

Take = Callable[[], Job | None]  # the next job; None where there is none just now
Give = Callable[[Outcome], None]
Work = Callable[[Job, Limits], Outcome]  # done on a worker

LOOK_UP_S = 1.0  # how often to look whether the user wants to stop, or a scheduler is gone
AHEAD = 2  # jobs that wait at the scheduler for each thread there
AGAIN_S = 60.0  # how long a lost scheduler is waited for


class Engine(Protocol):
    """Does jobs."""

    def run(self, take: Take, give: Give, look_up: Callable[[], None]) -> None:
        """Do jobs until there are none and none is under way; `look_up` may raise `Cancelled`."""


class Cores:
    """The cores of this machine, each with a process of its own that reads the clips."""

    def __init__(self, hands: int, limits: Limits, *, task: str = TASK) -> None:
        self.hands, self.limits, self.task = hands, limits, task

    def run(self, take: Take, give: Give, look_up: Callable[[], None]) -> None:
        """See `Engine`."""
        local = threading.local()
        nurseries: list[Nursery] = []

        def begin() -> None:
            local.nursery = Nursery(self.task, self.limits)
            nurseries.append(local.nursery)

        pool = ThreadPoolExecutor(self.hands, initializer=begin)
        running: set[Future[Outcome]] = set()
        try:
            while True:
                while len(running) < self.hands and (job := take()) is not None:
                    running.add(pool.submit(lambda job: do(job, local.nursery), job))
                if not running:
                    return
                look_up()
                done, running = wait(running, LOOK_UP_S, FIRST_COMPLETED)
                for future in done:
                    give(future.result())
        finally:
            for nursery in nurseries:
                nursery.kill()
            pool.shutdown(cancel_futures=True)
            for nursery in nurseries:
                nursery.close()


class Cluster:
    """The workers of a Dask scheduler that is there already."""

    def __init__(
        self, address: str, limits: Limits, *, work: Work = do_on_worker, again_s: float = AGAIN_S
    ) -> None:
        self.address, self.limits, self.work, self.again_s = address, limits, work, again_s

    def run(self, take: Take, give: Give, look_up: Callable[[], None]) -> None:
        """See `Engine`. A scheduler that is lost is waited for, then asked again."""
        open_jobs: dict[str, Job] = {}

        def keep(outcome: Outcome) -> None:
            del open_jobs[_name(outcome.job)]
            give(outcome)

        lost_at: float | None = None
        first = True
        while True:
            try:
                with self._client(
                    2.0 if lost_at is not None else min(20.0, self.again_s)
                ) as client:
                    first, lost_at = False, None
                    self._serve(client, take, keep, look_up, open_jobs)
                    return
            except _LostError:
                lost_at = lost_at or time.monotonic()
                if first or time.monotonic() - lost_at > self.again_s:
                    raise self._gone(first) from None
                look_up()
                time.sleep(LOOK_UP_S)

    def _gone(self, first: bool) -> SchedulerError:
        if first:
            what = "no scheduler answers at this address"
            return SchedulerError(what, where=self.address, remedy="start it, or mend the address")
        what = "the scheduler is lost; what came back from it is kept"
        return SchedulerError(
            what, where=self.address, remedy="start it, then give the same command again"
        )

    @contextmanager
    def _client(self, patience_s: float) -> Iterator[Any]:
        import distributed

        dask: Any = distributed  # its own types are not complete

        try:
            client = dask.Client(self.address, timeout=patience_s, set_as_default=False)
        except (OSError, TimeoutError, asyncio.CancelledError) as error:
            raise _LostError from error
        except ValueError as error:
            what = "this is no address of a scheduler"
            remedy = "write it as tcp://127.0.0.1:8786"
            raise SchedulerError(what, where=self.address, remedy=remedy) from error
        try:
            yield client
        finally:
            with suppress(Exception):  # a scheduler that is gone cannot be told goodbye
                client.close(timeout=2)

    def _serve(
        self, client: Any, take: Take, give: Give, look_up: Callable[[], None],
        open_jobs: dict[str, Job],
    ) -> None:  # fmt: skip
        with _lost_as_such():
            self._check_versions(client)
        came = threading.Event()

        def submit(job: Job) -> Any:
            future = client.submit(self.work, job, self.limits, key=_name(job), pure=False)
            future.add_done_callback(lambda _: came.set())
            return future

        running = {submit(job): job for job in open_jobs.values()}
        while True:
            with _lost_as_such():
                room = self._room(client)
            while len(running) < room and (job := take()) is not None:
                open_jobs[_name(job)] = job
                running[submit(job)] = job
            if not running:
                return
            look_up()
            came.wait(LOOK_UP_S)
            came.clear()
            if client.status != "running":
                raise _LostError
            for future in [f for f in running if f.done()]:
                with _lost_as_such():
                    outcome = _outcome(future, running[future])
                del running[future]
                give(outcome)

    def _room(self, client: Any) -> int:
        workers = client.scheduler_info(n_workers=-1)["workers"].values()
        return max(1, AHEAD * sum(int(worker["nthreads"]) for worker in workers))

    def _check_versions(self, client: Any) -> None:
        try:
            found = set(client.run(version).values())
        except (ImportError, AttributeError) as error:
            what = f"its workers have no smokecase ({str(error).splitlines()[0][:120]})"
            raise SchedulerError(what, where=self.address,
                                 remedy="install the same version there") from error  # fmt: skip
        if found - {version()}:
            other = ", ".join(sorted(found - {version()}))
            what = f"its workers have smokecase {other}, this one is {version()}"
            raise SchedulerError(what, where=self.address, remedy="install the same version there")


class _LostError(Exception):
    """The scheduler is not there any more."""


def _name(job: Job) -> str:
    return f"smokecase-{job.key or 'look'}-{job.url if job.sha256 is None else ''}"


@contextmanager
def _lost_as_such() -> Iterator[None]:
    """Tell a broken connection from everything else."""
    try:
        yield
    except (OSError, TimeoutError, asyncio.CancelledError, CancelledError) as error:
        raise _LostError from error


def _outcome(future: Any, job: Job) -> Outcome:
    if future.status in ("cancelled", "lost"):
        raise _LostError
    if future.status == "finished":
        found: Outcome = future.result()
        return found
    error = future.exception()
    words = str(error).splitlines()[0][:200] if str(error) else type(error).__name__
    fault = f"no worker could finish it ({words}); try it again with --retry."
    return Outcome(job=job, fault=fault)
