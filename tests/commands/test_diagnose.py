"""`smokecase diagnose` and `smokecase knowledge` as typed."""
# ruff: noqa: E501 (tables of cases and finished messages stand one a line)

import io
import json
import sys
from pathlib import Path

import pytest

from made_examinations import an_examination
from smokecase.cli import main
from smokecase.report.folder import write_folder


def run(capsys, *words):
    code = main(list(words))
    captured = capsys.readouterr()
    return code, captured.out, captured.err


def test_answers_on_the_command_line(capsys):
    code, out, _ = run(capsys, "diagnose", "--answer", "fuel=diesel", "--answer", "smoke_colour=black",
                       "--result", "air_filter_look=blocked")  # fmt: skip

    assert code == 0
    assert "too much fuel or too little air" in out.splitlines()[1]


def test_several_states_with_commas(capsys):
    code, out, _ = run(capsys, "diagnose", "--answer", "smoke_when=load,acceleration", "--json")

    told = json.loads(out)["findings"][0]
    assert code == 0
    assert sum(x == 1 for x in told["likelihood"]) == 2


def test_numbers_with_commas_are_one_result(capsys):
    code, out, _ = run(
        capsys,
        "diagnose",
        "--answer",
        "fuel=diesel",
        "--result",
        "compression=28,27,19,28 bar",
        "--json",
    )

    assert code == 0
    assert json.loads(out)["findings"][0]["told"].startswith("28,27,19,28 bar: one or two low")


def test_folders_and_an_answers_file(capsys, tmp_path):
    write_folder(an_examination(), tmp_path / "yard")
    (tmp_path / "owner.toml").write_text(
        '[answers]\npower = "down"\n[clips]\n"yard.mp4" = "load"\n'
    )

    code, out, _ = run(
        capsys,
        "diagnose",
        str(tmp_path / "yard"),
        "--answers",
        str(tmp_path / "owner.toml"),
        "--json",
    )

    plain = json.loads(out)
    assert code == 0
    assert {f["source"] for f in plain["findings"]} == {"answer", "clip"}
    assert plain["families"][0]["name"] == "overfuelling"


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--answer", "smoke_colour"], 'smokecase: --answer: "smoke_colour" has no value; write NAME=VALUE without blanks at =.\n'),
        (["--answer", "smoke_colour=whte"], 'smokecase: smoke_colour: "whte" is no answer to "smoke_colour"; did you mean "white".\n'),
        (["--result", "egr_vacuum_hold=5"], 'smokecase: egr_vacuum_hold: "5" has no unit; add the unit, for example "5 bar".\n'),
    ],
)  # fmt: skip
def test_what_wrong_words_get(capsys, words, message):
    code, out, err = run(capsys, "diagnose", *words)

    assert (code, out, err) == (5, "", message)


def test_a_folder_that_is_none(capsys, tmp_path):
    code, _, err = run(capsys, "diagnose", str(tmp_path))

    assert code in {3, 4, 5}
    assert err.count("\n") == 1
    assert "Traceback" not in err


def test_asking_one_by_one(capsys, monkeypatch):
    monkeypatch.setattr(sys, "stdin", io.StringIO("1\n\nq\n"))

    code, out, err = run(capsys, "diagnose", "--answer", "fuel=diesel", "--ask")

    assert code == 0
    assert "Enter for don't know" in err
    assert err.count("> ") == 3
    assert out.startswith("What it may be")


def test_knowledge_lists_everything(capsys):
    code, out, _ = run(capsys, "knowledge")

    assert code == 0
    for name in (
        "boost_leak",
        "smoke_colour",
        "egr_vacuum_hold",
        "installation",
        "rising_oil_level",
        "temperature",
    ):
        assert name in out


@pytest.mark.parametrize(
    "name", ["boost_leak", "smoke_colour", "compression", "oil", "fuel", "checks"]
)
def test_knowledge_explains_any_one(capsys, name):
    code, out, _ = run(capsys, "knowledge", name)

    assert code == 0
    assert name in out or name == "checks"


def test_knowledge_offers_the_nearest_name(capsys):
    code, _, err = run(capsys, "knowledge", "boost_leek")

    assert code == 5
    assert (
        err
        == 'smokecase: knowledge: nothing has the name "boost_leek"; did you mean "boost_leak".\n'
    )


def test_the_example_of_an_answers_file_runs(capsys):
    example = Path(__file__).parents[2] / "examples" / "answers.toml"

    code, out, _ = run(capsys, "diagnose", "--answers", str(example))

    assert code == 0
    assert "Worth saving?" in out
    assert "Harmless fog: " in out
