"""Fingerprints that tie each entry to the one before: nothing changed, nothing missing.

``fingerprint = SHA-256(previous, number, time, author, kind, body, replaces)`` over one fixed way
of writing the fields (JSON, keys sorted, UTF-8, no spaces). Whoever keeps one fingerprint outside
the case, in a report handed out, can prove every entry before it.
"""

import hashlib
import json
from collections.abc import Iterable, Mapping
from typing import Any

from smokecase.case.record import Entry

FIELDS = ("case_id", "number", "time_utc", "author", "kind", "body", "replaces", "previous")


def to_canonical(plain: Mapping[str, Any]) -> str:
    """JSON in the one fixed way that fingerprints are taken of.

    Raises
    ------
    ValueError
        If a number is not finite.
    """
    return json.dumps(
        plain, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    )


def fingerprint_of(entry: Entry) -> str:
    """SHA-256 of an entry's fields, as hexadecimal digits."""
    text = to_canonical({name: _plain(getattr(entry, name)) for name in FIELDS})
    return hashlib.sha256(text.encode()).hexdigest()


def _plain(value: Any) -> Any:
    return dict(value) if isinstance(value, Mapping) else value


def seal(entry: Entry, previous: str) -> Entry:
    """Entry tied to the one before."""
    values = {name: getattr(entry, name) for name in FIELDS} | {"previous": previous}
    tied = Entry(**values)
    return Entry(**values, fingerprint=fingerprint_of(tied))


def to_line(entry: Entry) -> str:
    """One line of the plain-text ledger, without its line end."""
    plain = {name: _plain(getattr(entry, name)) for name in FIELDS}
    return to_canonical(plain | {"fingerprint": entry.fingerprint})


def from_line(line: str) -> Entry:
    """Undo `to_line`.

    Raises
    ------
    ValueError, KeyError, TypeError
        If the line is no entry.
    """
    plain = json.loads(line)
    return Entry(**{name: plain[name] for name in (*FIELDS, "fingerprint")})


def find_breaks(entries: Iterable[Entry], *, name: str) -> list[str]:
    """One sentence for each place where the ledger was changed or lacks something."""
    faults = []
    before: Entry | None = None
    for entry in entries:
        if fingerprint_of(entry) != entry.fingerprint:
            faults.append(
                f'case "{name}": entry {entry.number} was changed after it was written; its report '
                "can no longer be relied on, keep the copy you handed out."
            )
        expected = 1 if before is None else before.number + 1
        if entry.number != expected:
            gap = f"entry {expected}" if entry.number == expected + 1 else (
                f"entries {expected} to {entry.number - 1}"
            )  # fmt: skip
            faults.append(f'case "{name}": {gap} cannot be read or were taken out.')
        elif entry.previous != (before.fingerprint if before else ""):
            faults.append(
                f'case "{name}": entry {entry.number} does not follow the entry before it; '
                "one of the two was exchanged."
            )
        before = entry
    return faults
