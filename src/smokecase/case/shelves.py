"""The files that a case speaks of: put away under their SHA-256, and checked when read.

A file is written aside, is on the disk, and is then moved in place; one that is there stays.
"""

import hashlib
import os
import re
import uuid
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

from smokecase.case.database import as_words
from smokecase.errors import CaseError

Tell = Callable[[float, str], None]

SHELVES = ("clips", "readings", "pictures", "reports")


class Shelves:
    """The files of one folder of cases, each on the shelf of its kind."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def make(self) -> None:
        """Make the shelves where they are missing.

        Raises
        ------
        OSError
            If they cannot be made.
        """
        for shelf in SHELVES:
            (self.folder / shelf).mkdir(parents=True, exist_ok=True)

    def read(self, shelf: str, sha256: str) -> bytes:
        """Content of a file, checked against its fingerprint.

        Raises
        ------
        CaseError
            If it is missing or was changed.
        """
        path = self.find(shelf, sha256)
        try:
            content = path.read_bytes()
        except OSError as error:
            what = f"this file cannot be read ({(error.strerror or str(error)).lower()})"
            raise CaseError(what, where=str(path), remedy="restore it from a copy") from error
        if hashlib.sha256(content).hexdigest() != sha256:
            what = "this file was changed after it was put away"
            raise CaseError(what, where=str(path), remedy="restore it from a copy")
        return content

    def find(self, shelf: str, sha256: str) -> Path:
        """Path of a file, whatever its ending.

        Raises
        ------
        CaseError
            If it is missing.
        """
        if not re.fullmatch(r"[0-9a-f]{64}", sha256):  # it becomes a path: nothing else may
            what = f"{sha256[:12]!r} is no fingerprint of a file"
            raise CaseError(what, where=str(self.folder), remedy="restore the case from a copy")
        for path in sorted((self.folder / shelf).glob(f"{sha256}.*")):
            if not path.name.endswith(".partial"):
                return path
        what = f"the file {sha256[:12]}... is missing"
        where = str(self.folder / shelf)
        raise CaseError(what, where=where, remedy="restore it from a copy")

    def put(
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
        aside = self.folder / shelf / f"{uuid.uuid4().hex}.partial"
        digest = hashlib.sha256()
        try:
            with as_words(aside), aside.open("wb") as out:
                for block in _blocks(source, tell):
                    digest.update(block)
                    out.write(block)
                out.flush()
                os.fsync(out.fileno())
            sha256 = digest.hexdigest()
            target = self.folder / shelf / f"{sha256}.{ending.lstrip('.')}"
            with as_words(target):
                if not target.exists() or target.stat().st_size != aside.stat().st_size:
                    aside.replace(target)
                    _sync_folder(target.parent)
        finally:
            aside.unlink(missing_ok=True)
        return sha256

    def clear_leftovers(self) -> None:
        """Remove half-written files of killed runs; those of the last hour may still be at work."""
        for shelf in SHELVES:
            for leftover in (self.folder / shelf).glob("*.partial"):
                try:
                    written_s = leftover.stat().st_mtime
                except FileNotFoundError:  # another process has just finished writing it
                    continue
                if datetime.now(tz=UTC).timestamp() - written_s > 3600:
                    leftover.unlink(missing_ok=True)


def _blocks(source: Path | bytes, tell: Tell | None) -> Iterator[bytes]:
    if isinstance(source, bytes):
        yield source
        return
    size = max(1, source.stat().st_size)
    done = 0
    with source.open("rb") as file:
        while block := file.read(1 << 20):
            done += len(block)
            if tell:
                tell(done / size, f"putting {source.name} away")
            yield block


def _sync_folder(folder: Path) -> None:
    """Have the new name on the disk too (POSIX; elsewhere the rename has to do)."""
    if not hasattr(os, "O_DIRECTORY"):
        return
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
