"""Every script in examples/ runs, or stands here with the reason why it is run by hand."""

import importlib
import runpy
import sys
from pathlib import Path

import pytest

import smokecase

EXAMPLES = Path(__file__).parents[1] / "examples"

# script: why it is run by hand; what it does is tested where it says
BY_HAND = {
    "demo.py": "writes the README's pictures; tests/commands/test_demo.py runs the demo",
    "press_engine_case.py": "measures three clips, a minute or two; tests/case and "
    "tests/report hold its steps on made readings",
    "backdrop.py": "writes pictures into the repository; tests/report/test_backdrop.py makes "
    "the same sheets",
}
SCRIPTS = sorted(p.name for p in EXAMPLES.glob("*.py"))


def test_scripts_run_by_hand_are_there():
    assert set(BY_HAND) <= set(SCRIPTS)


@pytest.mark.parametrize("name", [n for n in SCRIPTS if n not in BY_HAND])
def test_it_runs_and_prints(name, capsys, monkeypatch):
    monkeypatch.setattr(sys, "argv", [name])

    runpy.run_path(str(EXAMPLES / name), run_name="__main__")

    assert capsys.readouterr().out.strip()


@pytest.mark.parametrize("name", sorted(BY_HAND))
def test_what_is_run_by_hand_can_at_least_be_read(name):
    assert callable(runpy.run_path(str(EXAMPLES / name))["main" if "case" not in name else "build"])


def test_public_names_are_those_that_can_be_had():
    assert smokecase.__all__ == sorted(smokecase.__all__)
    for name in smokecase.__all__:
        room = importlib.import_module(getattr(smokecase, name).__module__)
        assert getattr(room, name) is getattr(smokecase, name)
    assert {n for n in dir(smokecase) if not n.startswith("_")} == set(smokecase.__all__)
    with pytest.raises(AttributeError, match="no attribute 'exhaust'"):
        smokecase.exhaust  # noqa: B018 - asking for it is the test
