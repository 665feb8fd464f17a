"""The first look at a file, its pictures and its copy to watch, apart.

No file can take the page down. Public: `Looks`, `copy_apart`; `look` is the work that the other
process does.
"""

import threading
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from smokecase.apart.caller import Limits, Nursery
from smokecase.apart.wire import Arrays
from smokecase.doubts import DOUBTS
from smokecase.errors import ClipError, WriteError
from smokecase.first_look import FirstLook, first_picture, look_first, what_is

Tell = Callable[[float, str], None]
T = TypeVar("T")

TASK = "smokecase.apart.looks:look"
# a look takes a second; on a busy machine and with the largest clips some more
LOOKING = Limits(stalled_s=45.0, longest_s=60.0, writes_mb=1.0)


class Looks:
    """A process of its own that looks at one file after another; begun on first use.

    Its three looks are those of `first_look`, with the same words where a file cannot be read.
    """

    def __init__(self, task: str = TASK, limits: Limits = LOOKING) -> None:
        self._nursery = Nursery(task, limits)
        self._one = threading.Lock()

    def begin(self) -> None:
        """Begin the process now, so that the first file need not wait for it.

        Raises
        ------
        DecoderError
            If it could not begin.
        """
        with self._one:
            self._nursery.begin(where="looking")

    def what_is(self, path: Path) -> tuple[str, str]:
        """Tell what a file holds, and its SHA-256."""
        return self._ask(
            "kind", path, lambda plain, arrays: (str(plain["kind"]), str(plain["sha256"]))
        )

    def look_first(self, path: Path) -> FirstLook:
        """Look at a file's data and its first seconds."""
        return self._ask("first", path, lambda plain, arrays: _seen(plain))

    def first_picture(self, path: Path, at_s: float = 0.0) -> NDArray[np.uint8]:
        """Picture of a clip at a time, for pointing in it."""
        return self._ask("picture", path, lambda plain, arrays: arrays["picture"], at_s=at_s)

    def close(self) -> None:
        """End the process, whatever it does."""
        self._nursery.kill()
        with self._one:
            self._nursery.close()

    def _ask(
        self, kind: str, path: Path, read: Callable[[dict[str, Any], Arrays], T], **more: Any
    ) -> T:
        request = {"what": kind, "path": str(path.absolute()), **more}
        with self._one:
            plain, arrays = self._nursery.run(request, where=path.name)
        try:
            return read(plain, arrays)
        except (LookupError, ValueError, TypeError) as error:
            what = f"what came back from its process does not fit together ({error})"
            raise ClipError(what, where=path.name, remedy="bring it again") from error


def _seen(plain: dict[str, Any]) -> FirstLook:
    return FirstLook(**plain | {"doubts": frozenset(DOUBTS[name] for name in plain["doubts"])})


def copy_apart(path: Path, to: Path, *, tell: Tell | None = None) -> None:
    """Write a copy of a clip that every browser plays, in a process of its own with limits.

    Raises
    ------
    ClipError
        If the clip cannot be read; also where the decoder died, stalled or met a limit.
    WriteError
        If the copy cannot be written.
    """
    with Nursery(TASK) as own:
        request = {"what": "copy", "path": str(path.absolute()), "to": str(to.absolute())}
        own.run(request, where=path.name, tell=tell)


# -- in the other process ---------------------------------------------------------------------


def prepare() -> None:
    """Load what looking needs, before the first child."""
    import_module("smokecase.video.write")


def look(request: dict[str, Any], tell: Tell) -> tuple[dict[str, Any], Arrays]:
    """Do one look."""
    path = Path(request["path"])
    match request["what"]:
        case "kind":
            kind, sha256 = what_is(path)
            return {"kind": kind, "sha256": sha256}, {}
        case "first":
            seen = look_first(path)
            plain = {name: getattr(seen, name) for name in FirstLook.__slots__}
            return plain | {"doubts": sorted(doubt.name for doubt in seen.doubts)}, {}
        case "picture":
            return {}, {"picture": first_picture(path, request["at_s"])}
        case "copy":
            _copy(path, Path(request["to"]), tell)
            return {}, {}
    msg = f"what must be one of kind, first, picture, copy (got {request['what']!r})"
    raise ValueError(msg)


def _copy(path: Path, to: Path, tell: Tell) -> None:
    from smokecase.optics.light import to_linear, to_srgb8
    from smokecase.video.write import write_proxy

    try:
        write_proxy(
            path, to, tell=tell,
            to_srgb8=lambda frame, transfer: to_srgb8(to_linear(frame.codes, transfer)),
        )  # fmt: skip
    except OSError as error:
        what = f"the copy to watch cannot be written ({(error.strerror or str(error)).lower()})"
        raise WriteError(what, where=path.name, remedy="free some space") from error
