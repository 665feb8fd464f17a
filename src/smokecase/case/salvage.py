"""Reads the rows of a case, one by one where the database is damaged, and names what is lost."""

import sqlite3
from collections.abc import Iterator
from typing import Any

from smokecase.case.database import DAMAGED
from smokecase.case.record import Entry

DATABASE = "cases.sqlite"
COLUMNS = "case_id, number, time_utc, author, kind, body, replaces, previous, fingerprint"


def rows_of(
    connection: sqlite3.Connection, case_id: str, faults: list[str]
) -> Iterator[tuple[Any, ...]]:
    """Rows of a case in the order of COLUMNS; those that are lost are named in `faults`."""
    ask = f"SELECT {COLUMNS} FROM entries WHERE case_id = ?"
    try:
        yield from connection.execute(f"{ask} ORDER BY number", (case_id,)).fetchall()
        return
    except DAMAGED:
        last = _last_number(connection, case_id)
    for number in range(1, last + 1):
        try:
            yield from connection.execute(f"{ask} AND number = ?", (case_id, number))
        except DAMAGED:
            faults.append(f"entry {number} lies in a damaged part of {DATABASE}.")


def _last_number(connection: sqlite3.Connection, case_id: str) -> int:
    for ask in (
        "SELECT number FROM ends WHERE case_id = ?",
        "SELECT max(number) FROM entries WHERE case_id = ?",
    ):
        try:
            row = connection.execute(ask, (case_id,)).fetchone()
            if row and row[0]:
                return int(row[0])
        except DAMAGED:
            continue
    return 0


def lost_end(
    connection: sqlite3.Connection, case_id: str, entries: list[Entry], name: str
) -> list[str]:
    """Say whether the last entries of a case are not those that were written last."""
    try:
        end = connection.execute(
            "SELECT number, fingerprint FROM ends WHERE case_id = ?", (case_id,)
        ).fetchone()
    except DAMAGED:
        return [f'case "{name}": the mark of its last entry cannot be read.']
    last = entries[-1] if entries else None
    if end is None or (last and (last.number, last.fingerprint) == tuple(end)):
        return []
    return [f'case "{name}": its end was cut off or exchanged; it had {end[0]} entries.']
