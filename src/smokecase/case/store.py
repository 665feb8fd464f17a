"""The cases on disk: one folder with a database of entries and the files they speak of.

``cases.sqlite`` holds every entry as one row, only ever added. Files lie under their SHA-256 in
``clips/``, ``readings/``, ``pictures/`` and ``reports/``. A file is on the disk before its entry is
acknowledged, so a kill at any moment loses nothing that was acknowledged.
"""

import json
import os
import sqlite3
import uuid
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from smokecase.case.chain import find_breaks, seal, to_canonical
from smokecase.case.database import (
    DAMAGED,
    SCHEMA,
    as_words,
    bring_up_to_date,
    check,
    connect,
    damaged,
    schema_of,
    transaction,
)
from smokecase.case.record import Case, Entry
from smokecase.case.salvage import COLUMNS, DATABASE, lost_end, rows_of
from smokecase.case.shelves import Shelves
from smokecase.errors import CaseError, SmokecaseError
from smokecase.readings import Examination

Tell = Callable[[float, str], None]


class CaseStore:
    """The cases of one folder; made by `open_cases`."""

    def __init__(self, folder: Path, connection: sqlite3.Connection, *, read_only: bool) -> None:
        self.folder, self.read_only = folder, read_only
        self._connection, self._shelves = connection, Shelves(folder)
        self.damage: tuple[str, ...] = ()

    # -- reading ----------------------------------------------------------------------------
    def list_cases(self) -> list[Case]:
        """Every case with its entries, without what the clips gave; the latest touched first."""
        cases = [self._read(case_id) for case_id in self._ids()]
        return sorted(
            cases, key=lambda c: c.entries[-1].time_utc if c.entries else "", reverse=True
        )

    def find_cases(self, words: str) -> list[Case]:
        """Cases whose entries hold all the words, whatever their capitals."""
        wanted = words.casefold().split()
        found = []
        for case in self.list_cases():
            text = " ".join(f"{e} {to_canonical(e.body)}" for e in case.entries).casefold()
            if all(word in text for word in wanted):
                found.append(case)
        return found

    def read_case(self, name: str, *, tell: Tell | None = None) -> Case:
        """Read one case, by its name or the first digits of its id, with what the clips gave.

        A damaged part is named in the case's `damage`; the rest is read.

        Raises
        ------
        CaseError
            If there is none, or several fit.
        """
        case_id = self._find(name)
        case = self._read(case_id)
        examinations, faults = {}, list(case.damage)
        clips = [e for e in case.entries if e.kind == "clip"]
        for i, entry in enumerate(clips):
            if tell:
                tell(i / len(clips), f"reading {entry.body['name']}")
            try:
                examinations[entry.number] = self._examination(entry)
            except SmokecaseError as error:
                faults.append(str(error))
        return Case(id=case.id, name=case.name, engine=case.engine, entries=case.entries,
                    examinations=examinations, damage=tuple(faults))  # fmt: skip

    def read_file(self, shelf: str, sha256: str) -> bytes:
        """Content of a file, checked against its fingerprint.

        Raises
        ------
        CaseError
            If it is missing or was changed.
        """
        return self._shelves.read(shelf, sha256)

    def find_file(self, shelf: str, sha256: str) -> Path:
        """Path of a file, whatever its ending.

        Raises
        ------
        CaseError
            If it is missing.
        """
        return self._shelves.find(shelf, sha256)

    # -- writing ----------------------------------------------------------------------------
    def open_case(
        self, name: str, *, engine: Mapping[str, str], author: str, time: datetime
    ) -> Case:
        """Begin a case for one engine.

        Raises
        ------
        CaseError
            If a case of this name is there already, or nothing can be written.
        """
        case_id = uuid.uuid4().hex

        def check() -> None:
            taken = self._connection.execute(
                "SELECT 1 FROM entries WHERE kind = 'opened' AND number = 1 "
                "AND json_extract(body, '$.name') = ?", (name,)
            ).fetchone()  # fmt: skip
            if taken:
                what = "there is a case of this name already"
                raise CaseError(
                    what, where=f'case "{name}"', remedy="add to it, or take another name"
                )

        self._append(case_id, "opened", {"name": name, "engine": dict(engine)}, author=author,
                     time=time, check=check)  # fmt: skip
        return self._read(case_id)

    def add(
        self, case: Case | str, kind: str, body: Mapping[str, Any], *, author: str,
        time: datetime, replaces: int | None = None,
    ) -> Entry:  # fmt: skip
        """Append one entry; when this returns, it is on the disk.

        Raises
        ------
        CaseError
            If nothing can be written.
        """
        case_id = case.id if isinstance(case, Case) else self._find(case)
        return self._append(case_id, kind, body, author=author, time=time, replaces=replaces)

    def put_file(
        self, shelf: str, source: Path | bytes, *, ending: str, tell: Tell | None = None
    ) -> str:
        """Put a file away under its SHA-256, which is returned; one that is there stays.

        Raises
        ------
        WriteError
            If it cannot be written.
        OSError
            If the source cannot be read.
        """
        self._refuse_read_only()
        return self._shelves.put(shelf, source, ending=ending, tell=tell)

    def put_examination(self, examination: Examination) -> str:
        """Put away what a clip gave; returns the fingerprint of the file."""
        plain = {"summary": examination.to_json(), "table": examination.trace.to_table()}
        return self.put_file("readings", to_canonical(plain).encode(), ending="json")

    # -- inside -----------------------------------------------------------------------------
    def _find(self, name: str) -> str:
        titles = {case_id: self._title(case_id) for case_id in self._ids()}
        exact = [i for i, title in titles.items() if title == name or i == name]
        close = [
            i for i, title in titles.items()
            if title.casefold().startswith(name.casefold()) or i.startswith(name)
        ]  # fmt: skip
        fits = exact or close
        if len(fits) == 1:
            return fits[0]
        listed = ", ".join(f'"{titles[i]}"' for i in (fits or list(titles))[:6]) or "none yet"
        what = "several cases fit this name" if fits else "there is no case of this name"
        raise CaseError(what, where=f'case "{name}"', remedy=f"the cases are: {listed}")

    def _ids(self) -> list[str]:
        """Every case there is; the second place is asked where the first is damaged."""
        try:
            ask = "SELECT DISTINCT case_id FROM entries"  # answered from its index alone
            found = _texts(self._connection.execute(ask))
        except DAMAGED:
            found = []
        if found:
            return found
        with self._reading():
            return _texts(self._connection.execute("SELECT case_id FROM ends"))

    def _title(self, case_id: str) -> str:
        try:
            row = self._connection.execute(
                "SELECT body FROM entries WHERE case_id = ? AND number = 1", (case_id,)
            ).fetchone()
            return str(json.loads(row[0])["name"])
        except (sqlite3.DatabaseError, ValueError, KeyError, TypeError, RecursionError):
            return case_id[:8]  # its first entry is damaged

    def _read(self, case_id: str) -> Case:
        entries: list[Entry] = []
        faults: list[str] = []
        for row in rows_of(self._connection, case_id, faults):
            try:
                plain = dict(zip(COLUMNS.split(", "), row, strict=True))
                plain["body"] = json.loads(plain["body"])
                entries.append(Entry(**plain))
            except (ValueError, TypeError, RecursionError) as error:
                faults.append(f"entry {row[1]} cannot be read ({error}).")
        first = entries[0] if entries and entries[0].kind == "opened" else None
        name = str(first.body["name"]) if first else case_id[:8]
        faults += find_breaks(entries, name=name)
        faults += lost_end(self._connection, case_id, entries, name)
        engine = first.body["engine"] if first else {}
        return Case(id=case_id, name=name, engine=engine, entries=tuple(entries),
                    damage=tuple(faults))  # fmt: skip

    def _examination(self, entry: Entry) -> Examination:
        content = self.read_file("readings", entry.body["readings_sha256"])
        try:
            plain = json.loads(content)
            return Examination.from_json(plain["summary"], plain["table"])
        except (ValueError, KeyError, TypeError, AttributeError, ArithmeticError,
                RecursionError) as error:  # fmt: skip
            what = f"the readings of entry {entry.number} are in no form that is known ({error})"
            remedy = "examine the clip again"
            raise CaseError(what, where=str(self.folder), remedy=remedy) from error

    def _append(  # noqa: PLR0913 - an entry's fields, each by name
        self, case_id: str, kind: str, body: Mapping[str, Any], *, author: str, time: datetime,
        replaces: int | None = None, check: Callable[[], None] | None = None,
    ) -> Entry:  # fmt: skip
        self._refuse_read_only()
        now = time.astimezone(UTC).isoformat(timespec="seconds")
        with as_words(self.folder / DATABASE), transaction(self._connection):
            if check:
                check()
            last = self._connection.execute(
                "SELECT number, fingerprint FROM ends WHERE case_id = ?", (case_id,)
            ).fetchone() or (0, "")
            entry = seal(
                Entry(case_id=case_id, number=last[0] + 1, time_utc=now, author=author, kind=kind,
                      body=dict(body), replaces=replaces),
                last[1],
            )  # fmt: skip
            self._connection.execute(
                f"INSERT INTO entries ({COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (case_id, entry.number, now, author, kind, to_canonical(entry.body), replaces,
                 entry.previous, entry.fingerprint),
            )  # fmt: skip
            self._connection.execute(
                "INSERT INTO ends VALUES (?, ?, ?) ON CONFLICT (case_id) DO UPDATE SET "
                "number = excluded.number, fingerprint = excluded.fingerprint",
                (case_id, entry.number, entry.fingerprint),
            )
        return entry

    @contextmanager
    def _reading(self) -> Iterator[None]:
        try:
            yield
        except DAMAGED as error:
            raise damaged(self.folder / DATABASE, error) from error

    def _refuse_read_only(self) -> None:
        if self.read_only:
            what = "this folder can only be read"
            raise CaseError(
                what, where=str(self.folder), remedy="copy it to a disk of your own first"
            )

    def close(self) -> None:
        """Let go of the database."""
        self._connection.close()


def _texts(rows: Iterable[tuple[object, ...]]) -> list[str]:
    """First places that hold text; no case is named by anything else, whatever was forged in."""
    return sorted(row[0] for row in rows if isinstance(row[0], str))


@contextmanager
def open_cases(folder: str | Path, *, make: bool = True) -> Iterator[CaseStore]:
    """Open the cases of a folder; a new one is made where there is none.

    A folder on a disk that can only be read opens for reading. An older schema is brought up to
    date, in one step that either happens or does not.

    Raises
    ------
    CaseError
        If there is none (with `make` off), it is no case folder, it was written by a newer
        version, or it is locked.
    """
    store = _open(Path(folder).absolute(), make)
    try:
        yield store
    finally:
        store.close()


def _open(folder: Path, make: bool) -> CaseStore:
    path = folder / DATABASE
    if not path.exists() and not make:
        what = "there are no cases in this folder"
        raise CaseError(
            what, where=str(folder), remedy="name the folder of your cases with --cases"
        )
    read_only = path.exists() and not (os.access(folder, os.W_OK) and os.access(path, os.W_OK))
    try:
        if not read_only:
            Shelves(folder).make()
        connection = connect(path, read_only=read_only)
    except OSError as error:
        what = f"this folder cannot be used ({(error.strerror or str(error)).lower()})"
        raise CaseError(what, where=str(folder), remedy="name another one with --cases") from error
    store = CaseStore(folder, connection, read_only=read_only)
    try:
        store.damage = tuple(check(connection, path))
        if not read_only:
            bring_up_to_date(connection, path)
            Shelves(folder).clear_leftovers()
        elif schema_of(connection) < SCHEMA:
            what = "it was written by an older version and can only be read here"
            raise CaseError(what, where=str(path), remedy="copy the folder to a disk of your own")
    except DAMAGED as error:
        connection.close()
        raise damaged(path, error) from error
    except SmokecaseError:
        connection.close()
        raise
    return store
