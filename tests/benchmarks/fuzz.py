"""Feeds damaged inputs to every reader, ten thousand by hand: run in pieces.

    python tests/benchmarks/fuzz.py [first] [count] [--out table.json]

Each case is made anew from its number. A case may be read or refused in one sentence; a decoder
that dies, stalls or meets the limit takes only itself and is counted; anything else is a fault and
makes the exit code 1.
"""

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
LIMITS = Limits(memory_mb=1000, stalled_s=150, longest_s=900, writes_mb=200)


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


def main(first=0, count=10_000, out=None):
    begun = time.monotonic()
    table = Counter()
    found = []
    with tempfile.TemporaryDirectory() as folder:
        for number, kind, verdict, words in run(range(first, first + count), Path(folder)):
            table[f"{kind} {verdict}"] += 1
            if verdict not in ("read", "refused"):
                found.append([number, kind, verdict, words])
                sys.stdout.write(f"{number} {kind} {verdict}: {words}\n")
                sys.stdout.flush()
            if number % 100 == 99:
                sys.stdout.write(f"-- {number + 1 - first} of {count}\n")
                sys.stdout.flush()
    took = time.monotonic() - begun
    if out:
        plain = {"first": first, "count": count, "s": took, "table": table, "found": found}
        Path(out).write_text(json.dumps(plain, indent=1))
    sys.stdout.write(f"{count} cases in {took:.0f} s: {dict(sorted(table.items()))}\n")
    return int(any(verdict == "fault" for _, _, verdict, _ in found))


if __name__ == "__main__":
    words = sys.argv[1:]
    target = words.pop(words.index("--out") + 1) if "--out" in words else None
    numbers = [int(word) for word in words if word != "--out"]
    sys.exit(main(*numbers, out=target))
