"""Who may import whom: the table of DEVELOPERS.md, held."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
SRC = ROOT / "src" / "smokecase"

WORDS = {"errors", "doubts", "measured", "trace", "readings"}
NO_WAIST = WORDS - {"trace", "readings"}  # for those who know nothing of what a clip gave
# room: the rooms of ours that it may import, besides its own folder
MAY = {
    "errors": set(),
    "doubts": set(),
    "measured": {"errors"},
    "model_files": {"errors"},
    "trace": {"measured", "doubts"},
    "readings": {"measured", "doubts", "errors", "trace"},
    "optics": NO_WAIST,
    "moist_gas": set(),  # how much water air and exhaust hold
    "condensation": NO_WAIST | {"moist_gas"},
    "sky": NO_WAIST,
    "video": NO_WAIST,
    "plume": WORDS | {"optics", "model_files"},
    "sound": WORDS | {"video"},
    "together": WORDS,  # smoke and sound of one clip
    "behind": WORDS | {"video", "plume", "scene", "walk"},  # what hangs behind the plume
    "pair_map": WORDS | {"plume"},
    # two stills, or one
    "pair": WORDS | {"video", "optics", "plume", "model_files", "behind", "scene", "pair_map"},
    "sample": WORDS | {"video", "optics"},  # the frames that walk 1 learns from
    "clear_view": WORDS | {"video", "plume", "sample"},  # the plate of a clip
    # walk 1: what stays
    "scene": WORDS | {"video", "optics", "plume", "model_files", "sample", "clear_view"},
    "walk": WORDS | {"video", "optics", "plume", "scene"},  # walk 2: frame after frame
    "refusal": WORDS | {"plume", "scene"},  # when there is no answer
    "plume_doubts": WORDS | {"walk"},
    "key_frames": WORDS | {"scene", "walk"},
    "examination": WORDS
    | {
        "refusal",
        "plume_doubts",
        "video",
        "optics",
        "plume",
        "sound",
        "model_files",
        "sample",
        "scene",
        "walk",
        "key_frames",
        "pair",
        "together",
        "behind",
    },
    # a clip nobody vouches for, measured in a process of its own
    "apart": WORDS | {"examination", "first_look", "optics", "video"},
    "rules": WORDS,
    # the set-up checked without smoke: the same measuring wing, no story
    "selfcheck": NO_WAIST | {"video", "optics", "plume", "behind"},
    # an examination's opacities over a known path length
    "coefficient": WORDS | {"optics"},
    "acceleration": WORDS,
    "causes": WORDS | {"condensation", "model_files"},
    "case": WORDS | {"sound"},  # two sounds are compared as two smokes are
    # the fog forecast is part of the record
    "diagnosis": WORDS | {"case", "causes", "model_files", "condensation"},
    "report": WORDS
    | {"diagnosis", "case", "rules", "acceleration", "sky", "optics", "video", "causes", "sound"}
    | {"languages"},
    # a file that was just brought, before it is measured
    "first_look": NO_WAIST | {"model_files", "optics", "video"},
    # what the doors do with a case: measure, put away, enter, report
    "casework": WORDS
    | {"examination", "case", "causes", "diagnosis", "report", "model_files"}
    | {"first_look", "languages"},
    "packing": WORDS
    | {"case", "casework", "languages", "model_files", "optics", "report", "video"},
    # texts that are put together from parts, in the reader's language
    "assembled": set(),
    # texts in the reader's language, from the catalogues in models/words/
    "languages": {"assembled", "errors", "model_files"},
    # all those texts, for translators and the tests
    "english": {"assembled", "doubts", "causes", "languages", "model_files"},
    # the page: a door like the command, with pictures to watch
    "web": WORDS
    | {
        "apart",
        "assembled",
        "languages",
        "examination",
        "first_look",
        "diagnosis",
        "case",
        "casework",
        "packing",
        "causes",
        "report",
        "rules",
        "video",
        "optics",
        "model_files",
    },
    # many clips, one table
    "batch": WORDS | {"apart", "causes", "diagnosis", "examination", "report"},
    "demo": WORDS | {"model_files"},  # its own optics table lies in models/
    "commands": None,  # any: a door
    "cli": {"errors", "commands"},
    "__init__": WORDS | {"examination", "diagnosis"},
}
# big library: the only places that may import it
FENCES = {
    "av": {
        "video/container.py",
        "video/playable.py",
        "video/write.py",
        "video/sound_copy.py",
        "video/sound_track.py",
        "demo",
    },
    # the backdrop's markers are drawn with the library that finds them
    # and light is looked up in its table: four times as quick as numpy's
    # trained with scikit-learn in models/; evaluated by plain numpy, so that nothing loads it here
    "sklearn": set(),
    "cv2": {"video", "plume", "demo", "report/backdrop.py", "optics/light.py", "sample.py"},
    "skimage": {"video", "plume", "demo"},
    "matplotlib": {
        "report/figure_style.py",
        "report/figures.py",
        "report/case_figures.py",
        "report/pdf.py",
        "report/sound_figures.py",
        "report/timeline.py",
    },
    "fpdf": {"report"},
    "sqlite3": {"case/store.py", "case/database.py", "batch/ledger.py", "case/salvage.py"},
    "fsspec": {"batch"},
    "pyarrow": {"batch"},
    "distributed": {"batch/engines.py"},
    "rich": {"commands"},
    "PIL": {"video", "report", "demo"},
    # the page's framework and the server under it
    "gradio": {"web/app.py", "web/theme.py", "web/door.py"},
    "fastapi": {"web"},
    "starlette": {"web"},
    "uvicorn": {"web"},
    "segno": {"web/one_time_code.py"},
}
# loaded inside the function that uses them, so that help and reading a case stay quick
LATE = {"matplotlib", "fpdf", "uvicorn", "segno", "pyarrow", "distributed"}

FILES = sorted(SRC.rglob("*.py"))


def imports(path):
    """(module, is at module level) of every import, those inside functions too."""
    tree = ast.parse(path.read_text())
    top = {id(node) for node in tree.body}
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((alias.name, id(node) in top) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield node.module, id(node) in top
            if node.module == "smokecase":
                yield from ((f"smokecase.{alias.name}", True) for alias in node.names)


def room(path):
    inside = path.relative_to(SRC)
    return inside.parts[0] if len(inside.parts) > 1 else inside.stem


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(SRC)))
def test_every_arrow_points_down(path):
    here = room(path)
    assert here in MAY, f"{here} is not in the table of rooms"
    ours = {m.split(".")[1] for m, _ in imports(path) if m.startswith("smokecase.")}
    ours.discard("__version__")

    if MAY[here] is not None:
        assert ours - {here} <= MAY[here]


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(SRC)))
def test_big_libraries_stay_behind_their_fence(path):
    inside = path.relative_to(SRC)
    for module, at_top in imports(path):
        library = module.split(".")[0]
        if library in FENCES:
            allowed = FENCES[library]
            assert str(inside) in allowed or room(path) in allowed, f"{library} in {inside}"
        if library in LATE:
            assert not at_top, f"{library} must load inside the function that uses it"


def in_words(room):
    """A row of the table in DEVELOPERS.md."""
    may = MAY[room]
    if may is None:
        return f"| `{room}` | any |"
    parts = [*(["words"] if may >= WORDS else []), *(f"`{n}`" for n in sorted(may - WORDS))]
    if not may >= WORDS:
        parts = [f"`{n}`" for n in sorted(may & WORDS)] + parts
    return f"| `{room}` | {', '.join(parts) or 'nothing'} |"


def test_the_table_in_the_contributors_guide_is_this_one():
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    part = guide.split("## Who may import whom")[1].split("\n## ")[0]
    rows = [line for line in part.splitlines() if line.startswith("| `")]

    assert rows == [in_words(name) for name in MAY]
    assert set(MAY) == {room(path) for path in FILES}


def test_the_guide_names_every_file():
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for path in FILES:
        name = str(path.relative_to(SRC))
        if path.name != "__init__.py":
            assert f"`{name}`" in guide, name


def test_a_folders_own_file_is_one_sentence():
    for path in FILES:
        if path.name == "__init__.py" and path.parent != SRC:
            body = ast.parse(path.read_text()).body
            assert len(body) == 1, path


def test_no_cycles_between_files():
    graph = {}
    for path in FILES:
        name = ".".join(("smokecase", *path.relative_to(SRC).with_suffix("").parts))
        graph[name] = {m for m, _ in imports(path) if m.startswith("smokecase.")}

    def visit(name, trail):
        assert name not in trail, " -> ".join([*trail, name])
        for other in graph.get(name, ()):
            visit(other, [*trail, name])

    for name in graph:
        if name not in {"smokecase.__init__"}:
            visit(name, [])
