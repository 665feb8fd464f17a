"""Where the page works: the folder of the cases, and a place of its own for what passes through."""

import contextlib
import fcntl
import os
import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from smokecase.errors import WriteError

PREFIX = "smokecase-page-"
LOCK = "in-use"


@dataclass(frozen=True, slots=True, weakref_slot=True)
class Shop:
    """The folders that one running page may write to."""

    cases: Path  # the folder of the cases, which stays
    area: Path  # mode 0700, wiped at start and end
    network: bool = False  # True where phones of the local network may come in

    @property
    def uploads(self) -> Path:
        """Where the browser's files arrive before they are put away."""
        return self.area / "uploads"

    @property
    def out(self) -> Path:
        """Where files to be downloaded are made."""
        return self.area / "out"

    @property
    def watch(self) -> Path:
        """Clips as browsers can play them, by the original's fingerprint."""
        return self.area / "watch"


@contextlib.contextmanager
def open_shop(cases: Path, *, network: bool = False, beside: Path | None = None) -> Iterator[Shop]:
    """Give a fresh area that is wiped afterwards; those of killed servers are wiped first.

    Parameters
    ----------
    cases : Path
        The folder of the cases.
    network : bool
        Whether phones of the local network may come in.
    beside : Path, optional
        Where the area is made; the system's folder for temporary files unless told.

    Raises
    ------
    WriteError
        If no area can be made.
    """
    parent = beside or Path(tempfile.gettempdir())
    wipe_abandoned(parent)
    try:
        area = Path(tempfile.mkdtemp(prefix=PREFIX, dir=parent)).resolve()  # mode 0700
        shop = Shop(cases, area, network)
        lock = (area / LOCK).open("w")
        for folder in (shop.uploads, shop.out, shop.watch):
            folder.mkdir(mode=0o700)
    except OSError as error:
        what = f"no folder for temporary files can be made ({(error.strerror or '').lower()})"
        remedy = "free some space, or name another folder with TMPDIR"
        raise WriteError(what, where=str(parent), remedy=remedy) from error
    with lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # the system lets go of it when the server is killed
        try:
            yield shop
        finally:
            shutil.rmtree(area, ignore_errors=True)


def wipe_abandoned(parent: Path) -> None:
    """Wipe the areas that are this user's and that no running server holds."""
    for area in parent.glob(f"{PREFIX}*"):
        with contextlib.suppress(OSError):  # somebody else's, or wiped meanwhile
            if area.is_symlink() or area.stat().st_uid != os.getuid():
                continue
            with (area / LOCK).open("a") as lock:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
                shutil.rmtree(area, ignore_errors=True)
