"""The demo tells the journey on one screen and leaves a whole folder."""

import json
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest

import smokecase.examination
from made_examinations import an_examination
from smokecase.cli import main
from smokecase.commands import demo
from smokecase.model_files import find_model

SCHEMA = Path(__file__).parents[2] / "models" / "diagnosis.schema.json"


@pytest.fixture
def measured(monkeypatch):
    """Measure nothing: the journey is what is tested here, the clip elsewhere."""
    name = find_model(f"{demo.CLIP}.mp4").name
    found = replace(an_examination(), clip=name)
    monkeypatch.setattr(smokecase.examination, "examine", lambda path, **words: found)
    return found


def test_it_fits_one_screen(tmp_path, measured, capsys):
    assert main(["demo", "--out", str(tmp_path / "out")]) == 0

    lines = capsys.readouterr().out.splitlines()
    assert len(lines) <= 26
    assert max(map(len, lines)) <= demo.WIDE
    shown = "\n".join(lines)
    for words in ("Invented: rough start", "58 % (52 to 64)", "truth 64 %", "What it may be",
                  "Next check", "Care: ", "no legal smoke test", "contact_sheet.png"):  # fmt: skip
        assert words in shown


def test_the_folder_holds_the_diagnosis_too(tmp_path, measured, capsys):
    main(["demo", "--out", str(tmp_path / "out")])

    folder = tmp_path / "out"
    plain = json.loads((folder / "diagnosis.json").read_text())
    jsonschema.validate(plain, json.loads(SCHEMA.read_text()))
    told = (folder / "diagnosis.txt").read_text()
    assert "What it may be" in told
    assert f"{plain['next_checks'][0]['question']}" in told
    assert "diagnosis.txt" in (folder / "README.txt").read_text()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["out"]


def test_a_folder_with_other_things_is_left_alone(tmp_path, measured, capsys):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "letter.txt").write_text("dear Odo")

    assert main(["demo", "--out", str(tmp_path / "out")]) == 4

    assert "this folder holds other things, which would be lost" in capsys.readouterr().err
    assert [p.name for p in (tmp_path / "out").iterdir()] == ["letter.txt"]
