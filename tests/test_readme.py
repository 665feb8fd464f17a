"""The README says what the program does: every command, option, exit code, column and doubt."""

import argparse
import json
import re
import tomllib
from pathlib import Path

import pytest

import smokecase
from made_examinations import an_examination
from smokecase import cli
from smokecase.causes.answers_file import read_answers
from smokecase.causes.knowledge_file import standard_knowledge
from smokecase.doubts import DOUBTS
from smokecase.readings import SCREENING
from smokecase.report.film_guide import FILM_GUIDE
from smokecase.report.folder import CONTENTS

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
FLAT = " ".join(README.split())
COMMANDS = list(cli.COMMANDS)


def parsers(parser, name):
    """A command's own parser, and those of the words below it."""
    yield name, parser
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for word, inner in action.choices.items():
                yield from parsers(inner, f"{name} {word}")


def parser_of(command):
    whole = cli._parser([command])
    below = next(a for a in whole._actions if isinstance(a, argparse._SubParsersAction))
    return below.choices[command]


def part_of_the_readme(command):
    """What the README says of one command, up to the next."""
    found = re.search(rf"^\*\*`smokecase {command}[ `].*?(?=^\*\*`smokecase |^Exit codes)", README,
                      re.S | re.M)  # fmt: skip
    assert found, f"the README has no part on smokecase {command}"
    return found.group()


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_stands_there_with_every_option(command):
    words = part_of_the_readme(command)
    for name, parser in parsers(parser_of(command), command):
        for word in name.split()[1:]:
            assert f"`{word} " in words or f"`{word}`" in words, f"{name} is missing"
        for action in parser._actions:
            for option in action.option_strings:
                if option not in ("-h", "--help"):
                    assert re.search(rf"`{option}[ `]", words), f"{name}: {option} is missing"


@pytest.mark.parametrize("command", COMMANDS)
def test_no_option_stands_there_that_the_command_does_not_have(command):
    known = {
        option
        for _, parser in parsers(parser_of(command), command)
        for action in parser._actions
        for option in action.option_strings
    }

    assert set(re.findall(r"`(--[a-z-]+)", part_of_the_readme(command))) <= known


def test_no_command_stands_there_that_is_not_known():
    assert set(re.findall(r"(?:`|^)smokecase ([a-z]+)", README, re.M)) <= set(COMMANDS)


def test_exit_codes_are_those_of_the_help():
    told = re.findall(r"^ +(\d+) +(.+)$", cli.EXIT_CODES, re.M)

    assert re.findall(r"^\| `(\d+)` \| (.+) \|$", README, re.M) == told
    codes = {str(error.exit_code) for error in _errors(smokecase.SmokecaseError)}
    assert codes <= {code for code, _ in told}


def _errors(kind):
    for error in kind.__subclasses__():
        yield error
        yield from _errors(error)


def test_the_table_of_doubts_is_that_of_the_program():
    rows = re.findall(r"^\| `(\w+)` \| (.+) \| (.+) \|$", README.split("## Doubts")[1], re.M)

    assert rows == [(d.name, d.words, d.remedy) for d in DOUBTS.values()]


def test_the_film_guide_is_that_of_the_program():
    for line in FILM_GUIDE.splitlines()[1:]:
        assert line in README


def test_every_column_of_the_readings_is_told():
    for name in an_examination().to_table()[0]:
        if not re.search(r"_(green|blue)$", name):
            assert f"`{name}`" in README, name


def test_every_file_of_the_folder_is_told():
    for name in CONTENTS:
        assert f"`{name}`" in README, name


def test_the_names_that_other_programs_build_on_are_told():
    schema = json.loads((ROOT / "models" / "summary.schema.json").read_text())
    names = ["refused", "exit_px", "diameter_px", "section_px", "timing", "colour", "colour_open",
             "colour_word", "doubts", *schema["properties"]["timing"]["properties"]]  # fmt: skip
    for name in names:
        if name not in ("peak_pct", "settled_pct", "u_puff_hz"):
            assert f"`{name}`" in README, name


def test_the_answers_file_shown_can_be_read(tmp_path):
    shown = re.search(r"```toml\n(.+?)```", README, re.S).group(1)
    (tmp_path / "owner.toml").write_text(shown)

    statement = read_answers(tmp_path / "owner.toml", standard_knowledge())

    assert set(tomllib.loads(shown)) == {"engine", "weather", "answers", "results", "clips",
                                         "costs"}  # fmt: skip
    assert statement.engine == {"fuel": "diesel", "installation": "tractor", "turbo": "no"}


def test_the_words_for_the_shell_are_understood(capsys):
    words = re.search(r"`(smokecase diagnose --answer [^`]+)`", README).group(1).split()[1:]

    assert cli.main(words) == 0
    assert SCREENING in capsys.readouterr().out


def test_public_names_are_told():
    for name in smokecase.__all__:
        assert f"`{name}`" in README


def test_the_screening_note_stands_before_the_first_command():
    head = README.split("make demo")[0]

    assert "screening evidence" in head
    assert "no legal" in head.replace("> ", "").replace("\n", " ")


def test_links_lead_to_files_of_the_clone():
    for page in ("README.md", "DEVELOPERS.md"):
        for target in re.findall(r"\]\(([^)#:]+)\)", (ROOT / page).read_text(encoding="utf-8")):
            assert (ROOT / target).exists(), f"{page}: {target}"


def test_two_commands_for_a_fresh_machine_and_the_packages_it_needs():
    first_block = re.search(r"```\n(.+?)```", README, re.S).group(1)
    makefile = (ROOT / "Makefile").read_text()

    assert first_block.split("\n") == ["make demo", "make test", ""]
    packages = "make python3-venv libgl1 libxcb1 libglib2.0-0"
    assert packages in FLAT
    for package in packages.split():
        assert package in makefile
