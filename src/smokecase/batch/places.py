"""Where clips lie: folders, single files, archives and object stores, all through one door.

A place is written as the library fsspec writes it: a path, ``s3://bucket/yard``,
``zip://*.mp4::old.zip``, ``memory://``. A clip from elsewhere is copied to a temporary file under a
name of our own, never longer than its listing announced, and only where that is no packing bomb.
"""

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

import fsspec

from smokecase.errors import ClipError

# endings that cameras and messengers give to clips; a file named by itself is taken as it is
ENDINGS = frozenset(
    (".mp4", ".mov", ".m4v", ".3gp", ".3g2", ".avi", ".mkv", ".webm", ".mts", ".m2ts", ".ts",
     ".mpg", ".mpeg", ".wmv", ".flv", ".ogv", ".dv", ".mxf", ".gif")
)  # fmt: skip
BLOCK = 1 << 20
SPARE_BYTES = 256 << 20  # left free on the disk that copies go to
MOST_COPY_BYTES = 32 << 30  # of one copy: an hour of 4K at 60 frames a second stays below
MOST_UNPACKED = 100  # times what it takes up in its archive; coded pictures hardly shrink at all


@dataclass(frozen=True, slots=True)
class Place:
    """One clip that was found."""

    url: str  # an absolute path, or with its protocol
    size: int
    stamp: str  # changes when the file does, as far as its store tells


def find_clips(place: str) -> tuple[list[Place], int]:
    """Clips at a place, in the order of their names, and how many other files were passed over.

    Raises
    ------
    ClipError
        If there is nothing, or no way to get there.
    """
    with as_words(place):
        store, path = fsspec.core.url_to_fs(place)
        if any(sign in path for sign in "*?["):
            found, chosen = store.glob(path, detail=True), True
        elif store.isdir(path):
            found, chosen = store.find(path, detail=True), False
        else:
            found, chosen = {path: store.info(path)}, True
    files = {name: info for name, info in found.items() if info.get("type") == "file"}
    clips = [
        _place(place, name, info)
        for name, info in sorted(files.items())
        if chosen or PurePosixPath(name).suffix.lower() in ENDINGS
    ]
    if not clips:
        what = f"there is no clip ({len(files)} other files)" if files else "there is nothing"
        raise ClipError(what, where=shown(place), remedy="name the folder that holds the clips")
    return clips, len(files) - len(clips)


def _place(place: str, name: str, info: dict[str, Any]) -> Place:
    chain = place.split("::", 1)
    protocol = chain[0].split("://", 1)[0] if "://" in chain[0] else ""
    if protocol in ("", "file", "local"):
        url = str(Path(name).absolute())
    else:
        url = name if "://" in name else f"{protocol}://{name}"
    if len(chain) == 2:  # inside an archive
        url = f"{url}::{chain[1]}"
    told = [info.get(k) for k in ("mtime", "LastModified", "last_modified", "created", "ETag",
                                  "date_time", "CRC")]  # fmt: skip
    stamp = " ".join(str(value) for value in told if value is not None)
    return Place(url, int(info.get("size") or 0), stamp)


def is_local(url: str) -> bool:
    """Whether it is a path of this machine."""
    return "://" not in url and "::" not in url


def join(base: str, name: str) -> str:
    """Url of a clip as a manifest names it: whole, or relative to the manifest's own folder."""
    if "://" in name or "::" in name:
        return name
    if is_local(base):
        return os.path.normpath(Path(base).absolute().parent / name)
    return name if name.startswith("/") else f"{base.rpartition('/')[0]}/{name}"


def shown(url: str) -> str:
    """Url as it may stand in a message: without a name and password."""
    head, sign, rest = url.partition("://")
    user, at, after = rest.partition("@")
    return f"{head}://{after}" if sign and at and "/" not in user else url


def file_name(url: str) -> str:
    """Last part of a url, without folders and archive."""
    return PurePosixPath(url.split("::", 1)[0]).name or url


def tell_size(url: str) -> Place:
    """Size and stamp of one clip now.

    Raises
    ------
    ClipError
        If it is not there.
    """
    with as_words(url):
        store, path = fsspec.core.url_to_fs(url)
        return _place(url, path, store.info(path))


@contextmanager
def at_hand(url: str) -> Iterator[Path]:
    """Path of a clip on this machine; one from elsewhere is copied and removed again.

    Raises
    ------
    ClipError
        If it is not there, there is no room for it, or it is longer than was announced.
    """
    if is_local(url):
        yield Path(url)
        return
    folder = Path(tempfile.mkdtemp(prefix="smokecase-"))
    try:
        suffix = PurePosixPath(file_name(url)).suffix.lower()
        copy = folder / f"clip{suffix if suffix in ENDINGS else ''}"
        with as_words(url):
            _fetch(url, copy)
        yield copy
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _fetch(url: str, copy: Path) -> None:
    store, path = fsspec.core.url_to_fs(url)
    info = store.info(path)
    announced = int(info.get("size") or 0)
    packed = info.get("compress_size")
    if packed is not None and announced > MOST_UNPACKED * max(int(packed), BLOCK):
        what = f"its {int(packed)} bytes would unpack to {announced / 1e6:.0f} MB, as no clip does"
        raise ClipError(what, where=shown(url), remedy="unpack it yourself if you trust it")
    if announced > MOST_COPY_BYTES:
        what = f"a copy of it would take {announced / 1e9:.0f} GB"
        raise ClipError(what, where=shown(url), remedy="cut it, or put it on this machine")
    if announced + SPARE_BYTES > shutil.disk_usage(copy.parent).free:
        what = f"there is no room for a copy of its {announced / 1e6:.0f} MB"
        raise ClipError(what, where=shown(url), remedy="make room where temporary files lie")
    held = 0
    with store.open(path, "rb") as source, copy.open("wb") as out:
        while block := source.read(BLOCK):
            held += len(block)
            if held > announced:
                what = f"it holds more than the {announced} bytes that were announced"
                raise ClipError(what, where=shown(url), remedy="copy the clip there again")
            out.write(block)


@contextmanager
def as_words(url: str) -> Iterator[None]:
    """Turn what a store says into one sentence."""
    try:
        yield
        return
    except ClipError:
        raise
    except FileNotFoundError:
        error = ClipError("there is no such file", where=shown(url), remedy="check its name")
    except ImportError as missing:
        what = f"this kind of place needs one more package ({_first_line(missing)})"
        error = ClipError(what, where=shown(url), remedy="install it with pip")
    except ValueError as wrong:
        what = f"this is no place that can be reached ({_first_line(wrong)})"
        error = ClipError(what, where=shown(url), remedy="name a folder, file or store")
    except Exception as wrong:  # each store raises its own kinds; none may end the whole batch
        what = f"it cannot be read ({_first_line(wrong)})"
        error = ClipError(what, where=shown(url), remedy="check that you may open it")
    raise error


def _first_line(error: BaseException) -> str:
    said = (getattr(error, "strerror", None) or str(error) or type(error).__name__).strip()
    return said.splitlines()[0][:160]
