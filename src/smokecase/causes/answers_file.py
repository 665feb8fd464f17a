"""What the owner told, from a TOML file or plain words: engine, weather, answers, results, costs.

::

    [engine]
    fuel = "diesel"              # diesel, petrol, two_stroke
    installation = "car"         # car, truck, tractor, generator, boat, small_engine
    turbo = "yes"                # parts: yes, no or dont_know
    [weather]
    temperature = "-3 degC"      # of the air outside
    humidity = "85 %"            # further: exhaust_temperature (warm), pipe_diameter
    [answers]
    smoke_colour = "white"
    smoke_when = ["cold_start", "acceleration"]   # several where the question allows it
    coolant_loss = { no = 0.8, slow = 0.2 }       # or weights
    smell = "dont_know"
    [results]
    egr_vacuum_hold = "5 inHg"
    compression = "28 27 19 28 bar"
    [costs]                      # see `verdict.Costs`
    hour = 60

Names and states: ``smokecase knowledge``. They are stable.
"""

import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from smokecase.causes.knowledge import DONT_KNOW, Knowledge, find_state
from smokecase.causes.units import convert, read_amounts
from smokecase.causes.witness import Told
from smokecase.errors import AnswersError

TABLES = ("engine", "weather", "answers", "results", "clips", "costs")
WEATHER = {
    "temperature": ("temperature", "degC", -60.0, 60.0),
    "humidity": ("share", "%", 0.0, 100.0),
    "exhaust_temperature": ("temperature", "degC", 0.0, 900.0),  # of the gas at the outlet, warm
    "pipe_diameter": ("length", "mm", 5.0, 600.0),
}
SHOWS = ("cold_start", "warm_start", "warm_idle", "load", "unknown")  # what a clip shows


@dataclass(frozen=True, slots=True, kw_only=True)
class Statement:
    """All that was told about one engine, not yet judged."""

    engine: Mapping[str, str] = field(default_factory=dict)
    weather: Mapping[str, float] = field(default_factory=dict)  # temperature degC, humidity %
    told: Mapping[str, Told] = field(default_factory=dict)  # answers and results by name
    clips: Mapping[str, str] = field(default_factory=dict)  # what a clip shows, by file name
    costs: Mapping[str, Any] = field(default_factory=dict)
    places: Mapping[str, str] = field(default_factory=dict)  # where each name was told


def read_answers(path: Path, knowledge: Knowledge) -> Statement:
    """Read an answers file.

    Raises
    ------
    AnswersError
        If it is missing, is no TOML, or names what is not there; file and line are named.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is no text"
        what = f"this answers file cannot be read ({reason})"
        raise AnswersError(what, where=path.name, remedy="check its name and place") from None
    try:
        plain = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        what = f"this is no TOML ({error})"
        remedy = 'write lines such as smoke_colour = "white"'
        raise AnswersError(what, where=path.name, remedy=remedy) from None
    return state(plain, knowledge, where=path.name, text=text)


def state(
    plain: Mapping[str, Any], knowledge: Knowledge, *, where: str = "", text: str = ""
) -> Statement:
    """Make a statement from plain tables as in an answers file.

    Names of the engine and the weather are understood among the answers too.
    """

    def place(name: str) -> str:
        for number, line in enumerate(text.splitlines(), start=1):
            if re.match(rf'\s*"?{re.escape(name)}"?\s*=|\s*\[{re.escape(name)}\]', line):
                return f"{where}, line {number}"
        return where

    for table, entries in plain.items():
        if table not in TABLES or not isinstance(entries, Mapping):
            what = f'the table "{table}" is not known'
            raise AnswersError(what, where=place(table), remedy=f"use {', '.join(TABLES)}")
    engine: dict[str, str] = {}
    weather: dict[str, float] = {}
    told: dict[str, Told] = {}
    places: dict[str, str] = {}
    for table, name, value in _entries(plain):
        here = place(name)
        if name in knowledge.contexts or name in knowledge.parts:
            _engine_fact(knowledge, name, value, engine, here)
        elif name in WEATHER:
            _weather_fact(name, value, weather, here)
        else:
            if table in ("engine", "weather"):
                raise _no_fact(knowledge, table, name, here)
            knowledge.find_question(name, where=here)
            told[name], places[name] = value, here
    places["costs"] = place("costs")
    clips = dict(plain.get("clips", {}))
    _check_clips(clips, place)
    return Statement(
        engine=engine, weather=weather, told=told, clips=clips,
        costs=dict(plain.get("costs", {})), places=places,
    )  # fmt: skip


def _entries(plain: Mapping[str, Any]) -> Iterator[tuple[str, str, Any]]:
    for table in ("engine", "weather", "answers", "results"):
        for name, value in plain.get(table, {}).items():
            yield table, name, value


def _no_fact(knowledge: Knowledge, table: str, name: str, where: str) -> AnswersError:
    known = [*knowledge.contexts, *knowledge.parts] if table == "engine" else list(WEATHER)
    what = f'"{name}" is no fact of the {table}'
    remedy = f"use {', '.join(known)}"
    if name in knowledge.questions:
        remedy = "move the line to [answers]"
    return AnswersError(what, where=where, remedy=remedy)


def _check_clips(clips: Mapping[str, Any], place: Callable[[str], str]) -> None:
    for name, shows in clips.items():
        if shows not in SHOWS:
            what = f'"{shows}" is not what a clip can show'
            raise AnswersError(what, where=place(name), remedy=f"use {', '.join(SHOWS)}")


def _engine_fact(
    knowledge: Knowledge, name: str, value: Any, engine: dict[str, str], where: str
) -> None:
    if isinstance(value, bool):
        value = "yes" if value else "no"
    if value == DONT_KNOW:
        return
    if name in knowledge.contexts:
        find_state(knowledge.contexts[name], str(value), where=where)
    elif value not in ("yes", "no"):
        msg = f'"{value}" is no answer to "{name}"'
        raise AnswersError(msg, where=where, remedy="use yes, no or dont_know")
    if engine.get(name, value) != value:
        what = f'"{name}" is told as {engine[name]} and as {value}'
        raise AnswersError(what, where=where, remedy="keep one of them")
    engine[name] = str(value)


def _weather_fact(name: str, value: Any, weather: dict[str, float], where: str) -> None:
    if value == DONT_KNOW:
        return
    dimension, unit, low, high = WEATHER[name]
    numbers, written = read_amounts(str(value), dimension, where=f"{where}, {name}")
    number = convert(numbers[0], written, unit, dimension)
    if not low <= number <= high:
        what = f"{name} {value} is beyond {low:g} to {high:g} {unit}"
        raise AnswersError(what, where=where, remedy="check the number and its unit")
    weather[name] = number
