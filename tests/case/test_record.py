"""A case's entries: what holds, what was corrected, and how it is found again."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from made_traces import make_examination, make_trace
from smokecase.case.chain import find_breaks, from_line, to_line
from smokecase.case.record import Case, Circumstances, Entry
from smokecase.case.store import open_cases
from smokecase.errors import AnswersError, CaseError

NOON = datetime(2031, 5, 4, 12, tzinfo=UTC)


@pytest.fixture
def store(tmp_path):
    with open_cases(tmp_path) as opened:
        opened.open_case("Bruno", engine={"fuel": "diesel"}, author="Ada", time=NOON)
        yield opened


def answer(store, question, given, *, replaces=None, days=0):
    return store.add("Bruno", "answer", {"question": question, "answer": given}, author="Ada",
                     time=NOON + timedelta(days=days), replaces=replaces)  # fmt: skip


def withdraw(store, number):
    return store.add("Bruno", "withdrawn", {"why": "a slip"}, author="Ada", time=NOON,
                     replaces=number)  # fmt: skip


def test_a_case_is_found_weeks_later_as_it_was_left(store, tmp_path):
    answer(store, "smoke_colour", "black", days=3)

    with open_cases(tmp_path) as again:
        case = again.read_case("Bruno")

    assert case.engine == {"fuel": "diesel"}
    assert case.answers == {"smoke_colour": "black"}
    assert case.entries[1].time_utc == "2031-05-07T12:00:00+00:00"
    assert case.damage == ()


def test_a_correction_holds_and_the_first_answer_stays_readable(store):
    first = answer(store, "smoke_colour", "black")
    answer(store, "smoke_colour", "blue", replaces=first.number)

    case = store.read_case("Bruno")

    assert case.answers == {"smoke_colour": "blue"}
    assert [str(e) for e in case.entries[1:]] == [
        "answer to smoke_colour: black",
        "answer to smoke_colour: blue (corrects entry 2)",
    ]


def test_withdrawing_a_correction_brings_the_first_answer_back(store):
    first = answer(store, "smoke_colour", "black")
    second = answer(store, "smoke_colour", "blue", replaces=first.number)
    third = withdraw(store, second.number)
    assert store.read_case("Bruno").answers == {"smoke_colour": "black"}

    withdraw(store, third.number)  # and the withdrawing can be withdrawn

    assert store.read_case("Bruno").answers == {"smoke_colour": "blue"}


def test_a_case_can_be_seen_as_it_stood(store):
    answer(store, "smoke_colour", "black")
    answer(store, "power", "down")

    assert store.read_case("Bruno").up_to(2).answers == {"smoke_colour": "black"}


def test_what_a_clip_gave_comes_back_to_the_digit(store):
    examination = make_examination(make_trace(np.arange(0, 5, 0.04), np.linspace(0, 30, 125)))
    readings = store.put_examination(examination)
    body = {"name": "clip.mp4", "sha256": examination.sha256, "readings_sha256": readings,
            "circumstances": Circumstances(standing_h=9, load="cold start").to_json()}  # fmt: skip
    store.add("Bruno", "clip", body, author="Ada", time=NOON)

    case = store.read_case("Bruno")

    assert_array_equal(case.clips[2].trace.opacity_pct, examination.trace.opacity_pct)
    assert case.entries[1].circumstances.standing_h == 9


def test_a_clip_of_another_engine_does_not_count_for_this_one(store):
    examination = make_examination(make_trace(np.arange(0, 5, 0.04), 3.0))
    body = {"name": "c", "sha256": "0", "readings_sha256": store.put_examination(examination),
            "circumstances": {"engine": "sister", "role": "healthy"}}  # fmt: skip
    store.add("Bruno", "clip", body, author="Ada", time=NOON)

    case = store.read_case("Bruno")

    assert case.clips == {}
    assert list(case.examinations) == [2]


def test_cases_are_listed_with_the_latest_first_and_found_by_words(store):
    store.open_case("Clara", engine={"fuel": "petrol"}, author="Ada", time=NOON)
    answer(store, "smoke_colour", "black", days=1)

    assert [c.name for c in store.list_cases()] == ["Bruno", "Clara"]
    assert [c.name for c in store.find_cases("PETROL")] == ["Clara"]
    assert [c.name for c in store.find_cases("smoke_colour black")] == ["Bruno"]
    assert store.find_cases("nothing of the kind") == []


def test_a_name_that_is_not_there_is_answered_with_those_that_are(store):
    with pytest.raises(CaseError, match=r'there is no case of this name; the cases are: "Bruno"\.'):
        store.read_case("Zeno")


def test_a_beginning_of_a_name_is_enough_unless_several_fit(store):
    store.open_case("Bruna", engine={}, author="Ada", time=NOON)

    assert store.read_case("bruno").name == "Bruno"
    with pytest.raises(CaseError, match="several cases fit this name"):
        store.read_case("Bru")


def test_one_name_is_given_once(store):
    with pytest.raises(CaseError, match="there is a case of this name already; add to it"):
        store.open_case("Bruno", engine={}, author="Ada", time=NOON)


def test_the_ledger_as_text_reads_back_and_shows_a_changed_line(store):
    answer(store, "smoke_colour", "black")
    lines = [to_line(e) for e in store.read_case("Bruno").entries]

    assert find_breaks([from_line(line) for line in lines], name="Bruno") == []
    changed = [from_line(lines[0]), from_line(lines[1].replace("black", "white"))]
    assert find_breaks(changed, name="Bruno") == [
        'case "Bruno": entry 2 was changed after it was written; its report can no longer be '
        "relied on, keep the copy you handed out."
    ]


@pytest.mark.parametrize(
    ("told", "said"),
    [
        ({"coolant_degc": 900}, r"coolant: 900 °C lies outside -60 to 150 °C; check the number"),
        ({"standing_h": -1}, r"standing: -1 hours lies outside 0 to 100000 hours"),
        ({"load": "fast"}, r'load: "fast" is not one of the words for it; use cranking, cold'),
        ({"role": "good"}, r'role: "good" is not one of the words for it; use suspect, healthy'),
        ({"ambient_degc": float("nan")}, "ambient: nan"),
    ],
)
def test_circumstances_that_cannot_be_are_refused_in_one_sentence(told, said):
    with pytest.raises(AnswersError, match=said):
        Circumstances(**told)


def test_an_entry_of_no_known_kind_or_with_a_gap_is_refused():
    fields = {"case_id": "c", "number": 1, "time_utc": "", "author": ""}

    with pytest.raises(ValueError, match="kind must be one of"):
        Entry(**fields, kind="guess", body={})
    with pytest.raises(ValueError, match=r"entry 1 \(note\) lacks text"):
        Entry(**fields, kind="note", body={})
    with pytest.raises(ValueError, match="entry 1 cannot replace entry 1"):
        Entry(**fields, kind="note", body={"text": ""}, replaces=1)


def test_an_unsaved_case_holds_one_sitting():
    examination = make_examination(make_trace(np.arange(0, 5, 0.04), 3.0))

    case = Case.unsaved(examinations=[examination], answers={"power": "down"},
                        results={"egr_vacuum_hold": "5 inHg"})  # fmt: skip

    assert list(case.clips.values()) == [examination]
    assert case.answers == {"power": "down"}
    assert case.results == {"egr_vacuum_hold": "5 inHg"}
