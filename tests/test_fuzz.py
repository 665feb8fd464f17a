"""Three hundred damaged inputs: each is read, or refused in one sentence; nothing else happens.

Ten thousand by hand: ``python tests/benchmarks/fuzz.py``, figures in examples/faults.md.
"""

import pytest

from benchmarks.fuzz import run

# from a part of the numbers that the run by hand does not reach; in parts, for several cores
FIRST = 1_000_000
PART = 150


@pytest.mark.parametrize("part", range(2))
def test_damaged_inputs_are_read_or_refused_in_one_sentence(part, tmp_path):
    first = FIRST + part * PART

    found = list(run(range(first, first + PART), tmp_path))

    assert len(found) == PART
    wrong = [f"{number} {kind} {verdict}: {words}" for number, kind, verdict, words in found
             if verdict not in ("read", "refused", "memory")]  # fmt: skip
    assert wrong == []
    assert {verdict for _, _, verdict, _ in found} >= {"read", "refused"}
