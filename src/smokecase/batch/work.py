"""One piece of a batch's work, as it is done on any core of any machine.

First a clip is looked at (its fingerprint), then measured. Whatever goes wrong with it comes back
as a sentence, never as an exception: one clip must not end the others.
"""

import hashlib
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

from smokecase.apart.caller import Limits, Nursery
from smokecase.apart.clips import from_answer, to_request
from smokecase.batch.measure import TASK, densest_picture, fingerprint_of
from smokecase.batch.places import at_hand, file_name, shown
from smokecase.errors import ClipError, DecoderError, SmokecaseError
from smokecase.readings import SCREENING, Examination
from smokecase.trace import SmokeTrace

TRIES = 2  # for a decoder that died: the machine may have been short of memory
CHANGED = "the file was changed while it was read"


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """What is to be done with one clip."""

    url: str
    sha256: str | None = None  # None: find it out; else measure this content
    key: str = ""  # content, what is told of it and the program's version, in one fingerprint
    options: Mapping[str, Any] = field(default_factory=dict)
    told: Mapping[str, Any] = field(default_factory=dict)
    shows: str = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What came of it."""

    job: Job
    sha256: str | None = None  # of the content that was read
    row: Mapping[str, Any] | None = None
    readings: bytes = b""  # Parquet, one line per picture
    picture: bytes = b""  # JPEG of the densest moment
    fault: str | None = None  # why there is none, in a sentence that does not name the clip
    changed: bool = False  # the content was not what was asked for
    wall_s: float = 0.0


def key_of(sha256: str, options: Mapping[str, Any], told: Mapping[str, Any], shows: str) -> str:
    """Fingerprint of all that a clip's row depends on."""
    from smokecase import __version__

    return fingerprint_of({"sha256": sha256, "options": dict(options), "told": dict(told),
                           "shows": shows, "smokecase": __version__})  # fmt: skip


def do(job: Job, nursery: Nursery) -> Outcome:
    """Look at a clip, or measure it."""
    begun = time.monotonic()
    try:
        if job.sha256 is None:
            return Outcome(job=job, sha256=_look(job.url))
        for left in reversed(range(TRIES)):
            try:
                return _measure(job, nursery, begun)
            except DecoderError:
                if not left:
                    raise
    except SmokecaseError as error:
        fault = str(type(error)(error.what, remedy=error.remedy))
    except (ValueError, OSError) as error:
        fault = f"{error}."
    return Outcome(job=job, fault=fault, changed=CHANGED in fault, wall_s=time.monotonic() - begun)


def do_on_worker(job: Job, limits: Limits) -> Outcome:
    """Do the same on a worker of a cluster, each of whose threads keeps a nursery."""
    held = getattr(_HELD, "nursery", None)
    if held is None or held.limits != limits:
        if held is not None:
            held.close()
        held = _HELD.nursery = Nursery(TASK, limits)
    return do(job, held)


_HELD = threading.local()  # one process per thread, begun once


def version() -> str:
    """Version of smokecase on a worker."""
    from smokecase import __version__

    return __version__


def _look(url: str) -> str:
    with at_hand(url) as path:
        try:
            if path.is_dir():
                what = "this is a folder"
                raise ClipError(what, remedy="name the clips inside it")
            before = _state(path)
            with path.open("rb") as file:
                sha256 = hashlib.file_digest(file, "sha256").hexdigest()
            after = _state(path)
        except FileNotFoundError:
            what = "there is no such file where the work is done"
            raise ClipError(what, remedy="put the clips where every worker sees them") from None
        except OSError as error:
            what = f"the file cannot be read ({(error.strerror or str(error)).lower()})"
            raise ClipError(what, remedy="check that you may open it") from error
        if before != after:
            raise ClipError(CHANGED, remedy="wait until it is written, then try it again")
    return sha256


def _state(path: Path) -> tuple[int, int, int]:
    stat = path.stat()
    return stat.st_size, stat.st_mtime_ns, stat.st_ino


def _measure(job: Job, nursery: Nursery, begun: float) -> Outcome:
    name = file_name(job.url)
    with at_hand(job.url) as path:
        request = {"path": str(path.absolute()), "options": to_request(dict(job.options)),
                   "told": dict(job.told), "shows": job.shows}  # fmt: skip
        plain, arrays = nursery.run(request, where=name)
    found = from_answer(plain, arrays, where=name)
    if found.sha256 != job.sha256:
        fault = f"{CHANGED}; wait until it is written, then try it again."
        return Outcome(job=job, sha256=found.sha256, changed=True, fault=fault)
    row = {str(k): _checked(v) for k, v in plain["row"].items()}
    return Outcome(
        job=job, sha256=found.sha256, row=row, readings=to_parquet(found, shown(job.url)),
        picture=_picture(found), wall_s=time.monotonic() - begun,
    )  # fmt: skip


def _checked(value: Any) -> Any:
    """Plain values only; the process they come from is not trusted."""
    return value if value is None or isinstance(value, bool | int | float) else str(value)[:4000]


def _picture(found: Examination) -> bytes:
    from smokecase.report.batch_page import to_thumbnail

    picture = densest_picture(found)
    return b"" if picture is None else to_thumbnail(picture)


def to_parquet(found: Examination, url: str) -> bytes:
    """Lay the readings of one clip out as Parquet, with the columns of `readings.csv`."""
    import pyarrow as pa
    from pyarrow import parquet

    names = [part.name for part in fields(SmokeTrace)]
    rows = found.trace.to_table()
    columns = list(rows[0]) if rows else names
    table = pa.table(
        {
            name: pa.array(
                [row[name] for row in rows],
                pa.string() if name == "doubts" else pa.float64(),
            )
            for name in columns
        },
        metadata={"clip": url, "sha256": found.sha256, "screening_note": SCREENING},
    )
    out = pa.BufferOutputStream()
    parquet.write_table(table, out, compression="zstd")
    return bytes(out.getvalue().to_pybytes())
