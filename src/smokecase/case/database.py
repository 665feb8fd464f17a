"""The database file of the cases: opening it, checking it, bringing an older one up to date.

SQLite in write-ahead mode: a commit is on the disk when it returns, a second process waits its
turn, and a killed one leaves nothing half-done.
"""

import errno
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from smokecase.errors import CaseError, WriteError

WAIT_S = 30.0  # how long a second process waits for the first
# SQLite quotes damaged names in what it says of them: that need not be text
DAMAGED = (sqlite3.DatabaseError, UnicodeDecodeError)

# each step takes the database one schema number further; steps are never changed, only added
STEPS: tuple[str, ...] = (
    # 1: entries tied together
    """
    CREATE TABLE entries (
        case_id TEXT NOT NULL, number INTEGER NOT NULL, time_utc TEXT NOT NULL, kind TEXT NOT NULL,
        author TEXT NOT NULL, body TEXT NOT NULL, replaces INTEGER, previous TEXT NOT NULL,
        fingerprint TEXT NOT NULL, PRIMARY KEY (case_id, number)
    );
    """,
    # 2: what was written cannot be rewritten by a slip
    """
    CREATE TRIGGER entries_stay BEFORE UPDATE ON entries
        BEGIN SELECT RAISE(ABORT, 'entries are only ever added'); END;
    CREATE TRIGGER entries_remain BEFORE DELETE ON entries
        BEGIN SELECT RAISE(ABORT, 'entries are only ever added'); END;
    """,
    # 3: the last entry of each case, so that a lost end of a ledger is noticed
    """
    CREATE TABLE ends (
        case_id TEXT PRIMARY KEY, number INTEGER NOT NULL, fingerprint TEXT NOT NULL
    );
    INSERT INTO ends SELECT case_id, number, fingerprint FROM entries AS e
        WHERE number = (SELECT max(number) FROM entries WHERE case_id = e.case_id);
    """,
)
SCHEMA = len(STEPS)


def connect(path: Path, *, read_only: bool) -> sqlite3.Connection:
    """Open the database; one that can only be read is read as it lies there."""
    with as_words(path):
        if not read_only:
            connection = sqlite3.connect(path, timeout=WAIT_S, isolation_level=None)
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")  # a commit is on the disk
            return connection
        # without the right to write, SQLite cannot keep the side files of its write-ahead mode: the
        # database is read as one that nobody changes, from a copy where such a file is left over
        side = path.with_name(path.name + "-wal")
        if side.exists() and side.stat().st_size:
            aside = Path(tempfile.mkdtemp(prefix="smokecase-"))
            try:
                shown = Path(shutil.copy(path, aside))
                shutil.copy(side, aside)
                whole = sqlite3.connect(":memory:", isolation_level=None)
                with closing(sqlite3.connect(shown)) as copied:
                    copied.backup(whole)
            finally:
                shutil.rmtree(aside, ignore_errors=True)
            return whole
        connection = sqlite3.connect(
            f"{path.as_uri()}?mode=ro&immutable=1", uri=True, isolation_level=None
        )
        connection.execute("SELECT count(*) FROM sqlite_master")
    return connection


def schema_of(connection: sqlite3.Connection) -> int:
    """Tell the schema number; 0 for a new database."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def check(connection: sqlite3.Connection, path: Path) -> list[str]:
    """Tell what the database's own integrity check found, in one sentence."""
    try:
        said = connection.execute("PRAGMA quick_check(20)").fetchall()
    except DAMAGED as error:
        said = [(str(error),)]
    if said == [("ok",)]:
        return []
    return [
        f"{path}: part of the file is damaged ({said[0][0]}); copy the folder, then see each case."
    ]


def bring_up_to_date(connection: sqlite3.Connection, path: Path) -> None:
    """Take an older schema through each step to the newest, all of them or none."""
    if schema_of(connection) == SCHEMA:
        return
    with as_words(path), transaction(connection):
        found = schema_of(connection)  # another process may have done it meanwhile
        if found > SCHEMA:
            what = f"it was written by a newer version (schema {found}, this one knows {SCHEMA})"
            raise CaseError(what, where=str(path), remedy="install the newer smokecase")
        for step in STEPS[found:]:
            for statement in _statements(step):
                connection.execute(statement)
        connection.execute(f"PRAGMA user_version = {SCHEMA}")


def _statements(step: str) -> Iterator[str]:
    """Single statements of a step; `executescript` would commit what is under way."""
    held = ""
    for part in step.split(";"):
        held += part + ";"
        if sqlite3.complete_statement(held):
            if held.strip(" \n;"):
                yield held
            held = ""


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """All that is done inside is kept, or none of it; one writer at a time."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")


@contextmanager
def as_words(path: Path) -> Iterator[None]:
    """Turn what the disk or the database says into a sentence."""
    try:
        yield
    except sqlite3.OperationalError as error:
        said = str(error)
        if "locked" in said or "busy" in said:
            what = "another smokecase is writing to it and does not let go"
            raise CaseError(
                what, where=str(path), remedy="wait for it to end, then try again"
            ) from error
        if "full" in said:
            raise full(path) from error
        if "readonly" in said or "read-only" in said:
            what = "it can only be read"
            raise CaseError(
                what, where=str(path), remedy="copy it to a disk of your own"
            ) from error
        raise damaged(path, error) from error
    except DAMAGED as error:
        raise damaged(path, error) from error
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            raise full(path) from error
        what = f"it could not be written ({(error.strerror or str(error)).lower()})"
        raise WriteError(what, where=str(path), remedy="check the disk, then try again") from error


def full(path: Path) -> WriteError:
    """Make the error for a full disk."""
    what = "the disk is full; what was entered before is kept, this was not"
    return WriteError(what, where=str(path), remedy="make room, then enter it again")


def damaged(path: Path, error: Exception) -> CaseError:
    """Make the error for a database that cannot be used."""
    return CaseError(
        f"the database is damaged or no database ({error})",
        where=str(path),
        remedy="restore it from a copy, or from the plain ledger of an evidence package",
    )
