"""Makes a case's report whole: weighs it, chooses what to compare, and sets page, PDF and reply."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime

from smokecase.case.compare import Comparison, compare
from smokecase.case.record import Case, Entry
from smokecase.case.store import CaseStore
from smokecase.errors import AnswersError, CaseError, SmokecaseError
from smokecase.languages import ENGLISH, say_error, text
from smokecase.report.beside import draw_beside
from smokecase.report.case_report import write_contents
from smokecase.report.course import Course, follow_case
from smokecase.report.figure_style import to_jpeg
from smokecase.report.figures import draw_contact_sheet
from smokecase.report.first_page import Material
from smokecase.report.forum import write_reply
from smokecase.report.inspector import LEVELS_PCT
from smokecase.report.key_pictures import key_pictures_from_json
from smokecase.report.page import to_html
from smokecase.report.pdf import to_pdf

Tell = Callable[[float, str], None]
WITHHELD = text("key pictures, because this copy is made to be handed on.")
SHEET_LETTERS = 1.6  # key pictures are printed at half their size, and read on a phone
PAIRS = (("suspect", "healthy"), ("before", "after"))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Made:
    """The report in its three forms."""

    html: str
    pdf: bytes
    reply: str
    course: Course
    comparisons: tuple[tuple[Comparison, tuple[int, int]], ...]


def make_report(  # noqa: PLR0913 - the door's options, each by name
    store: CaseStore,
    case: Case,
    *,
    made: datetime,
    versions: Mapping[str, str],
    levels_pct: tuple[float, ...] = LEVELS_PCT,
    pictures: bool = True,
    language: str = ENGLISH,
    tell: Tell | None = None,
) -> Made:
    """Make the report of a case; without `pictures`, none of the filmed ones is shown.

    `language` is one of `languages.LANGUAGES`.

    Raises
    ------
    AnswersError
        If an answer or result in the case cannot be used.
    """
    told = tell or (lambda share, words: None)
    course = follow_case(case, tell=lambda share, words: told(0.4 * share, words))
    comparisons = compare_pairs(case)
    beside, missing = {}, []
    for i, (comparison, entries) in enumerate(comparisons if pictures else ()):
        told(0.4 + 0.1 * i, "laying clips side by side")
        try:
            beside[i] = _beside(store, case, comparison, entries, language)
        except SmokecaseError as error:
            missing.append(say_error(error, language))
    sheets, without = _sheets(store, case, language) if pictures else ({}, [WITHHELD])
    material = Material(
        course=course, comparisons=comparisons, pictures=sheets, side_by_side=beside,
        levels_pct=levels_pct, versions=versions, missing=(*missing, *without), language=language,
    )  # fmt: skip
    report = write_contents(
        case, material, made=made, tell=lambda share, words: told(0.6 + 0.3 * share, words)
    )
    told(0.92, "setting the pages")
    examinations = [case.examinations[e.number] for e in course.facts if e.number in case.clips]
    return Made(
        html=to_html(report), pdf=to_pdf(report, made=made),
        reply=write_reply(
            examinations, course.diagnosis,
            language=language, repaired=[c.sentence for c, _ in comparisons if c.first == "before"]
            if course.after_repair else None,
        ), course=course,
        comparisons=tuple(comparisons),
    )  # fmt: skip


def compare_pairs(case: Case) -> list[tuple[Comparison, tuple[int, int]]]:
    """Compare what belongs together: suspect and healthy, before and after a repair.

    The roles told with the clips count. Where they are not told, the last clip of this engine
    before a repair is the suspect, and the last one after it shows what the repair did.
    """
    clips = [e for e in case.of_kind("clip") if e.number in case.examinations]
    found = []
    for pair in PAIRS:
        chosen = [[e for e in clips if e.circumstances.role == role] for role in pair]
        around = _around_repair(case, clips)
        if pair == ("before", "after") and not all(chosen):
            chosen = around
        elif chosen[1] and not chosen[0]:  # the fault is filmed before its repair
            chosen[0] = around[0] or [e for e in clips if not e.circumstances.engine]
        if all(chosen):
            found.append(compare_entries(case, chosen[0][-1], chosen[1][-1], names=pair))
    return found


def _around_repair(case: Case, clips: list[Entry]) -> list[list[Entry]]:
    repairs = [e.number for e in case.of_kind("repair")]
    own = [e for e in clips if not e.circumstances.engine]
    if not repairs:
        return [[], []]
    return [[e for e in own if e.number < repairs[0]], [e for e in own if e.number > repairs[-1]]]


def compare_entries(
    case: Case, first: Entry, second: Entry, *, names: tuple[str, str]
) -> tuple[Comparison, tuple[int, int]]:
    """Compare two clips of a case by their entries.

    Raises
    ------
    AnswersError
        If one of the entries is no clip that was measured.
    """
    for entry in (first, second):
        if entry.number not in case.examinations:
            what = f"entry {entry.number} is no clip that was measured"
            raise AnswersError(what, where=f'case "{case.name}"', remedy="list the entries first")
    found = compare(
        case.examinations[first.number], case.examinations[second.number],
        first_told=first.circumstances, second_told=second.circumstances,
        first_name=names[0], second_name=names[1],
    )  # fmt: skip
    return found, (first.number, second.number)


def _sheets(store: CaseStore, case: Case, language: str) -> tuple[dict[int, bytes], list[str]]:
    """Contact sheet of each clip that holds, and sentences on those that are damaged."""
    found: dict[int, bytes] = {}
    faults = []
    for entry in case.of_kind("clip"):
        sha256 = entry.body.get("key_pictures_sha256")
        if sha256 and entry.number in case.examinations:
            try:
                text = store.read_file("pictures", sha256).decode()
                pictures = key_pictures_from_json(text, where=entry.body["name"])
            except CaseError as error:
                faults.append(say_error(error, language))
                continue
            seen = replace(case.examinations[entry.number], key_frames=pictures)
            sheet = draw_contact_sheet(seen, letters=SHEET_LETTERS, lang=language)
            if sheet is not None:
                found[entry.number] = to_jpeg(sheet)
    return found, faults


def _beside(
    store: CaseStore, case: Case, comparison: Comparison, entries: tuple[int, int], language: str
) -> bytes:
    one, other = (store.find_file("clips", case.find_entry(n).body["sha256"]) for n in entries)
    return draw_beside(
        (one, other), (case.examinations[entries[0]], case.examinations[entries[1]]),
        (comparison.first, comparison.second), lang=language,
    )  # fmt: skip
