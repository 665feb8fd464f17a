"""A case folder that somebody else wrote: a wrong field is named, and no field reaches a path."""

import json
import sqlite3
from datetime import UTC, datetime

import pytest

from smokecase.case.record import Circumstances, Entry
from smokecase.case.store import open_cases
from smokecase.errors import AnswersError, CaseError

WHOLE = {"case_id": "c", "number": 2, "time_utc": "2031-05-04T12:00:00+00:00", "author": "Ada",
         "kind": "note", "body": {"text": "words"}}  # fmt: skip
CLIP = {"name": "a.mp4", "sha256": "0" * 64, "readings_sha256": "0" * 64, "circumstances": {}}


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"number": "2"}, "its number or body has a wrong form"),
        ({"number": True}, "its number or body has a wrong form"),
        ({"replaces": 0.5}, "its number or body has a wrong form"),
        ({"body": ["text"]}, "its number or body has a wrong form"),
        ({"author": None}, "who, when or what it is are not words"),
        ({"body": {"text": 7}}, "text is not words"),
        ({"kind": "opened", "body": {"name": "x", "engine": "diesel"}}, "engine is no table"),
        ({"kind": "clip", "body": CLIP | {"circumstances": {"load": 7}}}, 'load: "7" is not words'),
        ({"kind": "clip", "body": CLIP | {"circumstances": {"distance_m": "x"}}},
         'distance: "x" is not a number'),
    ],
)  # fmt: skip
def test_a_field_of_a_wrong_kind_is_named(changed, said):
    with pytest.raises(ValueError, match=said):
        Entry(**(WHOLE | changed))


def test_a_whole_entry_stays_as_it_is():
    assert str(Entry(**WHOLE)) == "note: words"
    assert Entry(**(WHOLE | {"kind": "clip", "body": CLIP})).circumstances == Circumstances()
    with pytest.raises(AnswersError, match=r'camera: "7" is not words; tell it again'):
        Circumstances(camera=7)


@pytest.mark.parametrize("name", ["../../outside", "*", "", "0" * 63 + "/"])
def test_a_fingerprint_that_is_none_opens_no_file(tmp_path, name):
    (tmp_path / "outside.txt").write_text("secret")
    with (
        open_cases(tmp_path / "cases") as store,
        pytest.raises(CaseError, match="is no fingerprint of a file; restore the case"),
    ):
        store.find_file("clips", name)


def test_readings_in_another_form_are_one_sentence(tmp_path):
    noon = datetime(2031, 5, 4, 12, tzinfo=UTC)
    with open_cases(tmp_path) as store:
        case = store.open_case("odd", engine={"fuel": "diesel"}, author="Ada", time=noon)
        odd = json.dumps({"summary": [], "table": 7}).encode()
        body = CLIP | {"readings_sha256": store.put_file("readings", odd, ending="json")}
        store.add(case, "clip", body, author="Ada", time=noon)

        found = store.read_case("odd")

    assert len(found.damage) == 1
    assert "the readings of entry 2 are in no form that is known" in found.damage[0]


@pytest.mark.parametrize("forged", [None, b"\xff\x00", 7, 0.5])
def test_an_entry_forged_into_no_case_is_missed_where_it_was_and_breaks_no_list(tmp_path, forged):
    noon = datetime(2031, 5, 4, 12, tzinfo=UTC)
    with open_cases(tmp_path) as store:
        case = store.open_case("odd", engine={"fuel": "diesel"}, author="Ada", time=noon)
        store.add(case, "note", {"text": "words"}, author="Ada", time=noon)
    with sqlite3.connect(tmp_path / "cases.sqlite") as connection:
        connection.executescript("DROP TRIGGER entries_stay; DROP TRIGGER entries_remain;")
        connection.execute("PRAGMA ignore_check_constraints = 1")
        try:
            connection.execute("UPDATE entries SET case_id = ? WHERE number = 2", (forged,))
        except sqlite3.IntegrityError:
            assert forged is None  # the form of the table itself refuses it
            return

    with open_cases(tmp_path) as store:
        found = store.list_cases()

    named = {c.name: c for c in found}
    assert named["odd"].damage
    assert all(c.damage for c in found)  # what the database made words of stands as a case torn off
