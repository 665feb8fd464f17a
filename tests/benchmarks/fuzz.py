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

from fuzz_cases import feed, kind_of, make, make_seeds
from smokecase.apart.caller import Limits, Nursery
from smokecase.errors import DecoderError, SmokecaseError

LIMITS = Limits(memory_mb=1000, stalled_s=150, longest_s=200, writes_mb=200)


def verdict_of(nursery, request):
    """`read`, `refused`, `died`, `stalled`, `memory` or `fault`, and the words."""
    try:
        found, _ = nursery.run(request, where=Path(request["path"]).name)
        return found["verdict"], found.get("words", "")
    except DecoderError as error:
        return "died", str(error)
    except SmokecaseError as error:
        words = str(error)
        if "more than 1000 MB" in words:
            return "memory", words
        return ("fault" if "failed inside" in words else "stalled"), words


def run(numbers, folder, told=lambda *words: None):
    """Feed the cases of these numbers; yields number, kind, verdict, words."""
    os.environ["PYTHONPATH"] = str(Path(__file__).parents[1])
    seeds = make_seeds(folder / "seeds")
    with Nursery("fuzz_cases:feed", LIMITS) as nursery:
        for number in numbers:
            kind = kind_of(number)
            request = make(number, seeds, folder / "case")
            yield number, kind, *verdict_of(nursery, request)


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
            if number % 500 == 499:
                sys.stdout.write(f"-- {number + 1 - first} of {count}\n")
                sys.stdout.flush()
    took = time.monotonic() - begun
    if out:
        plain = {"first": first, "count": count, "s": took, "table": table, "found": found}
        Path(out).write_text(json.dumps(plain, indent=1))
    sys.stdout.write(f"{count} cases in {took:.0f} s: {dict(sorted(table.items()))}\n")
    return int(any(verdict == "fault" for _, _, verdict, _ in found))


if __name__ == "__main__":
    assert feed
    words = sys.argv[1:]
    target = words.pop(words.index("--out") + 1) if "--out" in words else None
    numbers = [int(word) for word in words if word != "--out"]
    sys.exit(main(*numbers, out=target))
