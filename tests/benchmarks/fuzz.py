"""Feeds damaged inputs to every reader, ten thousand by hand: run in pieces.

    python tests/benchmarks/fuzz.py [first] [count] [--pieces FOLDER]

Each case is made anew from its number; with a folder for the pieces, a run that was stopped goes
on. A case may be read or refused in one sentence; a decoder that dies, stalls or meets the limit
takes only itself and is counted; anything else is a fault and makes the exit code 1.
"""

import argparse
import json
import os
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from fuzz_cases import kind_of, make, make_seeds
from smokecase.apart.caller import Limits, Nursery
from smokecase.errors import DecoderError, SmokecaseError

AT_ONCE = 25  # cases in one child, which saves beginning one for each
PIECE = 100
VERDICTS = ("read", "refused", "memory", "stalled", "died", "fault")
# on a busy machine a sound case may wait for minutes
LIMITS = Limits(memory_mb=1000, stalled_s=600, longest_s=900, writes_mb=200)


def verdicts_of(nursery, cases):
    """Verdict and words of each: `read`, `refused`, `died`, `stalled`, `memory` or `fault`."""
    try:
        found, _ = nursery.run({"cases": cases}, where="fuzz")
        return found["verdicts"]
    except SmokecaseError as error:
        if len(cases) > 1:  # one of them took the child with it: each by itself
            return [verdict for case in cases for verdict in verdicts_of(nursery, [case])]
        words = str(error)
        if isinstance(error, DecoderError):
            return [["died", words]]
        if f"more than {LIMITS.memory_mb:.0f} MB" in words:
            return [["memory", words]]
        return [["fault" if "failed inside" in words else "stalled", words]]


def run(numbers, folder):
    """Feed the cases of these numbers; yields number, kind, verdict, words."""
    os.environ["PYTHONPATH"] = str(Path(__file__).parents[1])
    seeds = make_seeds(folder / "seeds")
    numbers = list(numbers)
    with Nursery("fuzz_cases:feed", LIMITS) as nursery:
        for begin in range(0, len(numbers), AT_ONCE):
            chosen = numbers[begin : begin + AT_ONCE]
            cases = [make(n, seeds, folder / "cases" / str(i)) for i, n in enumerate(chosen)]
            for number, (verdict, words) in zip(chosen, verdicts_of(nursery, cases), strict=True):
                yield number, kind_of(number), verdict, words


def run_piece(first, count):
    """Feed one piece; tells of every case that was neither read nor refused."""
    begun = time.monotonic()
    table = Counter()
    found = []
    with tempfile.TemporaryDirectory() as folder:
        for number, kind, verdict, words in run(range(first, first + count), Path(folder)):
            table[f"{kind} {verdict}"] += 1
            if verdict not in ("read", "refused"):
                found.append([number, kind, verdict, words])
                say(f"{number} {kind} {verdict}: {words}")
    took = time.monotonic() - begun
    return {"first": first, "count": count, "s": took, "table": table, "found": found}


def table_of(pieces):
    """All pieces as one table in Markdown: a row per kind of input, a column per verdict."""
    counts = Counter()
    for piece in pieces:
        counts.update(piece["table"])
    kinds = sorted({name.split()[0] for name in counts})
    verdicts = [v for v in VERDICTS if v in ("read", "refused", "fault")
                or any(counts[f"{kind} {v}"] for kind in kinds)]  # fmt: skip
    rows = [["kind", *verdicts, "cases"], ["---"] * (len(verdicts) + 2)]
    for kind in kinds:
        row = [counts[f"{kind} {verdict}"] for verdict in verdicts]
        rows.append([kind, *row, sum(row)])
    whole = [sum(row[i] for row in rows[2:]) for i in range(1, len(verdicts) + 2)]
    rows.append(["all", *whole])
    return "\n".join(f"| {' | '.join(map(str, row))} |" for row in rows)


def main():
    """Feed what is still missing, piece by piece, and tell of all."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("first", nargs="?", type=int, default=0)
    parser.add_argument("count", nargs="?", type=int, default=10_000)
    parser.add_argument("--pieces", type=Path, help="folder that keeps what was fed, to go on with")
    parser.add_argument("--tell", action="store_true", help="feed nothing more, tell of the pieces")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = args.pieces or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        first, last = args.first, args.first + args.count
        pieces = []
        while first < last:
            kept = folder / f"{first}.json"
            if not kept.exists() and args.tell:
                first += PIECE  # not fed yet
                continue
            if not kept.exists():
                piece = run_piece(first, min(PIECE, last - first))
                kept.write_text(json.dumps(piece, indent=1))
            pieces.append(json.loads(kept.read_text()))
            first += pieces[-1]["count"]
            say(f"-- {first - args.first} of {args.count}")
    say(table_of(pieces))
    return int(any(verdict == "fault" for p in pieces for _, _, verdict, _ in p["found"]))


def say(words):
    sys.stdout.write(f"{words}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())
