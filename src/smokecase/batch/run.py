"""A batch, from the places to the tables: every clip is looked at, measured once, and put away.

::

    places, manifest --> ledger --look--> content known --measure--> readings, row --> tables, page
                           ^------------------ resumes here after any stop

Public: `run_batch`.
"""

import os
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from smokecase.apart.caller import Limits
from smokecase.batch.engines import Cores, Engine
from smokecase.batch.ledger import Known, Ledger, as_words, merge, open_ledger
from smokecase.batch.manifest import Line, read_manifest
from smokecase.batch.places import Place, file_name, find_clips, tell_size
from smokecase.batch.tables import write_tables
from smokecase.batch.work import Job, Outcome, key_of
from smokecase.errors import ClipError

Tell = Callable[[float, str], None]

TIMES_CHANGED = 2  # looked at anew that often, a clip that keeps changing is set aside
LOOK_AHEAD = 8  # clips whose content is known before they can be measured


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """What came of it."""

    folder: Path
    clips: int
    done: int
    set_aside: int
    waiting: int
    measured: int  # in this run
    passed_over: int  # files at the places that are no clips

    def __str__(self) -> str:
        words = f"{self.done} of {self.clips} clips measured, {self.set_aside} set aside"
        if self.waiting:
            words += f", {self.waiting} still waiting"
        if self.passed_over:
            files = "file" if self.passed_over == 1 else "files"
            words += f"; {self.passed_over} other {files} passed over"
        return f"{words}."


def run_batch(  # noqa: PLR0913 - the door's options, each by name
    places: Sequence[str],
    out: str | Path,
    *,
    manifest: str | None = None,
    columns: Sequence[tuple[str, str]] = (),
    engine: Engine | None = None,
    retry: bool = False,
    tell: Tell | None = None,
) -> Batch:
    """Measure many clips and weigh their causes; goes on where it was stopped.

    Parameters
    ----------
    places : sequence of str
        Folders, files, patterns or urls.
    out : str or Path
        Folder of the results; one that a batch wrote before is gone on with.
    manifest : str, optional
        Path or url of what is known of the clips.
    columns : sequence of (ours, theirs)
        The manifest's own column names.
    engine : Engine, optional
        Who does the work; this machine's cores unless given.
    retry : bool
        Try again what was set aside.
    tell : callable, optional
        Called with progress (0 to 1) and words; may raise `Cancelled`.

    Raises
    ------
    ClipError, AnswersError
        If a place or the manifest cannot be read.
    WriteError, CaseError
        If the folder cannot be used.
    SchedulerError
        If a cluster cannot be used.
    """
    told = tell or (lambda share, words: None)
    folder = Path(out).absolute()
    engine = engine or Cores(os.cpu_count() or 1, Limits())
    told(0.0, "looking for the clips")
    found, passed_over = _find(places)
    lines = read_manifest(manifest, columns) if manifest else []
    with open_ledger(folder) as ledger, as_words(folder):
        with ledger.together():
            for place, line in merge(found, lines):
                ledger.note(*_there(place, line))
        if retry:
            ledger.forget_faults()
        course = _Course(ledger, told)
        try:
            engine.run(course.take, course.give, course.look_up)
        finally:  # also after a stop: what is done is in the tables
            write_tables(ledger)
        counts = ledger.counts()
    return Batch(
        folder=folder, clips=counts["clips"], done=counts["done"], set_aside=counts["set_aside"],
        waiting=counts["clips"] - counts["done"] - counts["set_aside"], measured=course.measured,
        passed_over=passed_over,
    )  # fmt: skip


def _find(places: Sequence[str]) -> tuple[list[Place], int]:
    found: dict[str, Place] = {}
    passed_over = 0
    for place in places:
        clips, others = find_clips(place)
        found |= {clip.url: clip for clip in clips}
        passed_over += others
    return list(found.values()), passed_over


def _there(place: Place, line: Line) -> tuple[Place, Line]:
    """Look up a clip that only the manifest names; one that is not there keeps its reason."""
    if place.stamp or line.fault:
        return place, line
    try:
        return tell_size(place.url), line
    except ClipError as error:
        return place, Line(url=line.url, notes=line.notes, fault=str(error))


class _Course:
    """Hands out jobs and puts outcomes away."""

    def __init__(self, ledger: Ledger, tell: Tell) -> None:
        self.ledger, self.tell = ledger, tell
        self.measured = 0
        self._clips: Iterator[Known] = ledger.open_clips()
        self._ready: deque[Known] = deque()  # content known
        self._under_way: dict[str, list[Known]] = {}  # by key; more than one where content repeats
        self._looking: dict[str, Known] = {}
        self._changed: dict[str, int] = {}
        self._counts = ledger.counts()
        self._begun_s = time.monotonic()
        self._settled_before = self._counts["bytes_settled"]

    def take(self) -> Job | None:
        """Next job; clips are looked at a little ahead of being measured."""
        while True:
            known = None
            if len(self._ready) + len(self._looking) < LOOK_AHEAD or not self._ready:
                known = next(self._clips, None)
            if known is not None and known.sha256 is None:
                self._looking[known.url] = known
                return Job(url=known.url)
            if known is not None:
                self._ready.append(known)
            if not self._ready:
                return None
            known = self._ready.popleft()
            if known.sha256 is None:  # it changed, and is looked at anew
                self._looking[known.url] = known
                return Job(url=known.url)
            job = self._measure(known)
            if job is not None:
                return job

    def _measure(self, known: Known) -> Job | None:
        assert known.sha256 is not None
        line = known.line
        key = key_of(known.sha256, line.options, line.told, line.shows)
        self.ledger.recognise(known.url, known.sha256, key)
        if self.ledger.has(key):  # the same content under another name
            self._settle(known)
            return None
        if key in self._under_way:
            self._under_way[key].append(known)
            return None
        self._under_way[key] = [known]
        return Job(url=known.url, sha256=known.sha256, key=key, options=line.options,
                   told=line.told, shows=line.shows)  # fmt: skip

    def give(self, outcome: Outcome) -> None:
        """Put an outcome away."""
        job = outcome.job
        if job.sha256 is None:
            self._looked(self._looking.pop(job.url), outcome)
            return
        waiting = self._under_way.pop(job.key)
        if outcome.changed:
            self._again(waiting, outcome)
            return
        files = {"readings": outcome.readings, "pictures": outcome.picture}
        self.ledger.finish(job.key, job.sha256, outcome.row, outcome.fault, files, outcome.wall_s)
        self.measured += 1
        for known in waiting:
            self._settle(known, aside=outcome.fault is not None)

    def _looked(self, known: Known, outcome: Outcome) -> None:
        if outcome.sha256 is not None:
            self._ready.append(_with(known, outcome.sha256))
        elif outcome.changed:
            self._again([known], outcome)
        else:
            self.ledger.set_aside(known.url, f"{file_name(known.url)}: {outcome.fault}")
            self._settle(known, aside=True)

    def _again(self, waiting: list[Known], outcome: Outcome) -> None:
        for known in waiting:
            times = self._changed[known.url] = self._changed.get(known.url, 0) + 1
            self.ledger.recognise(known.url, None, None)
            if times >= TIMES_CHANGED:
                self.ledger.set_aside(known.url, f"{file_name(known.url)}: {outcome.fault}")
                self._settle(known, aside=True)
            else:
                self._ready.append(_with(known, None))

    def _settle(self, known: Known, *, aside: bool = False) -> None:
        self._counts["set_aside" if aside else "done"] += 1
        self._counts["bytes_settled"] += known.size
        self.look_up()

    def look_up(self) -> None:
        """Tell where it stands; raises `Cancelled` where the user wants to stop."""
        counts = self._counts
        share = counts["bytes_settled"] / counts["bytes"] if counts["bytes"] else 1.0
        words = f"{counts['done']} of {counts['clips']} clips"
        if counts["set_aside"]:
            words += f", {counts['set_aside']} set aside"
        gone = counts["bytes_settled"] - self._settled_before
        if gone and share < 1:
            left_s = (time.monotonic() - self._begun_s) * (counts["bytes"] / gone) * (1 - share)
            words += f", {in_words(left_s)} left"
        self.tell(min(1.0, share), words)


def _with(known: Known, sha256: str | None) -> Known:
    return Known(known.turn, known.url, known.size, known.line, sha256, None, None)


def in_words(seconds: float) -> str:
    """Time that is left, roughly.

    >>> in_words(42), in_words(700), in_words(9000)
    ('about 1 min', 'about 12 min', 'about 2 h 30 min')
    """
    minutes = max(1, round(seconds / 60))
    if minutes < 100:
        return f"about {minutes} min"
    if minutes < 48 * 60:
        return f"about {minutes // 60} h {minutes % 60} min"
    return f"about {minutes // (24 * 60)} days"
