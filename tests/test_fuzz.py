"""Three hundred damaged inputs: each is read, or refused in one sentence; nothing else happens.

Ten thousand by hand: ``python tests/benchmarks/fuzz.py``, figures in examples/faults.md.
"""

from pathlib import Path

import pytest

from benchmarks.fuzz import LIMITS, run, verdicts_of
from fuzz_cases import SHARES, make_seeds, make_whole
from smokecase.apart.caller import Nursery

# from a part of the numbers that the run by hand does not reach; in parts, for several cores
FIRST = 1_000_000
PART = 150


def test_whole_inputs_of_every_kind_are_read_within_the_same_limits(tmp_path, monkeypatch):
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parent))
    cases = make_whole(make_seeds(tmp_path / "seeds"), tmp_path / "whole")

    with Nursery("fuzz_cases:feed", LIMITS) as nursery:
        verdicts = verdicts_of(nursery, cases)

    wrong = [(case["path"], *v) for case, v in zip(cases, verdicts, strict=True) if v[0] != "read"]
    assert wrong == []
    assert {case["kind"] for case in cases} == set(SHARES) - {"clip", "stamps", "absurd"}


@pytest.mark.parametrize("part", range(2))
def test_damaged_inputs_are_read_or_refused_in_one_sentence(part, tmp_path):
    first = FIRST + part * PART

    found = list(run(range(first, first + PART), tmp_path))

    assert len(found) == PART
    wrong = [f"{number} {kind} {verdict}: {words}" for number, kind, verdict, words in found
             if verdict not in ("read", "refused", "memory")]  # fmt: skip
    assert wrong == []
    assert {verdict for _, _, verdict, _ in found} >= {"read", "refused"}
