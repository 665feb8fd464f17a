"""Kills a writer of cases at random moments and looks for what was lost: run by hand.

    python tests/benchmarks/kill_cases.py [kills]

About a second a kill. Exits with 1 where anything acknowledged is missing.
"""

import random
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "case"))

from test_crash import begin, check_nothing_lost, kill_at_random


def main() -> None:
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    rng = random.Random(20310504)
    acknowledged: dict[str, str] = {}
    with tempfile.TemporaryDirectory() as folder:
        begin(Path(folder))
        for n in range(kills):
            acknowledged |= kill_at_random(Path(folder), rng, writers=1 + n % 2)
            check_nothing_lost(Path(folder), acknowledged)
            sys.stdout.write(f"\r{n + 1} kills, {len(acknowledged)} entries kept")
            sys.stdout.flush()
    sys.stdout.write(f"\n{kills} kills, {len(acknowledged)} acknowledged entries, none lost\n")


if __name__ == "__main__":
    main()
