"""Every English text that a reader of page and papers can meet, by where it stands.

The texts of page and papers are the first words of each ``say("...")`` and ``text("...")`` in
`web/`, `report/` and `packing.py`; the rest stands in `doubts.py`, in the knowledge files, and at
the places that `SPOKEN` names. Texts that are put together from parts stand as templates with
numbered gaps: those that `TOLD` and `ERRORS` name. A translator works from this list.
"""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

from smokecase.assembled import AROUND
from smokecase.causes.knowledge_file import standard_knowledge
from smokecase.doubts import DOUBTS
from smokecase.languages import read_catalogue
from smokecase.model_files import find_model

HERE = Path(__file__).parent
PAGE, PAPERS = "web/**/*.py", ("report/*.py", "packing.py")
# texts of other rooms that the page says: file, and what they are assigned to, are the first word
# of when it is called, or come back from
SPOKEN = {
    "readings.py": {"SCREENING"},
    "casework.py": {"OF_ENGINE"},
    "causes/verdict.py": {"CAUTIONS", "FORBIDS"},
    "causes/weigh.py": {"steps", "word"},
    "causes/next_check.py": {"_cure"},
    "diagnosis.py": {"append"},
    "case/record.py": {"LOADS", "LIGHTS", "ROLES"},
    "case/compare.py": {"name"},
    "case/alongside.py": {"SOUNDS"},
    "case/conditions.py": {
        "_near",
        "_ratio",
        "_same",
        "_told",
        "_untold",
        "against",
        "name",
        "words",
    },
    "web/paperwork.py": {"words"},
    "web/markup.py": {"HERE"},
}
# functions whose sentences are put together from parts; None: all of the file
TOLD: dict[str, set[str] | None] = {
    "report/story.py": {
        "tell_story", "tell_colour", "_of_a_picture", "_of_the_map", "_of_a_clip", "_limit",
        "_densest", "tell_no_onset",
        "_started", "_fall", "_seen", "_apart", "_why", "with_bounds",
    },
    "sound/words.py": None,
    "sound/listening.py": {"listen_to", "_nothing"},
    "sound/hearing.py": {"hear_engine"},
    "sound/engine.py": {"find_engine"},
    "sound/running.py": {"find_running", "_judge"},
    "causes/seen.py": None,
    "causes/witness.py": {"_amount"},
    "diagnosis.py": {"_notes"},
    "condensation.py": {"__str__", "_metres"},
    "case/compare.py": None,
    "case/conditions.py": None,
    "case/alongside.py": None,
    "case/judgement.py": None,
    "case/record.py": {"__str__"},
    "sky.py": {"__str__"},
    "acceleration.py": {
        "_preliminary", "_spread", "_within_band", "_not_falling", "_pauses",
    },
}  # fmt: skip
# where the errors come from that a visitor of the page can meet
ERRORS = (
    "apart/caller.py", "apart/clips.py", "apart/looks.py", "case/database.py", "case/record.py",
    "case/shelves.py", "case/store.py", "casework.py", "causes/units.py", "causes/witness.py",
    "clear_view.py", "diagnosis.py", "examination.py", "first_look.py", "packing.py", "pair.py",
    "report/assemble.py", "report/backdrop.py", "report/key_pictures.py", "sample.py",
    "sound/listening.py", "video/clip.py", "video/container.py",
    "video/mask.py", "video/sound_track.py", "video/stills.py", "video/write.py", "web/acts.py",
    "web/desk.py", "web/paperwork.py", "web/uploads.py", "web/watch.py",
)  # fmt: skip
# rooms that tell how far long work is
WORKING = ("*.py", "case/*.py", "plume/*.py", "report/*.py", "sound/*.py", "video/*.py", "web/*.py")
# what only values are put into
PIECES = (
    "{1} % ({2} to {3})", "{1} ({2} to {3})", "open", "or", "and", "black {1} %", "blue {1} %",
    "white {1} %", "no smoke {1} %", "{1} % opacity", "{1} squares of pipe widths",
    "case \"{1}\"", "entry {1}", "page", "backdrop", "first", "second", "neither clip", "heard",
    "seen", "more", "less", "longer", "shorter", "faster", "slower", "larger", "smaller", "has",
    "is", "cranking time", "run-up time", "idle speed", "uneven firing", "speed variation",
    "{1} more", "{1} less", "first {1} s after the start", "whole common time",
    "last third of the common time", "whole of the two pictures", "grey",
    "(corrects entry {1})", "report of {1}", "undone at the page", "measuring",
    "corrects", "replaces", "north", "north-east", "east", "south-east", "south", "south-west",
    "west", "north-west", "first view", "before the smoke", "first smoke",
    "with smoke", "the picture", "clips measured with smokecase",
)  # fmt: skip
SAYING = {"say", "text", "words"}  # `words` where a function says all its texts in one language
SECTIONS = (
    "page", "spoken", "doubts", "engine", "questions", "checks", "causes", "stops", "told",
    "working", "errors", "papers",
)  # fmt: skip


def english_texts() -> dict[str, dict[str, None]]:
    """All texts by section, in the order in which they stand; each counts once."""
    found: dict[str, dict[str, None]] = {}
    seen: set[str] = set()
    makers = (_page, _spoken, _doubts, _engine, _questions, _checks, _causes, _stops, _told,
              _working, _errors, _papers)  # fmt: skip
    for section, maker in zip(SECTIONS, makers, strict=True):
        mine = found.setdefault(section, {})
        for english in maker():
            if english and english not in seen:
                seen.add(english)
                mine[english] = None
    return found


def untranslated(language: str) -> dict[str, list[str]]:
    """Texts that a language's catalogue lacks, by section."""
    known = _said(language)
    return {
        section: [english for english in texts if english not in known]
        for section, texts in english_texts().items()
    }


def obsolete(language: str) -> list[str]:
    """English texts of a catalogue that stand nowhere any more."""
    current = {english for texts in english_texts().values() for english in texts}
    return [english for english in _said(language) if english not in current]


def _said(language: str) -> dict[str, str]:
    sections = read_catalogue(find_model(f"words/{language}.toml"))
    return {english: said for texts in sections.values() for english, said in texts.items()}


def _page() -> Iterator[str]:
    yield from _said_in(PAGE)


def _papers() -> Iterator[str]:
    for pattern in PAPERS:
        yield from _said_in(pattern)


def _said_in(pattern: str) -> Iterator[str]:
    for path in sorted(HERE.glob(pattern)):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            if (
                isinstance(node, ast.Call)
                and node.args
                and _called(node) in ("say", "text", "words")
            ):
                first = node.args[0]
                if isinstance(first, ast.Constant) and isinstance(first.value, str):
                    yield first.value


def _spoken() -> Iterator[str]:
    for file, names in SPOKEN.items():
        for node in ast.walk(ast.parse((HERE / file).read_text(encoding="utf-8"))):
            match node:
                case ast.Assign(targets=[ast.Name(id=name)], value=value) if name in names:
                    yield from _constants(value)
                case ast.Call(args=[ast.Constant(value=str(english)), *_]) if (
                    _called(node) in names
                ):
                    yield english
                case ast.FunctionDef(name=name, body=body) if name in names:
                    for inner in (n for part in body for n in ast.walk(part)):
                        match inner:
                            case ast.Return(value=ast.Constant(value=str(english))):
                                yield english


def _constants(node: ast.expr) -> Iterator[str]:
    """Every text in an expression; of a table only what stands on the right."""
    match node:
        case ast.Constant(value=str(english)):
            yield english
        case ast.Dict(values=values):
            for value in values:
                yield from _constants(value)
        case ast.JoinedStr():
            return
        case _:
            for inner in ast.iter_child_nodes(node):
                if isinstance(inner, ast.expr):
                    yield from _constants(inner)


def _called(node: ast.Call) -> str:
    match node.func:
        case ast.Name(id=name) | ast.Attribute(attr=name):
            return name
    return ""


def _doubts() -> Iterator[str]:
    for doubt in DOUBTS.values():
        yield doubt.words
        yield doubt.remedy


def _engine() -> Iterator[str]:
    knowledge = standard_knowledge()
    for context in knowledge.contexts.values():
        yield context.question
        yield from context.words
    for part in knowledge.parts.values():
        yield part.question


def _asked(kind: tuple[str, ...]) -> Iterator[str]:
    for question in standard_knowledge().questions.values():
        if question.kind in kind:
            yield from (question.question, question.why, question.how, *question.words)
            if question.bench is not None:
                yield from (question.bench.tools, question.bench.caution)


def _questions() -> Iterator[str]:
    yield from _asked(("question", "measured"))


def _checks() -> Iterator[str]:
    yield from _asked(("check",))


def _causes() -> Iterator[str]:
    knowledge = standard_knowledge()
    for family in knowledge.families.values():
        yield from (family.title, family.smoke)
    for cause in knowledge.causes.values():
        yield from (cause.title, cause.cure)


def _stops() -> Iterator[str]:
    knowledge = standard_knowledge()
    for stop in knowledge.stops:
        yield from (stop.words, stop.reason, stop.remedy)
    for contradiction in knowledge.contradictions:
        yield contradiction.words


def _told() -> Iterator[str]:
    """Sentences that are put together, as templates; first what stands between and around."""
    yield from PIECES
    for file, names in TOLD.items():
        for node in ast.walk(_tree(HERE / file)):
            if isinstance(node, ast.FunctionDef) and (names is None or node.name in names):
                for part in _without_docstring(node):
                    yield from _texts(part)


def _working() -> Iterator[str]:
    """Take what long work says of itself: the second word of each ``tell(share, words)``."""
    for path in sorted(path for pattern in WORKING for path in HERE.glob(pattern)):
        for node in ast.walk(_tree(path)):
            if isinstance(node, ast.Call) and _called(node) in ("tell", "told"):
                for words in node.args[1:2]:
                    yield from _texts(words)


def _errors() -> Iterator[str]:
    for file in ERRORS:
        for node in ast.walk(_tree(HERE / file)):
            match node:
                case ast.Assign(
                    targets=[
                        ast.Name(
                            id="what" | "remedy" | "OTHER_FORM" | "ORIGINAL" | "CONVERT" | "AGAIN"
                        )
                    ],
                    value=value,
                ):
                    yield from _texts(value)
                case ast.AugAssign(target=ast.Name(id="what" | "remedy"), value=value):
                    yield from _texts(value)
                case ast.Call(args=[first, *_]) if _called(node).endswith("Error"):
                    yield from _texts(first)
                case ast.Call(args=[_, *words]) if _called(node) == "clip_error":
                    for text in words:
                        yield from _texts(text)
                case ast.keyword(arg="remedy", value=value):
                    yield from _texts(value)


def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def _without_docstring(node: ast.FunctionDef) -> list[ast.stmt]:
    return node.body[1:] if ast.get_docstring(node) is not None else node.body


def _texts(node: ast.AST) -> Iterator[str]:
    """Texts and templates of several words in a piece of the program."""
    match node:
        case ast.JoinedStr(values=values):
            gaps = iter(range(1, len(values) + 1))
            made = "".join(
                str(v.value) if isinstance(v, ast.Constant) else f"{{{next(gaps)}}}" for v in values
            )
            if _is_text(made):
                yield made.strip(AROUND)
            for gap in values:
                if isinstance(gap, ast.FormattedValue):
                    yield from _texts(gap.value)
        case ast.Constant(value=str(english)):
            if _is_text(english):
                yield english.strip(AROUND)
        case _:
            for inner in ast.iter_child_nodes(node):
                yield from _texts(inner)


def _is_text(english: str) -> bool:
    """Whether it is meant to be read: a word and something beside it."""
    return bool(re.search(r"[A-Za-z]{2}", english) and re.search(r"\s|\{\d\}", english.strip()))
