"""What a door does with a case: bring a file, measure it, tell its circumstances, ask."""

import hashlib
import json
from datetime import UTC, datetime

import numpy as np
import pytest
from tests.tiny_clips import tiny_clip

from smokecase.case.record import Circumstances
from smokecase.case.store import open_cases
from smokecase.casework import (
    add_answer,
    ask_next,
    bring_clip,
    measure_brought,
    tell_circumstances,
    withdraw,
)
from smokecase.errors import AnswersError, ClipError
from smokecase.report.course import engine_of, follow_case, tell_entry
from smokecase.report.key_pictures import key_pictures_from_json

NOW = datetime(2031, 11, 3, 8, 5, tzinfo=UTC)
WHO = {"author": "Ina", "time": NOW}


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    return tiny_clip(tmp_path_factory.mktemp("clip"), 3, smoke="black", scene="board",
                     size=(640, 360))[0]  # fmt: skip


@pytest.fixture
def store(tmp_path):
    with open_cases(tmp_path / "cases") as store:
        yield store


@pytest.fixture
def case(store):
    return store.open_case("Press engine", engine={}, **WHO)


def test_a_file_is_put_away_byte_for_byte_before_it_is_measured(store, case, path):
    entry = bring_clip(store, case, path, name="start.mp4", **WHO)

    kept = store.find_file("clips", entry.body["sha256"])
    assert kept.read_bytes() == path.read_bytes()
    assert entry.body["sha256"] == hashlib.sha256(path.read_bytes()).hexdigest()
    assert [e.kind for e in store.read_case(case.id).in_force()] == ["opened", "brought"]


def test_a_brought_file_becomes_a_clip_with_the_name_it_came_under(store, case, path):
    brought = bring_clip(store, case, path, name="start.mp4", **WHO)

    clip = measure_brought(store, store.read_case(case.id), brought.number, **WHO)

    now = store.read_case(case.id)
    assert [e.kind for e in now.in_force()] == ["opened", "clip"]
    assert now.examinations[clip.number].clip == "start.mp4"
    text = store.read_file("pictures", clip.body["key_pictures_sha256"]).decode()
    assert len(key_pictures_from_json(text, where="start.mp4")) > 1
    outlines = json.loads(store.read_file("pictures", clip.body["outlines_sha256"]))
    drawn = [shape for _, shapes in outlines for shape in shapes]
    assert drawn, "a plume this dense is outlined"
    corners = np.concatenate([np.reshape(shape, (-1, 2)) for shape in drawn])
    assert corners.min() >= 0
    assert (corners.max(axis=0) <= (640, 360)).all()


def test_the_same_file_is_not_brought_twice(store, case, path):
    bring_clip(store, case, path, name="start.mp4", **WHO)

    with pytest.raises(AnswersError, match="this clip is entry 2 already"):
        bring_clip(store, store.read_case(case.id), path, name="again.mp4", **WHO)


def test_rubbish_is_refused_and_nothing_is_kept(store, case, tmp_path):
    path = tmp_path / "rubbish.mp4"
    path.write_bytes(b"no clip at all" * 100)

    with pytest.raises(ClipError, match="no clip or picture that can be read"):
        bring_clip(store, case, path, name="rubbish.mp4", **WHO)

    assert list((store.folder / "clips").iterdir()) == []


def test_circumstances_told_later_leave_the_readings_as_they_are(store, case, path):
    brought = bring_clip(store, case, path, name="start.mp4", **WHO)
    clip = measure_brought(store, store.read_case(case.id), brought.number, **WHO)

    filmed = Circumstances(load="cold start", ambient_degc=7.0)
    told = tell_circumstances(store, store.read_case(case.id), clip.number, filmed, **WHO)

    assert told.body["readings_sha256"] == clip.body["readings_sha256"]
    assert told.circumstances.load == "cold start"
    assert [e.number for e in store.read_case(case.id).of_kind("clip")] == [told.number]


def test_the_engine_is_asked_first_and_nothing_is_asked_twice(store, case):
    course = follow_case(case)
    asked = ask_next(case, course)

    assert [a.question for a in asked[:2]] == ["fuel", "installation"]

    add_answer(store, case, "fuel", "diesel", **WHO)
    add_answer(store, store.read_case(case.id), "installation", "dont_know", **WHO)
    third = asked[2].question
    add_answer(store, store.read_case(case.id), third, "dont_know", **WHO)
    now = store.read_case(case.id)

    assert third not in {a.question for a in ask_next(now, follow_case(now))}
    assert {"fuel", "installation"}.isdisjoint(a.question for a in ask_next(now, follow_case(now)))


def test_a_fact_of_the_engine_can_be_corrected_and_outlives_a_repair(store, case):
    add_answer(store, case, "fuel", "petrol", **WHO)
    add_answer(store, store.read_case(case.id), "fuel", "diesel", **WHO)
    store.add(case, "repair", {"text": "new glow plug"}, **WHO)
    now = store.read_case(case.id)

    assert engine_of(now) == {"fuel": "diesel"}
    assert tell_entry(now.entries[2]) == "What does the engine burn? diesel (corrects entry 2)"


def test_a_correction_of_a_correction_does_not_bring_the_first_answer_back(store, case):
    for given in ("sweet", "fuel", "oil"):
        add_answer(store, store.read_case(case.id), "smell", given, **WHO)
    now = store.read_case(case.id)
    assert [e.body["answer"] for e in now.of_kind("answer")] == ["oil"]

    withdraw(store, now, now.entries[-1].number, why="misheard", **WHO)
    back = store.read_case(case.id)

    assert [e.body["answer"] for e in back.of_kind("answer")] == ["fuel"]
