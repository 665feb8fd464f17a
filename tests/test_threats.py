"""The page of threats names tests that are there, and what it says of the source holds."""

import ast
import re
from pathlib import Path

ROOT = Path(__file__).parents[1]
PAGE = (ROOT / "examples" / "threats.md").read_text(encoding="utf-8")
SRC = sorted((ROOT / "src").rglob("*.py"))


def test_every_defence_names_a_test_that_is_there():
    named = set(re.findall(r"`(tests/[\w/]+\.py)::(\w+)`", PAGE))

    assert len(named) > 30
    for path, name in sorted(named):
        tree = ast.parse((ROOT / path).read_text(encoding="utf-8"))
        assert name in {part.name for part in tree.body if isinstance(part, ast.FunctionDef)}, name


def test_every_way_in_has_its_test():
    section = PAGE.partition("## Ways in")[2].partition("## What remains")[0]
    rows = [line for line in section.splitlines() if line.startswith("| ")][2:]

    assert len(rows) > 15
    assert [row for row in rows if "::" not in row.split(" | ")[-1]] == []


def test_no_shell_and_no_pickle_anywhere():
    calls = [
        (path.name, node)
        for path in SRC
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call)
    ]

    assert len(calls) > 5000
    for name, call in calls:
        words = {word.arg: ast.unparse(word.value) for word in call.keywords}
        assert words.get("shell", "False") == "False", name
        assert words.get("allow_pickle", "False") == "False", name
        called = ast.unparse(call.func)
        assert not re.fullmatch(
            r"(os\.(system|popen)|eval|exec|pickle\.\w+|\w+\.extractall)", called
        )
        if called == "np.load":  # its own default may change
            assert words["allow_pickle"] == "False", name
