"""A manifest: for each clip what is known of its engine, as CSV, Parquet or TOML.

One line a clip. The column ``clip`` names it; other columns are an option of measuring
(``exit_px``, ``diameter_px``, ``from_s``, ``to_s``), what the clip ``shows``, or any fact, question
or check that ``smokecase knowledge`` lists. Your own column names are translated by pairs such as
``("smoke_colour", "colour seen")``; what is carried along unread is a ``note``. An empty cell is
not told.

In TOML::

    [every]                       # holds for every clip, unless its own table says otherwise
    fuel = "diesel"
    [[clip]]
    clip = "yard/start.mp4"
    smoke_when = ["cold_start", "acceleration"]
"""

import csv
import io
import math
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import fsspec

from smokecase.batch.places import as_words, join, shown
from smokecase.causes.answers_file import SHOWS, WEATHER, state
from smokecase.causes.knowledge import Knowledge
from smokecase.causes.knowledge_file import standard_knowledge
from smokecase.causes.witness import hear_answer
from smokecase.errors import AnswersError

CLIP, SHOWN, NOTE = "clip", "shows", "note"
MOST_BYTES = 1 << 30
BLOCK = 1 << 20
SEVERAL = ";"  # between states in one cell


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """What is told of one clip."""

    url: str
    options: Mapping[str, Any] = field(default_factory=dict)  # of `examine`
    told: Mapping[str, Any] = field(default_factory=dict)  # facts, answers, results by name
    shows: str = "unknown"
    notes: Mapping[str, str] = field(default_factory=dict)  # carried along
    fault: str | None = None  # why it cannot be used, in a sentence


def _numbers(count: int) -> Callable[[Any], Any]:
    def read(value: Any) -> Any:
        parts = value.split(",") if isinstance(value, str) else value
        parts = list(parts) if isinstance(parts, (list, tuple)) else [parts]
        numbers = [float(part) for part in parts]
        if len(numbers) != count or not all(math.isfinite(n) for n in numbers):
            raise ValueError
        return numbers[0] if count == 1 else numbers

    return read


OPTIONS: dict[str, tuple[Callable[[Any], Any], str]] = {
    "exit_px": (_numbers(2), "two numbers such as 812,640"),
    "diameter_px": (_numbers(1), "a number such as 58"),
    "from_s": (_numbers(1), "a number of seconds such as 3.5"),
    "to_s": (_numbers(1), "a number of seconds such as 60"),
    "plate_window_s": (_numbers(2), "two numbers of seconds such as 0,3"),
    "board_px": (_numbers(4), "four numbers such as 300,200,700,500"),
    "white_px": (_numbers(4), "four numbers such as 300,200,700,500"),
}


def read_manifest(place: str, columns: Sequence[tuple[str, str]] = ()) -> list[Line]:
    """Read a manifest; a line that cannot be used keeps its fault, the others are read.

    Parameters
    ----------
    place : str
        Path or url; its ending says its form.
    columns : sequence of (ours, theirs)
        Your own column names. ``("note", theirs)`` may come several times.

    Raises
    ------
    AnswersError
        If it cannot be read, or a column is not known.
    """
    knowledge = standard_knowledge()
    rows = _translated(_rows(place), columns, place)
    known = {CLIP, SHOWN, *OPTIONS, *WEATHER, *knowledge.contexts, *knowledge.parts,
             *knowledge.questions}  # fmt: skip
    used = {name for row in rows for name in row if not name.startswith(f"{NOTE}:")}
    unknown = sorted(used - known)
    if unknown:
        what = f'the column "{unknown[0]}" is no fact, question, check or option'
        remedy = (
            f'say what it is with --column NAME="{unknown[0]}", or carry it along with '
            f'--column {NOTE}="{unknown[0]}"'
        )
        raise AnswersError(what, where=shown(place), remedy=remedy)
    if not any(CLIP in row for row in rows):
        what = f'no column "{CLIP}" says which clip a line is about'
        raise AnswersError(what, where=shown(place), remedy=f"say which with --column {CLIP}=YOURS")
    return [_line(row, number, place, knowledge) for number, row in enumerate(rows, start=1)]


def _rows(place: str) -> list[dict[str, Any]]:
    try:
        with as_words(place), fsspec.open(place, "rb") as file:
            content = bytearray()
            while len(content) <= MOST_BYTES and (block := file.read(BLOCK)):
                content += block  # asked for at once, all of the bound would be set aside
    except Exception as error:
        what, remedy = getattr(error, "what", str(error)), getattr(error, "remedy", "")
        raise AnswersError(what, where=shown(place), remedy=remedy) from error
    if len(content) > MOST_BYTES:
        what = f"the manifest has more than {MOST_BYTES >> 20} MB"
        raise AnswersError(what, where=shown(place), remedy="split it into several")
    ending = place.rpartition(".")[2].lower()
    readers = {"csv": _csv, "toml": _toml, "parquet": _parquet}
    if ending not in readers:
        what = f'its ending "{ending[:20]}" says no form of a manifest'
        raise AnswersError(what, where=shown(place), remedy="name it .csv, .toml or .parquet")
    try:
        return readers[ending](bytes(content))
    except (ValueError, OSError, KeyError, TypeError, csv.Error, RecursionError) as error:
        what = f"this is no manifest in {ending.upper()} ({str(error).splitlines()[0][:160]})"
        raise AnswersError(what, where=shown(place), remedy="write it again") from error


def _csv(content: bytes) -> list[dict[str, Any]]:
    table = csv.DictReader(io.StringIO(content.decode("utf-8-sig"), newline=""), strict=True)
    rows = []
    for row in table:
        if None in row or None in row.values():
            msg = f"line {table.line_num} has not as many cells as the first line"
            raise ValueError(msg)
        rows.append({name: cell.strip() for name, cell in row.items() if cell.strip()})
    return rows


def _toml(content: bytes) -> list[dict[str, Any]]:
    plain = tomllib.loads(content.decode("utf-8"))
    every, clips = plain.pop("every", {}), plain.pop(CLIP, [])
    if plain or not isinstance(every, dict) or not isinstance(clips, list):
        msg = f"only [every] and [[{CLIP}]] are read"
        raise ValueError(msg)
    return [{**every, **dict(row)} for row in clips]


def _parquet(content: bytes) -> list[dict[str, Any]]:
    import pyarrow as pa
    from pyarrow import parquet

    rows = parquet.read_table(pa.BufferReader(content)).to_pylist()
    return [{str(k): v for k, v in row.items() if v is not None and v != ""} for row in rows]


def _translated(
    rows: list[dict[str, Any]], columns: Sequence[tuple[str, str]], place: str
) -> list[dict[str, Any]]:
    theirs = {their for _, their in columns}
    there = {name for row in rows for name in row}
    lost = sorted(theirs - there) if rows else []
    if lost:
        what = f'there is no column "{lost[0]}"'
        listed = ", ".join(sorted(there)[:12])
        raise AnswersError(what, where=shown(place), remedy=f"the columns are: {listed}")
    ours = {their: f"{NOTE}:{their}" if our == NOTE else our for our, their in columns}
    return [{ours.get(name, name): value for name, value in row.items()} for row in rows]


def _line(row: Mapping[str, Any], number: int, place: str, knowledge: Knowledge) -> Line:
    where = f"{shown(place)}, line {number}"
    notes = {k.partition(":")[2]: str(v) for k, v in row.items() if k.startswith(f"{NOTE}:")}
    plain = {k: v for k, v in row.items() if not k.startswith(f"{NOTE}:")}
    named = str(plain.pop(CLIP, "")).strip()
    if not named:
        return Line(url=where, notes=notes, fault=f"{where}: it names no clip; fill in its cell.")
    url = join(place, named)
    try:
        shows = str(plain.pop(SHOWN, "unknown"))
        if shows not in SHOWS:
            what = f'"{shows}" is not what a clip can show'
            raise AnswersError(what, where=where, remedy=f"use {', '.join(SHOWS)}")
        options = {k: _option(k, plain.pop(k), where) for k in OPTIONS if k in plain}
        told = {k: _told(v) for k, v in plain.items()}
        statement = state({"answers": told}, knowledge, where=where)
        for name, value in statement.told.items():
            hear_answer(knowledge, name, value, engine=statement.engine, where=f"{where}, {name}")
    except AnswersError as error:
        return Line(url=url, notes=notes, fault=str(error))
    return Line(url=url, options=options, told=told, shows=shows, notes=notes)


def _option(name: str, value: Any, where: str) -> Any:
    read, words = OPTIONS[name]
    try:
        return read(value)
    except (ValueError, TypeError):
        what = f'{name} "{str(value)[:40]}" is not {words}'
        raise AnswersError(what, where=where, remedy="mend the cell") from None


def _told(value: Any) -> Any:
    if isinstance(value, str) and SEVERAL in value:
        return [part.strip() for part in value.split(SEVERAL) if part.strip()]
    return value
