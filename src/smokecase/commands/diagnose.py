"""`smokecase diagnose`: weighs causes from examinations, answers and check results."""

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from smokecase.causes.answers_file import Statement, read_answers
from smokecase.causes.knowledge import DONT_KNOW, Knowledge
from smokecase.causes.knowledge_file import standard_knowledge
from smokecase.diagnosis import Diagnosis, add_words, diagnose
from smokecase.errors import AnswersError, on_screen
from smokecase.report.folder import read_folder

MOST_ASKED = 8


def add(parser: argparse.ArgumentParser) -> None:
    """Name the words of the command."""
    parser.add_argument(
        "folders", metavar="DIR", nargs="*", type=Path,
        help="folders that smokecase examine wrote, all of one engine; none: from answers alone",
    )  # fmt: skip
    parser.add_argument("--answers", metavar="FILE.toml", type=Path, help="answers file")
    parser.add_argument(
        "--answer", metavar="NAME=STATE", action="append", default=[],
        help='one answer, such as smoke_colour=white or fuel=diesel or temperature="-3 degC"',
    )  # fmt: skip
    parser.add_argument(
        "--result", metavar="CHECK=VALUE", action="append", default=[],
        help='one check result, such as egr_vacuum_hold="5 inHg"',
    )  # fmt: skip
    parser.add_argument(
        "--ask", action="store_true", help="ask the questions worth most, one by one"
    )
    parser.add_argument(
        "--decibans", action="store_true", help="show weights of evidence as numbers"
    )
    parser.add_argument("--json", action="store_true", help="print everything as JSON")
    parser.epilog = "Names of questions, states and checks: smokecase knowledge"


def run(args: argparse.Namespace) -> int:
    """Weigh, and print."""
    knowledge = standard_knowledge()
    examinations = [read_folder(folder) for folder in args.folders]
    statement: Statement | None = None
    if args.answers:
        statement = read_answers(args.answers, knowledge)
    words = {"answers": _pairs(args.answer, "--answer"), "results": _pairs(args.result, "--result")}
    statement = add_words(statement, words, knowledge)
    found = diagnose(examinations, answers=statement, knowledge=knowledge)
    if args.ask:
        found = _ask(examinations, statement, found, knowledge)
    if args.json:
        sys.stdout.write(json.dumps(found.to_json(), indent=2, ensure_ascii=False) + "\n")
    else:
        sys.stdout.write(f"{on_screen(found.text(decibans=args.decibans))}\n")
    return 0


def _pairs(words: list[str], option: str) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for word in words:
        name, sign, value = word.partition("=")
        if not sign or not value.strip():
            what = f'"{word}" has no value'
            raise AnswersError(what, where=option, remedy="write NAME=VALUE without blanks at =")
        states = [part.strip() for part in value.split(",")]
        out[name.strip()] = states if len(states) > 1 and not value[0].isdigit() else value.strip()
    return out


def _ask(
    examinations: list[Any], statement: Statement, found: Diagnosis, knowledge: Knowledge
) -> Diagnosis:
    """Ask in the terminal until nothing is left worth asking, or the user has had enough."""
    sys.stderr.write("Answer with the number; Enter for don't know, q to stop asking.\n")
    unknown: set[str] = set()
    for _ in range(MOST_ASKED):
        asks = [q for q in found.questions if q.question not in unknown]
        if not asks:
            break
        ask = asks[0]
        sys.stderr.write(f"\n{ask.words}\n  ({ask.why} {ask.how})\n")
        for number, (_name, words) in enumerate(ask.states, start=1):
            sys.stderr.write(f"  {number}  {words}\n")
        sys.stderr.write("> ")
        sys.stderr.flush()
        line = sys.stdin.readline()
        reply = line.strip().lower()
        if reply == "q" or not line:
            break
        names = [name for name, _ in ask.states]
        if reply.isdigit() and 1 <= int(reply) <= len(names):
            reply = names[int(reply) - 1]
        elif reply not in names:
            reply = DONT_KNOW
        if reply == DONT_KNOW:
            unknown.add(ask.question)
        statement = add_words(statement, {"answers": {ask.question: reply}}, knowledge)
        found = diagnose(
            examinations, answers=statement, knowledge=knowledge, unasked=frozenset(unknown)
        )
    return found
