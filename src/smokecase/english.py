"""Every English text that a reader of the page can meet, by where it stands.

The page's own texts are the first words of each ``say("...")`` and ``text("...")`` in `web/`; the
rest stands in `doubts.py`, in the knowledge files, and at the places that `SPOKEN` names. A
translator works from this list.
"""

import ast
from collections.abc import Iterator
from pathlib import Path

from smokecase.causes.knowledge_file import standard_knowledge
from smokecase.doubts import DOUBTS
from smokecase.languages import read_catalogue
from smokecase.model_files import find_model

HERE = Path(__file__).parent
PAGE = HERE / "web"
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
SAYING = {"say", "text", "words"}  # `words` where a function says all its texts in one language
SECTIONS = ("page", "spoken", "doubts", "engine", "questions", "checks", "causes", "stops")


def english_texts() -> dict[str, dict[str, None]]:
    """All texts by section, in the order in which they stand; each counts once."""
    found: dict[str, dict[str, None]] = {}
    seen: set[str] = set()
    makers = (_page, _spoken, _doubts, _engine, _questions, _checks, _causes, _stops)
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
    for path in sorted(PAGE.rglob("*.py")):
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
