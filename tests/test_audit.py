"""The audit fails on a finding, and never takes silence for soundness."""

import importlib.util
from pathlib import Path
from subprocess import CompletedProcess

import pytest

PATH = Path(__file__).parents[1] / ".ci" / "audit.py"


@pytest.fixture
def audit(monkeypatch):
    spec = importlib.util.spec_from_file_location("audit", PATH)
    found = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(found)
    monkeypatch.setattr(found.venv, "create", lambda folder, with_pip: None)
    monkeypatch.setattr(found, "run", lambda *words: CompletedProcess(words, 0, "all fits", ""))
    return found


def test_a_known_weakness_fails(audit, monkeypatch, capsys):
    monkeypatch.setattr(audit, "audited", lambda *_: {"one": [], "two": ["CVE-2031-1"]})

    assert audit.main() == 1
    assert "WEAK: two: CVE-2031-1; take a version that mends it" in capsys.readouterr().out


def test_no_weakness_among_what_was_asked_passes_and_counts_the_rest(audit, monkeypatch, capsys):
    monkeypatch.setattr(audit, "audited", lambda *_: {"one": []})

    assert audit.main() == 0
    assert "1 packages asked about" in capsys.readouterr().out


def test_what_could_not_be_asked_is_said(audit, monkeypatch, capsys):
    monkeypatch.setattr(audit, "audited", lambda *_: None)

    assert audit.main() == 0
    assert "NOT AUDITED for known weaknesses" in capsys.readouterr().out


def test_packages_that_do_not_fit_fail(audit, monkeypatch):
    monkeypatch.setattr(audit, "audited", lambda *_: {"one": []})
    monkeypatch.setattr(
        audit, "run", lambda *words: CompletedProcess(words, "check" in words, "", "")
    )

    assert audit.main() == 1


def test_a_tool_that_skipped_every_package_is_no_audit(audit, monkeypatch, tmp_path):
    told = '{"dependencies": [{"name": "one", "skip_reason": "not found"}]}'
    monkeypatch.setattr(audit, "run", lambda *words: (tmp_path / "o").write_text(told))
    monkeypatch.setattr(audit.sys, "path", ["/x/site-packages"])

    assert audit.audited(Path("tool"), "pypi", tmp_path / "o") is None
