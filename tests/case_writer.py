"""Writes entries as fast as it can and says each one that was acknowledged; made to be killed."""

import sys
from datetime import UTC, datetime
from pathlib import Path

from smokecase.case.store import open_cases


def main(folder: str, name: str) -> None:
    with open_cases(Path(folder)) as store:
        n = 0
        while True:
            n += 1
            sha256 = store.put_file("pictures", f"{name} {n}".encode() * 500, ending="txt")
            body = {"text": f"{name} {n}", "sha256": sha256}
            entry = store.add("crash", "note", body, author=name, time=datetime.now(tz=UTC))
            sys.stdout.write(f"{entry.number} {entry.fingerprint}\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main(*sys.argv[1:])
