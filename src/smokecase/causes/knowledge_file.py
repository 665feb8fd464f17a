"""Reads `models/knowledge/` and refuses what cannot be, naming file, line and remedy."""

import hashlib
import re
import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

from smokecase.causes.block import Block
from smokecase.causes.knowledge import (
    Cause,
    Context,
    Contradiction,
    Family,
    Knowledge,
    Part,
    Question,
    Stop,
)
from smokecase.causes.question_block import to_question
from smokecase.errors import KnowledgeError
from smokecase.model_files import find_model

FILES = ("engine.toml", "causes.toml", "questions.toml", "checks.toml", "stops.toml")
VERSION = 1


@cache
def standard_knowledge() -> Knowledge:
    """Return the knowledge that comes with smokecase."""
    return read_knowledge(find_model(f"knowledge/{FILES[0]}").parent)


def read_knowledge(folder: Path) -> Knowledge:
    """Read and check the knowledge files of one folder.

    Raises
    ------
    KnowledgeError
        If a file is missing, is no TOML, lacks an origin, names what is not there, holds a
        probability outside 0 to 1, or lets checks or causes go in a circle.
    """
    blocks, digest = _read_blocks(folder)
    contexts = _named(blocks["context"], _context)
    parts = _named(blocks["part"], _part)
    families = _named(blocks["family"], _family)
    causes = _named(blocks["cause"], _cause)
    _check_causes(blocks["cause"], causes, families, contexts, parts)
    asked = [*blocks["question"], *blocks["measured"], *blocks["check"]]
    questions = _named(asked, lambda block: to_question(block, causes, families, contexts, parts))
    for block in asked:
        _check_links(block, questions, causes)
    return Knowledge(
        families=families,
        causes=causes,
        questions=questions,
        contexts=contexts,
        parts=parts,
        stops=tuple(_made(block, lambda b: _stop(b, questions)) for block in blocks["stop"]),
        contradictions=tuple(
            _made(
                block, lambda b: Contradiction(when=_when(b, questions), words=b.take("words", str))
            )
            for block in blocks["contradiction"]
        ),
        fingerprint=digest,
    )


def without_source(knowledge: Knowledge, source: str) -> Knowledge:
    """Leave out every cause and every row of chances that rests on one source alone.

    A row whose origin also names common practice or another source stays; where nothing rests on
    the source alone, the knowledge itself comes back.
    """
    causes = {name: c for name, c in knowledge.causes.items() if c.origin.strip() != source}
    questions = {
        name: replace(
            question,
            given={
                cause: row
                for cause, row in question.given.items()
                if cause in causes and question.origin_of(knowledge.causes[cause]).strip() != source
            },
        )
        for name, question in knowledge.questions.items()
    }
    rows = [sum(len(q.given) for q in each.values()) for each in (questions, knowledge.questions)]
    if len(causes) == len(knowledge.causes) and rows[0] == rows[1]:
        return knowledge
    return replace(knowledge, causes=causes, questions=questions, cache={})


def _read_blocks(folder: Path) -> tuple[dict[str, list[Block]], str]:
    tables = ("context", "part", "family", "cause", "question", "measured", "check", "stop")
    blocks: dict[str, list[Block]] = {name: [] for name in (*tables, "contradiction")}
    digest = hashlib.sha256()
    for name in FILES:
        path = folder / name
        try:
            text = path.read_text(encoding="utf-8")
            plain = tomllib.loads(text)
        except FileNotFoundError:
            what = "this knowledge file is missing"
            raise KnowledgeError(what, where=name, remedy="install smokecase again") from None
        except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
            what = f"this is no TOML ({error})"
            raise KnowledgeError(what, where=name, remedy="mend the line it names") from None
        digest.update(text.encode())
        if plain.pop("version", None) != VERSION:
            what = f"its version is not {VERSION}"
            remedy = "use the files that came with this smokecase"
            raise KnowledgeError(what, where=name, remedy=remedy)
        for table, entries in plain.items():
            if table not in blocks or not isinstance(entries, list):
                what = f'the table "{table}" is not known'
                raise KnowledgeError(what, where=name, remedy=f"use one of {', '.join(blocks)}")
            blocks[table] += [Block(path, text, table, i, e) for i, e in enumerate(entries)]
    return blocks, digest.hexdigest()


def _named(blocks: Iterable[Block], make: Callable[[Block], Any]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for block in blocks:
        name = block.take("name", str)
        if not re.fullmatch(r"[a-z][a-z0-9_]*", name):
            msg = f'the name "{name}" is not plain'
            raise block.fail(msg, "use small letters and _", "name")
        if name in found:
            msg = f'the name "{name}" is there twice'
            raise block.fail(msg, "rename one of them", "name")
        found[name] = _made(block, make)
    return found


def _made(block: Block, make: Callable[[Block], Any]) -> Any:
    """Make a record of a block; a value that no check foresaw is named by its place too."""
    try:
        return make(block)
    except (LookupError, TypeError, ValueError, AttributeError, ArithmeticError) as error:
        what = f"a value in this [[{block.table}]] is of the wrong kind ({str(error)[:200]})"
        raise block.fail(what, "see the file's head") from error


def _context(block: Block) -> Context:
    states = block.take("states", dict)
    shares = tuple(float(s) for s in block.take("shares", list))
    if len(shares) != len(states) or abs(sum(shares) - 1) > 1e-9:
        msg = "shares do not sum to 1 over the states"
        raise block.fail(msg, "mend them", "shares")
    return Context(
        name=block.take("name", str),
        question=block.take("question", str),
        states=tuple(states),
        words=tuple(states.values()),
        shares=shares,
        origin=block.origin(),
    )


def _part(block: Block) -> Part:
    return Part(
        name=block.take("name", str),
        question=block.take("question", str),
        fitted=_shares(block, "fitted"),
        origin=block.origin(),
    )


def _family(block: Block) -> Family:
    return Family(**{key: block.take(key, str) for key in ("name", "title", "smoke")})


def _shares(block: Block, key: str, default: Any = None) -> dict[str, float]:
    shares = block.take(key, dict, default)
    for name, share in shares.items():
        if not isinstance(share, (int, float)) or not 0 <= share <= 1:
            what = f"{key} of {name} is {share}, which is no probability"
            raise block.fail(what, "use a number from 0 to 1", key)
    return {name: float(share) for name, share in shares.items()}


def _range(block: Block, key: str) -> tuple[float, float]:
    pair = block.take(key, list)
    if len(pair) != 2 or not 0 <= pair[0] <= pair[1]:
        msg = f"{key} = {pair} is no range"
        raise block.fail(msg, "write [from, to]", key)
    return float(pair[0]), float(pair[1])


def _cause(block: Block) -> Cause:
    times = {k: float(v) for k, v in block.take("times", dict, {}).items()}
    return Cause(
        name=block.take("name", str),
        title=block.take("title", str),
        family=block.take("family", str),
        prior=_shares(block, "prior"),
        times=times,
        needs=block.words("needs"),
        excludes=block.words("excludes"),
        harmless=block.take("harmless", bool, False),
        spread=block.number("spread", 1, 10, 2.0),
        shows=block.number("shows", 0.001, 10, 1.0),
        hours=_range(block, "hours"),
        parts=_range(block, "parts"),
        ruin=block.number("ruin", 0, 1, 0.0 if block.plain.get("harmless") else 0.02),
        with_engine=block.take("with_engine", bool, True),
        cure=block.take("cure", str),
        leads_to=_shares(block, "leads_to", {}),
        origin=block.origin(),
    )


def _check_causes(
    blocks: list[Block],
    causes: Mapping[str, Cause],
    families: Mapping[str, Family],
    contexts: Mapping[str, Context],
    parts: Mapping[str, Part],
) -> None:
    for block, cause in zip(blocks, causes.values(), strict=True):
        if cause.family not in families:
            what = f'cause "{cause.name}" names the family "{cause.family}", which is not listed'
            raise block.fail(what, "add the family or mend the name", "family")
        known = (
            ("leads_to", cause.leads_to, causes),
            ("excludes", cause.excludes, causes),
            ("needs", cause.needs, parts),
            ("prior", cause.prior, contexts["fuel"].states),
            ("times", cause.times, contexts["installation"].states),
        )
        for key, names, allowed in known:
            for name in names:
                if name not in allowed:
                    what = f'{key} of "{cause.name}" names "{name}", which is not listed'
                    raise block.fail(what, "add it or mend the name", key)
    circle = _circle({name: tuple(cause.leads_to) for name, cause in causes.items()})
    if circle:
        block = next(b for b in blocks if b.plain["name"] == circle[0])
        what = "causes lead to each other in a circle: " + " -> ".join(circle)
        raise block.fail(what, "take one of the arrows out", "leads_to")


def _circle(arrows: Mapping[str, tuple[str, ...]]) -> list[str]:
    """Find a circle in a graph, or nothing."""

    def visit(name: str, trail: list[str]) -> list[str]:
        if name in trail:
            return [*trail[trail.index(name) :], name]
        for other in arrows.get(name, ()):
            found = visit(other, [*trail, name])
            if found:
                return found
        return []

    return next((found for name in arrows if (found := visit(name, []))), [])


def _check_links(
    block: Block, questions: Mapping[str, Question], causes: Mapping[str, Cause]
) -> None:
    question = questions[block.plain["name"]]
    bench = question.bench
    for key, names, allowed in (
        ("instead_of", question.instead_of, questions),
        ("after", bench.after if bench else (), questions),
        ("settles", bench.settles if bench else (), causes),
    ):
        for name in names:
            if name not in allowed:
                what = f'{key} of "{question.name}" names "{name}", which is not listed'
                raise block.fail(what, "add it or mend the name", key)
    if bench:
        circle = _circle({q.name: q.bench.after for q in questions.values() if q.bench})
        if question.name in circle:
            what = "checks wait for each other in a circle: " + " -> ".join(circle)
            raise block.fail(what, "take one of the prerequisites out", "after")


def _when(block: Block, questions: Mapping[str, Question]) -> dict[str, tuple[str, ...]]:
    when = block.take("when", dict)
    for name, states in when.items():
        if name not in questions:
            what = f'when names "{name}", which is not listed'
            raise block.fail(what, "mend the name", "when")
        for state in states:
            if state not in questions[name].states:
                what = f'when names "{state}", which is no state of "{name}"'
                raise block.fail(what, "mend the name", "when")
    return {name: tuple(states) for name, states in when.items()}


def _stop(block: Block, questions: Mapping[str, Question]) -> Stop:
    forbids = block.take("forbids", str)
    if forbids not in ("run", "drive", "rev"):
        msg = f'forbids = "{forbids}"'
        raise block.fail(msg, "use run, drive or rev", "forbids")
    return Stop(
        when=_when(block, questions),
        fuel=block.words("fuel"),
        forbids=forbids,
        origin=block.origin(),
        **{key: block.take(key, str) for key in ("name", "words", "reason", "remedy")},
    )
