"""``smokecase case``: keeps the story of one engine from the first clip to the report."""

import argparse
import getpass
import json
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from smokecase.case.record import Case
from smokecase.case.store import CaseStore, open_cases
from smokecase.commands.case_clip import (
    add_words,
    circumstances_of,
    in_own_words,
    options_of,
    read_numbers,
)
from smokecase.commands.progress import show_progress
from smokecase.errors import AnswersError, on_screen
from smokecase.languages import ENGLISH, LANGUAGES

EXAMPLES = """
examples:
  smokecase case open "old tractor" --engine fuel=diesel --engine turbo=no
  smokecase case add "old tractor" cold.mp4 --load "cold start" --standing 14 --ambient 3
  smokecase case answer "old tractor" smoke_colour=black power=down
  smokecase case result "old tractor" air_filter_look=blocked
  smokecase case show "old tractor"
  smokecase case repair "old tractor" "new air filter"
  smokecase case add "old tractor" after.mp4 --load "cold start" --standing 15 --ambient 5
  smokecase case report "old tractor" --out report
  smokecase case package "old tractor" --out handed-over

Entries are only ever added. A wrong one is corrected or undone by a later one, and stays
readable. Cases lie in the folder that --cases names (here: cases).
"""
NOW: Callable[[], datetime] = lambda: datetime.now(tz=UTC)  # noqa: E731 - tests set another clock


def add(parser: argparse.ArgumentParser) -> None:
    """Name the words of the command."""
    parser.epilog = EXAMPLES
    words = parser.add_subparsers(metavar="WHAT", dest="what", required=True)
    common = argparse.ArgumentParser(add_help=False)
    common.add_argument("--cases", metavar="DIR", type=Path, default=Path("cases"),
                        help="folder of the cases (default: cases)")  # fmt: skip
    common.add_argument("--by", metavar="NAME", default=None, help="who enters it")

    def word(name: str, told: str, run: Callable[..., int], *, case: bool = True) -> Any:
        inner = words.add_parser(name, help=told, description=told.capitalize() + ".",
                                 parents=[common])  # fmt: skip
        if case:
            inner.add_argument("case", metavar="CASE", help="name of the case, or its beginning")
        inner.set_defaults(work=run)
        return inner

    opened = word("open", "begin a case for one engine", _open, case=False)
    opened.add_argument("case", metavar="NAME", help="how the case is called")
    opened.add_argument("--engine", metavar="FACT=VALUE", action="append", default=[],
                        help="fuel=diesel, installation=car, turbo=yes, ...")  # fmt: skip
    add_words(word("add", "measure a clip and add it", _add))
    for name, told, run in (
        ("answer", "answer questions, such as smoke_colour=white", _answer),
        ("result", 'enter check results, such as egr_vacuum_hold="5 inHg"', _result),
    ):
        word(name, told, run).add_argument("told", metavar="NAME=VALUE", nargs="+")
    for name, told in (("note", "write down a note"), ("repair", "write down what was repaired")):
        inner = word(name, told, _write)
        inner.add_argument("text", metavar="WORDS")
    undo = word("undo", "undo an entry by a later one; nothing is erased", _undo)
    undo.add_argument("number", metavar="NUMBER", type=int, help="number of the entry")
    undo.add_argument("--why", metavar="WORDS", default="entered by mistake")
    shown = word("show", "tell where the case stands and how it got there", _show)
    shown.add_argument("--json", action="store_true", help="print it as JSON")
    word("list", "list the cases, the latest first", _list, case=False)
    word("find", "find cases by words in any entry", _find, case=False).add_argument(
        "words", metavar="WORD", nargs="+"
    )
    compared = word("compare", "compare two clips of the case", _compare)
    compared.add_argument("first", metavar="FIRST", type=int, help="entry: suspect or before")
    compared.add_argument("second", metavar="SECOND", type=int, help="entry: healthy or after")
    compared.add_argument("--names", metavar="FIRST,SECOND", default="before,after")
    compared.add_argument("--out", metavar="DIR", type=Path,
                          help="also write curve, picture and clip side by side")  # fmt: skip
    compared.add_argument("--json", action="store_true", help="print it as JSON")
    reported = word("report", "write the report as a page, a PDF and a short reply", _report)
    reported.add_argument("--out", metavar="DIR", type=Path, default=None)
    reported.add_argument("--level", metavar="PCT", type=float, action="append", default=[],
                          help="opacity above which seconds are counted")  # fmt: skip
    _add_language(reported)
    packed = word("package", "write the evidence package (BagIt)", _package)
    packed.add_argument("--out", metavar="DIR", type=Path, required=True)
    packed.add_argument("--sign", metavar="KEY", type=Path, help="your own SSH key")
    packed.add_argument(
        "--hand-on", action="store_true",
        help="make a copy to hand on: no positions, no originals, masked clips",
    )  # fmt: skip
    packed.add_argument(
        "--mask", metavar="ENTRY:X0,Y0,X1,Y1[,FROM,TO]", action="append", default=[],
        help="cover this box of a clip, in picture pixels (and seconds)",
    )  # fmt: skip
    _add_language(packed)
    checked = word("verify", "tell whether a package was changed", _verify, case=False)
    checked.add_argument("package", metavar="PACKAGE", type=Path)


def _add_language(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--language", choices=sorted(LANGUAGES), default=ENGLISH,
        help="language of report and reply (English unless told)",
    )  # fmt: skip


def run(args: argparse.Namespace) -> int:
    """Do what the second word says."""
    if args.what == "verify":
        return _verify(args)
    with open_cases(args.cases, make=args.what == "open") as store:
        for fault in store.damage:
            sys.stderr.write(f"smokecase: {fault}\n")
        return int(args.work(args, store))


def _author(args: argparse.Namespace) -> str:
    if args.by is not None:
        return str(args.by)
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "not told"


def _read(args: argparse.Namespace, store: CaseStore) -> Case:
    with show_progress("working") as tell:
        case = store.read_case(args.case, tell=tell)
    for fault in case.damage:
        sys.stderr.write(f"smokecase: {fault}\n")
    return case


def _say(words: str) -> None:
    sys.stdout.write(f"{on_screen(words)}\n")


def _plain(values: dict[str, Any]) -> None:
    text = json.dumps(values, indent=2, ensure_ascii=False, allow_nan=False)
    sys.stdout.write(f"{text}\n")


def _pairs(told: list[str]) -> dict[str, Any]:
    pairs: dict[str, Any] = {}
    for word in told:
        name, sign, value = word.partition("=")
        if not sign or not value.strip():
            what = f'"{word}" has no value'
            raise AnswersError(what, where="words", remedy="write NAME=VALUE")
        states = [part.strip() for part in value.split(",")]
        several = len(states) > 1 and not value[0].isdigit()
        pairs[name.strip()] = states if several else value.strip()
    return pairs


def _open(args: argparse.Namespace, store: CaseStore) -> int:
    from smokecase.casework import check_engine

    engine = _pairs(args.engine)
    check_engine(engine)
    case = store.open_case(args.case, engine=engine, author=_author(args), time=NOW())
    _say(f'Case "{case.name}" is open. Next: smokecase case add "{case.name}" CLIP')
    return 0


def _add(args: argparse.Namespace, store: CaseStore) -> int:
    from smokecase.apart.clips import OWN, examine_apart
    from smokecase.casework import add_clip
    from smokecase.report.story import tell_summary

    told, options, case = circumstances_of(args), options_of(args), _read(args, store)
    with show_progress("working") as tell:
        try:
            entry = add_clip(store, case, args.clip, circumstances=told, author=_author(args),
                             time=NOW(), replaces=args.corrects, tell=tell,
                             measure=partial(examine_apart, limits=OWN), **options)  # fmt: skip
        except ValueError as error:
            raise in_own_words(error, args.clip.name) from error
    _say(f"Entry {entry.number}: {entry}\n")
    _say(tell_summary(store.read_case(case.id).examinations[entry.number]))
    return 0


def _answer(args: argparse.Namespace, store: CaseStore) -> int:
    from smokecase.casework import add_answer

    for question, given in _pairs(args.told).items():
        case = store.read_case(args.case)
        entry = add_answer(store, case, question, given, author=_author(args), time=NOW())
        _say(f"Entry {entry.number}: {entry}")
    return 0


def _result(args: argparse.Namespace, store: CaseStore) -> int:
    from smokecase.casework import add_result

    for check, result in _pairs(args.told).items():
        case = store.read_case(args.case)
        entry = add_result(store, case, check, result, author=_author(args), time=NOW())
        _say(f"Entry {entry.number}: {entry}")
    return 0


def _write(args: argparse.Namespace, store: CaseStore) -> int:
    entry = store.add(args.case, args.what, {"text": args.text}, author=_author(args), time=NOW())
    _say(f"Entry {entry.number}: {entry}")
    return 0


def _undo(args: argparse.Namespace, store: CaseStore) -> int:
    from smokecase.casework import withdraw

    case = store.read_case(args.case)
    entry = withdraw(store, case, args.number, why=args.why, author=_author(args), time=NOW())
    _say(f"Entry {entry.number}: {entry}. It stays readable; undo {entry.number} brings it back.")
    return 0


def _show(args: argparse.Namespace, store: CaseStore) -> int:
    from smokecase.report.assemble import compare_pairs
    from smokecase.report.course import follow_case
    from smokecase.report.standing import standing_to_json, tell_standing

    case = _read(args, store)
    with show_progress("working") as tell:
        course = follow_case(case, tell=tell)
    comparisons = [found for found, _ in compare_pairs(case)]
    if args.json:
        plain = standing_to_json(case, course, comparisons)
        _plain(plain)
    else:
        _say(tell_standing(case, course, comparisons))
    return 0


def _list(args: argparse.Namespace, store: CaseStore) -> int:
    return _print_cases(store.list_cases(), "There is no case here yet.")


def _find(args: argparse.Namespace, store: CaseStore) -> int:
    return _print_cases(store.find_cases(" ".join(args.words)), "No case holds these words.")


def _print_cases(cases: list[Case], none: str) -> int:
    for case in cases:
        last = case.entries[-1].time_utc[:10] if case.entries else "never"
        damaged = "  DAMAGED" if case.damage else ""
        _say(f"{case.name}  ({len(case.entries)} entries, last {last}){damaged}")
    if not cases:
        _say(none)
    return 0


def _compare(args: argparse.Namespace, store: CaseStore) -> int:
    from smokecase.report.assemble import compare_entries
    from smokecase.report.standing import tell_comparison, write_comparison

    names = tuple(part.strip() for part in args.names.split(","))
    if len(names) != 2 or not all(names):
        what = f'"{args.names}" is not two names with a comma'
        raise AnswersError(what, where="--names", remedy="write them such as suspect,healthy")
    case = _read(args, store)
    first, second = case.find_entry(args.first), case.find_entry(args.second)
    found, _ = compare_entries(case, first, second, names=(names[0], names[1]))
    if args.json:
        _plain(found.to_json())
    else:
        _say(tell_comparison(found))
    if args.out:
        paths = [store.find_file("clips", e.body["sha256"]) for e in (first, second)]
        pair = (case.examinations[first.number], case.examinations[second.number])
        with show_progress("working") as tell:
            write_comparison(found, (paths[0], paths[1]), pair, args.out, tell=tell)
        _say(f"\nWritten to {args.out}.")
    return 0


def _report(args: argparse.Namespace, store: CaseStore) -> int:
    from smokecase.casework import save_report
    from smokecase.report.inspector import LEVELS_PCT
    from smokecase.report.standing import write_report

    case = _read(args, store)
    levels = tuple(args.level) or LEVELS_PCT
    with show_progress("working") as tell:
        made, entry = save_report(store, case, author=_author(args), time=NOW(),
                                  levels_pct=levels, language=args.language, tell=tell)  # fmt: skip
    _say(f"Entry {entry.number}: {entry}")
    if args.out:
        write_report(made, args.out)
        _say(f"Written to {args.out}: report.html, report.pdf, reply.txt.")
    else:
        _say(f"It lies at {store.find_file('reports', entry.body['sha256'])}.")
    return 0


def _package(args: argparse.Namespace, store: CaseStore) -> int:
    from smokecase.packing import pack_case

    boxes: dict[int, list[tuple[float, ...]]] = {}
    for word in args.mask:
        number, _, box = word.partition(":")
        count = 6 if box.count(",") == 5 else 4
        if not number.strip().isdigit():
            what = f'"{word}" does not begin with the number of an entry'
            raise AnswersError(what, where="--mask", remedy="write it such as 3:100,200,180,240")
        boxes.setdefault(int(number), []).append(read_numbers(box, count, "--mask"))
    case = _read(args, store)
    with show_progress("working") as tell:
        path = pack_case(store, case, args.out, time=NOW(), key=args.sign, hand_on=args.hand_on,
                         boxes=boxes, language=args.language, tell=tell)  # fmt: skip
    _say(f"Written to {path}. Anyone can check it: smokecase case verify {path}")
    return 0


def _verify(args: argparse.Namespace) -> int:
    from smokecase.case.package import verify_package

    with show_progress("working") as tell:
        found = verify_package(args.package, tell=tell)
    for fault in found.faults:
        _say(fault)
    _say(found.words)
    return 0 if not found.faults else 6
