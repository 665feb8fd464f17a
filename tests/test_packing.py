"""A case packed whole, and a copy of it to hand on, with small invented clips."""

import hashlib
import json
import subprocess
import sys
from datetime import UTC, datetime

import numpy as np
import pytest

from made_clips import write_clip, yard
from made_traces import make_examination, make_trace
from smokecase.case.package import verify_package
from smokecase.case.record import Circumstances
from smokecase.case.store import open_cases
from smokecase.errors import AnswersError, CaseError
from smokecase.packing import pack_case
from smokecase.report.assemble import compare_pairs
from smokecase.report.standing import write_comparison

NOON = datetime(2031, 5, 4, 12, tzinfo=UTC)
TIME_S = np.arange(0, 8, 0.04)
PLACE = ("47.51234", "9.54321", "Mill Lane", "333")


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    folder = tmp_path_factory.mktemp("packed")
    with open_cases(folder / "cases") as opened:
        opened.open_case("Mill", engine={"fuel": "diesel"}, author="Ada", time=NOON)
        for role, top, seed in (("before", 60.0, 1), ("after", 2.0, 2)):
            path = write_clip(folder / f"{role} 100%.mp4", yard(40, seed=seed))
            trace = make_trace(TIME_S, np.where(TIME_S > 1, top, 0.0))
            examination = make_examination(trace, clip=path.name, start_s=1.0)
            told = Circumstances(role=role, latitude_deg=47.51234, longitude_deg=9.54321,
                                 view_azimuth_deg=333.0, place="Mill Lane",
                                 filmed_utc="2031-05-04T12:00:00+00:00")  # fmt: skip
            body = {"name": path.name, "sha256": opened.put_file("clips", path, ending="mp4"),
                    "readings_sha256": opened.put_examination(examination),
                    "circumstances": told.to_json()}  # fmt: skip
            opened.add("Mill", "clip", body, author="Ada", time=NOON)
        yield opened


def files_of(package):
    return {p.relative_to(package).as_posix(): p for p in package.rglob("*") if p.is_file()}


def test_a_whole_package_carries_originals_readings_ledger_and_report(store, tmp_path):
    case = store.read_case("Mill")

    package = pack_case(store, case, tmp_path / "package", time=NOON)

    files = files_of(package)
    for name in ("data/ledger.txt", "data/report.html", "data/report.pdf", "data/reply.txt",
                 "data/readings/02_summary.json", "data/readings/03_readings.csv",
                 "data/schemas/summary.schema.json", "data/software.json"):  # fmt: skip
        assert name in files
    original = files["data/clips/02_before 100_.mp4"].read_bytes()
    assert hashlib.sha256(original).hexdigest() == case.entries[1].body["sha256"]
    assert len(files["data/ledger.txt"].read_text().splitlines()) == 3
    assert verify_package(package).faults == ()
    done = subprocess.run([sys.executable, "-W", "ignore", "-m", "bagit", "--validate",
                           str(package)], capture_output=True, check=False)  # fmt: skip
    assert done.returncode == 0


def test_a_copy_to_hand_on_tells_no_place_and_keeps_the_originals_fingerprints(store, tmp_path):
    case = store.read_case("Mill")

    package = pack_case(store, case, tmp_path / "copy", time=NOON, hand_on=True,
                        boxes={2: [(10, 8, 30, 24)]})  # fmt: skip

    files = files_of(package)
    assert "data/clips/02_masked.mp4" in files
    assert "data/ledger.txt" not in files
    for name, path in files.items():
        if not name.endswith((".mp4", ".pdf")):
            text = path.read_text(encoding="utf-8")
            assert not any(word in text for word in PLACE[:3]), name
    entries = files["data/entries.txt"].read_text().splitlines()[1:]
    assert [json.loads(line)["body"].get("sha256") for line in entries][1:] == [
        e.body["sha256"] for e in case.entries[1:]
    ]
    assert verify_package(package).faults == ()


def test_boxes_for_what_is_no_clip_are_refused(store, tmp_path):
    case = store.read_case("Mill")

    with pytest.raises(AnswersError, match="entry 1 is no clip; see the entries"):
        pack_case(store, case, tmp_path / "p", time=NOON, hand_on=True, boxes={1: [(0, 0, 1, 1)]})


def test_a_changed_original_is_not_packed(store, tmp_path):
    case = store.read_case("Mill")
    path = store.find_file("clips", case.entries[1].body["sha256"])
    whole = path.read_bytes()
    path.write_bytes(whole[:-1] + b"x")

    try:
        with pytest.raises(CaseError, match="was changed after it was put away"):
            pack_case(store, case, tmp_path / "p", time=NOON)
    finally:
        path.write_bytes(whole)
    assert not (tmp_path / "p").exists()


def test_a_comparison_is_written_with_both_clips_on_one_clock(store, tmp_path):
    case = store.read_case("Mill")
    [(found, numbers)] = compare_pairs(case)[-1:]
    paths = tuple(store.find_file("clips", case.find_entry(n).body["sha256"]) for n in numbers)
    clips = tuple(case.examinations[n] for n in numbers)

    write_comparison(found, paths, clips, tmp_path / "out")

    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == [
        "comparison.json", "comparison.png", "comparison.txt", "side_by_side.jpg",
        "side_by_side.mp4",
    ]  # fmt: skip
    assert "screening evidence" in (tmp_path / "out" / "comparison.txt").read_text()
