"""What is done and what is not: one small database beside the tables, safe against any kill.

A clip is known by its url, size and stamp; a piece of work by the key of its content. The readings
are on the disk before the work is acknowledged, so what is acknowledged is never lost and never
done again.
"""

import json
import os
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from smokecase.batch.manifest import Line
from smokecase.batch.places import Place, file_name
from smokecase.errors import CaseError, WriteError

LEDGER, LOCK = "batch.sqlite", "batch.lock"
AGAIN = "make room, then give the same command again"
SCHEMA = 1
STEP = """
CREATE TABLE clips (
    turn INTEGER PRIMARY KEY, url TEXT NOT NULL UNIQUE, size INTEGER NOT NULL, stamp TEXT NOT NULL,
    line TEXT NOT NULL, sha256 TEXT, key TEXT, fault TEXT
);
CREATE INDEX clips_key ON clips (key);
CREATE TABLE work (
    key TEXT PRIMARY KEY, sha256 TEXT NOT NULL, row TEXT, fault TEXT, wall_s REAL NOT NULL
);
"""


@dataclass(frozen=True, slots=True)
class Known:
    """A clip in the ledger."""

    turn: int
    url: str
    size: int
    line: Line
    sha256: str | None
    key: str | None
    fault: str | None


class Ledger:
    """The ledger of one folder; made by `open_ledger`."""

    def __init__(self, folder: Path, connection: sqlite3.Connection) -> None:
        self.folder, self._connection = folder, connection

    def note(self, place: Place, line: Line) -> None:
        """Note that there is a clip; one that changed since is to be looked at again."""
        plain = json.dumps({"options": dict(line.options), "told": dict(line.told),
                            "shows": line.shows, "notes": dict(line.notes)})  # fmt: skip
        self._connection.execute(
            """INSERT INTO clips (url, size, stamp, line, fault) VALUES (?1, ?2, ?3, ?4, ?5)
            ON CONFLICT (url) DO UPDATE SET size = ?2, stamp = ?3, line = ?4,
            sha256 = CASE WHEN size = ?2 AND stamp = ?3 THEN sha256 END,
            key = CASE WHEN size = ?2 AND stamp = ?3 AND line = ?4 THEN key END,
            fault = CASE WHEN ?5 IS NOT NULL THEN ?5
                WHEN size = ?2 AND stamp = ?3 AND line = ?4 THEN fault END""",
            (place.url, place.size, place.stamp, plain, line.fault),
        )

    def open_clips(self) -> Iterator[Known]:
        """Clips that are neither done nor set aside, in their turn."""
        ask = """SELECT turn, url, size, line, clips.sha256, clips.key, clips.fault FROM clips
            LEFT JOIN work ON work.key = clips.key
            WHERE clips.fault IS NULL AND work.key IS NULL AND turn > ? ORDER BY turn LIMIT 1000"""
        turn = 0
        while rows := self._connection.execute(ask, (turn,)).fetchall():
            for row in rows:
                yield Known(row[0], row[1], row[2], _line(row[1], row[3]), *row[4:])
            turn = rows[-1][0]

    def has(self, key: str) -> bool:
        """Whether this piece of work is done or set aside."""
        ask = "SELECT 1 FROM work WHERE key = ?"
        return self._connection.execute(ask, (key,)).fetchone() is not None

    def recognise(self, url: str, sha256: str | None, key: str | None) -> None:
        """Note a clip's fingerprint; None where it has to be looked at again."""
        self._connection.execute(
            "UPDATE clips SET sha256 = ?, key = ? WHERE url = ?", (sha256, key, url)
        )

    def set_aside(self, url: str, fault: str) -> None:
        """Note why a clip cannot even be looked at."""
        self._connection.execute("UPDATE clips SET fault = ? WHERE url = ?", (fault, url))

    def finish(
        self, key: str, sha256: str, row: Mapping[str, Any] | None, fault: str | None,
        files: Mapping[str, bytes], wall_s: float,
    ) -> bool:  # fmt: skip
        """Put a piece of work away; False where it was there already.

        When this returns, it is on the disk.
        """
        for shelf, content in files.items():
            if content:
                self._put(self.path_of(shelf, key), content)
        done = self._connection.execute(
            "INSERT INTO work VALUES (?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
            (key, sha256, None if row is None else json.dumps(dict(row)), fault, wall_s),
        )
        return done.rowcount == 1

    def path_of(self, shelf: str, key: str) -> Path:
        """Path of a file, by the key of its work."""
        ending = {"readings": "parquet", "pictures": "jpg"}[shelf]
        return self.folder / shelf / key[:2] / f"{key}.{ending}"

    def forget_faults(self) -> None:
        """Give what was set aside another try."""
        with self.together():
            self._connection.execute("UPDATE clips SET fault = NULL")
            self._connection.execute("DELETE FROM work WHERE fault IS NOT NULL")

    def counts(self) -> dict[str, int]:
        """How many clips there are, how many are done and set aside, how many bytes each has."""
        ask = """SELECT count(*), coalesce(sum(size), 0),
            coalesce(sum(clips.fault IS NOT NULL OR work.fault IS NOT NULL), 0),
            coalesce(sum(work.row IS NOT NULL AND clips.fault IS NULL), 0),
            coalesce(sum(CASE WHEN clips.fault IS NOT NULL OR work.key IS NOT NULL
                THEN size ELSE 0 END), 0)
            FROM clips LEFT JOIN work ON work.key = clips.key"""
        names = ("clips", "bytes", "set_aside", "done", "bytes_settled")
        return dict(zip(names, self._connection.execute(ask).fetchone(), strict=True))

    def rows(self) -> Iterator[dict[str, Any]]:
        """Every clip as one row; what is told of it, what came of it, or why nothing did."""
        ask = """SELECT url, size, line, clips.sha256, clips.key,
            clips.fault, work.fault, work.row, work.wall_s,
            (SELECT min(url) FROM clips AS o WHERE o.key = clips.key AND o.turn < clips.turn)
            FROM clips LEFT JOIN work ON work.key = clips.key ORDER BY turn"""
        for found in self._connection.execute(ask):
            url, size, line, sha256, key, own_fault, fault, row, wall_s, same_as = found
            fault = own_fault or (fault and f"{file_name(url)}: {fault}")
            told = json.loads(line)
            state = "set_aside" if fault else "done" if row else "waiting"
            yield {
                "url": url, "size_bytes": size, "sha256": sha256, "key": key, "state": state,
                "reason": fault, "same_as": same_as, "told": told["told"] | (
                    {} if told["shows"] == "unknown" else {"shows": told["shows"]}
                ), "notes": told["notes"], "wall_s": wall_s,
                **(json.loads(row) if row and not fault else {}),
            }  # fmt: skip

    @contextmanager
    def together(self) -> Iterator[None]:
        """Many changes, all or none."""
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            self._connection.execute("ROLLBACK")
            raise
        self._connection.execute("COMMIT")

    def _put(self, target: Path, content: bytes) -> None:
        target.parent.mkdir(parents=True, exist_ok=True)
        aside = target.with_suffix(".partial")
        try:
            with aside.open("wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            aside.replace(target)
        finally:
            aside.unlink(missing_ok=True)


def _line(url: str, plain: str) -> Line:
    told = json.loads(plain)
    return Line(url=url, options=told["options"], told=told["told"], shows=told["shows"],
                notes=told["notes"])  # fmt: skip


@contextmanager
def open_ledger(folder: Path) -> Iterator[Ledger]:
    """Open a folder's ledger for one batch at a time; a new one is made where there is none.

    Raises
    ------
    WriteError
        If it cannot be written, or holds other things.
    CaseError
        If another batch is at work on it, or it is damaged.
    """
    import fcntl  # not on every system; loaded where a batch begins

    with as_words(folder):
        _refuse_others(folder)
        folder.mkdir(parents=True, exist_ok=True)
        with (folder / LOCK).open("w") as lock:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                what = "another batch is at work in this folder"
                remedy = "wait for it to end, or name another folder with --out"
                raise CaseError(what, where=str(folder), remedy=remedy) from None
            connection = sqlite3.connect(folder / LEDGER, isolation_level=None)
            try:
                connection.execute("PRAGMA journal_mode = WAL")
                connection.execute("PRAGMA synchronous = FULL")  # a commit is on the disk
                _bring_up_to_date(connection, folder)
                yield Ledger(folder, connection)
            finally:
                connection.close()


def _refuse_others(folder: Path) -> None:
    what = ""
    if folder.exists() and not folder.is_dir():
        what = "a file of this name is in the way"
    elif folder.is_dir() and not (folder / LOCK).exists() and any(folder.iterdir()):
        what = "this folder holds other things"
    if what:
        raise WriteError(what, where=str(folder), remedy="name a new folder with --out")


def _bring_up_to_date(connection: sqlite3.Connection, folder: Path) -> None:
    found = int(connection.execute("PRAGMA user_version").fetchone()[0])
    if found > SCHEMA:
        what = f"it was written by a newer version (schema {found}, this one knows {SCHEMA})"
        raise CaseError(what, where=str(folder / LEDGER), remedy="install the newer smokecase")
    if found == 0:
        connection.execute("BEGIN IMMEDIATE")
        for statement in STEP.split(";"):
            connection.execute(statement)
        connection.execute(f"PRAGMA user_version = {SCHEMA}")
        connection.execute("COMMIT")


@contextmanager
def as_words(folder: Path) -> Iterator[None]:
    """Turn what the disk or the database says into one sentence."""
    import errno

    where = str(folder)
    kept = "what was done before is kept"
    try:
        yield
    except sqlite3.OperationalError as error:
        if "full" in str(error) or "disk I/O" in str(error):
            what = f"the disk is full; {kept}"
            raise WriteError(what, where=where, remedy=AGAIN) from error
        what = f"the ledger of this folder cannot be used ({error})"
        raise CaseError(what, where=where, remedy="name another folder with --out") from error
    except sqlite3.DatabaseError as error:
        what = f"the ledger of this folder is damaged ({error})"
        raise CaseError(what, where=where, remedy="restore it, or begin a new folder") from error
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
            what, remedy = (
                f"the disk is full; {kept}",
                "make room, then give the same command again",
            )
        elif error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
            what, remedy = (
                "this place may not be written to",
                "name a folder of your own with --out",
            )
        else:
            what = f"it could not be written ({(error.strerror or str(error)).lower()}); {kept}"
            remedy = "check the disk, then give the same command again"
        raise WriteError(what, where=where, remedy=remedy) from error


def merge(places: Sequence[Place], lines: Sequence[Line]) -> list[tuple[Place, Line]]:
    """Lay what a manifest tells beside what was found; a line for a clip not found has no size."""
    told = {line.url: line for line in lines}
    found = {place.url: place for place in places}
    both = [(place, told.get(place.url, Line(url=place.url))) for place in places]
    return both + [(Place(line.url, 0, ""), line) for line in lines if line.url not in found]
