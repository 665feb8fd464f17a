"""Kills, two writers at once, full disks and damage: nothing acknowledged is lost."""

import random
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from smokecase.case.database import STEPS
from smokecase.case.shelves import SHELVES, Shelves
from smokecase.case.store import DATABASE, open_cases
from smokecase.errors import CaseError, WriteError

NOON = datetime(2031, 5, 4, 12, tzinfo=UTC)
WRITER = Path(__file__).parents[1] / "case_writer.py"


def start_writer(folder, name):
    return subprocess.Popen(
        [sys.executable, str(WRITER), str(folder), name], stdout=subprocess.PIPE, text=True
    )


def kill_at_random(folder, rng, *, writers=1):
    """Let writers run, kill them, and return what they said was acknowledged."""
    running = [start_writer(folder, f"writer {i}") for i in range(writers)]
    said = [process.stdout.readline() for process in running]  # each has begun
    time.sleep(rng.uniform(0.0, 0.12))
    for process in running:
        process.send_signal(signal.SIGKILL)
    for i, process in enumerate(running):
        said[i] += process.stdout.read()
        process.wait()
        process.stdout.close()
    whole = [line for text in said for line in text.splitlines(keepends=True)]
    return dict(line.split() for line in whole if line.endswith("\n") and len(line.split()) == 2)


def check_nothing_lost(folder, acknowledged):
    with open_cases(folder) as store:
        case = store.read_case("crash")
        held = {str(e.number): e.fingerprint for e in case.entries}
        assert case.damage == ()
        assert acknowledged.items() <= held.items()
        for entry in case.entries:
            if "sha256" in entry.body:
                store.read_file("pictures", entry.body["sha256"])


def begin(folder, name="crash"):
    with open_cases(folder) as store:
        return store.open_case(name, engine={"fuel": "diesel"}, author="Ada", time=NOON)


def test_fifteen_kills_at_random_moments_lose_nothing_acknowledged(tmp_path):
    begin(tmp_path)
    rng = random.Random(7)
    acknowledged = {}

    for _ in range(15):
        acknowledged |= kill_at_random(tmp_path, rng)

    assert len(acknowledged) >= 15
    check_nothing_lost(tmp_path, acknowledged)


def test_two_writers_at_once_make_one_unbroken_ledger(tmp_path):
    begin(tmp_path)

    acknowledged = kill_at_random(tmp_path, random.Random(3), writers=2)

    assert len(acknowledged) >= 2
    check_nothing_lost(tmp_path, acknowledged)


def test_two_processes_may_make_the_same_folder(tmp_path):
    ask = (
        "import sys; from smokecase.case.store import open_cases\n"
        "with open_cases(sys.argv[1]) as store: print(len(store.list_cases()))"
    )
    both = [
        subprocess.Popen([sys.executable, "-c", ask, str(tmp_path)], stdout=subprocess.PIPE)
        for _ in range(2)
    ]

    assert [process.communicate()[0].strip() for process in both] == [b"0", b"0"]


@pytest.mark.parametrize("schema", range(1, len(STEPS)))
def test_an_older_schema_is_brought_up_to_date_and_keeps_every_entry(tmp_path, schema):
    case = begin(tmp_path / "new")
    (tmp_path / "old").mkdir()
    old = sqlite3.connect(tmp_path / "old" / DATABASE)
    for step in STEPS[:schema]:
        old.executescript(step)
    new = sqlite3.connect(tmp_path / "new" / DATABASE)
    rows = new.execute("SELECT * FROM entries").fetchall()
    old.executemany("INSERT INTO entries VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", rows)
    old.execute(f"PRAGMA user_version = {schema}")
    old.commit()
    old.close()
    new.close()

    with open_cases(tmp_path / "old") as store:
        store.add("crash", "note", {"text": "after"}, author="Ada", time=NOON)
        found = store.read_case("crash")

    assert found.damage == ()
    assert found.entries[0] == case.entries[0]
    assert str(found.entries[1]) == "note: after"


def test_a_database_of_a_newer_version_is_refused_in_one_sentence(tmp_path):
    begin(tmp_path)
    database = sqlite3.connect(tmp_path / DATABASE)
    database.execute("PRAGMA user_version = 99")
    database.close()

    with pytest.raises(CaseError, match=r"newer version \(schema 99, this one knows 3\); install"):
        begin(tmp_path)


def test_a_file_that_is_no_database_is_refused_in_one_sentence(tmp_path):
    (tmp_path / DATABASE).write_bytes(b"no database at all, " * 500)

    with pytest.raises(CaseError, match="the database is damaged or no database"):
        begin(tmp_path)


def test_a_damaged_name_that_is_no_text_is_refused_in_one_sentence(tmp_path):
    with open_cases(tmp_path):
        pass
    path = tmp_path / DATABASE
    # the name of the table in its own schema, which SQLite quotes in what it says of it
    path.write_bytes(path.read_bytes().replace(b"tableendsends", b"table\xd5ndsends"))

    with pytest.raises(CaseError, match="the database is damaged or no database"):
        begin(tmp_path)


def test_a_written_entry_cannot_be_rewritten_by_a_slip(tmp_path):
    begin(tmp_path)
    database = sqlite3.connect(tmp_path / DATABASE)

    with pytest.raises(sqlite3.IntegrityError, match="only ever added"):
        database.execute("UPDATE entries SET author = 'Eve'")
    with pytest.raises(sqlite3.IntegrityError, match="only ever added"):
        database.execute("DELETE FROM entries")
    database.close()


def tamper(folder, statement, *values):
    database = sqlite3.connect(folder / DATABASE)
    database.executescript("DROP TRIGGER entries_stay; DROP TRIGGER entries_remain;")
    database.execute(statement, values)
    database.commit()
    database.close()


def add_notes(folder, count):
    with open_cases(folder) as store:
        for n in range(count):
            store.add("crash", "note", {"text": f"note {n} " + "x" * 400}, author="A", time=NOON)


def add_long_notes(store):
    for _ in range(100):
        store.add("crash", "note", {"text": "x" * 2000}, author="A", time=NOON)


def read_damage(folder):
    with open_cases(folder) as store:
        case = store.read_case("crash")
    return case, " ".join(case.damage)


def test_a_changed_entry_is_named(tmp_path):
    begin(tmp_path)
    add_notes(tmp_path, 3)

    tamper(tmp_path, "UPDATE entries SET author = 'Eve' WHERE number = 3")

    case, said = read_damage(tmp_path)
    assert 'case "crash": entry 3 was changed after it was written' in said
    assert len(case.entries) == 4


def test_an_entry_taken_out_is_named(tmp_path):
    begin(tmp_path)
    add_notes(tmp_path, 3)

    tamper(tmp_path, "DELETE FROM entries WHERE number = 2")

    assert "entry 2 cannot be read or were taken out" in read_damage(tmp_path)[1]


def test_a_cut_off_end_is_named(tmp_path):
    begin(tmp_path)
    add_notes(tmp_path, 3)

    tamper(tmp_path, "DELETE FROM entries WHERE number = 4")

    assert "its end was cut off or exchanged; it had 4 entries" in read_damage(tmp_path)[1]


def test_an_entry_that_cannot_be_read_is_named_and_the_rest_opens(tmp_path):
    begin(tmp_path)
    add_notes(tmp_path, 3)

    tamper(tmp_path, "UPDATE entries SET body = 'not json' WHERE number = 3")

    case, said = read_damage(tmp_path)
    assert "entry 3 cannot be read" in said
    assert [e.number for e in case.entries] == [1, 2, 4]


def test_a_damaged_page_costs_only_what_lies_on_it(tmp_path):
    begin(tmp_path)
    add_notes(tmp_path, 60)
    path = tmp_path / DATABASE
    database = sqlite3.connect(path)
    database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    database.close()
    content = bytearray(path.read_bytes())
    place = content.index(b"note 30 ")
    page = place // 4096 * 4096
    content[page : page + 8] = b"\xff" * 8
    path.write_bytes(bytes(content))

    with open_cases(tmp_path) as store:
        said = store.damage
        case = store.read_case("crash")

    assert len(said) == 1
    assert "part of the file is damaged" in said[0]
    assert len(case.entries) >= 40
    assert any("lies in a damaged part of cases.sqlite" in fault for fault in case.damage)


def test_a_changed_file_is_named(tmp_path):
    begin(tmp_path)
    with open_cases(tmp_path) as store:
        sha256 = store.put_file("clips", b"the clip", ending="mp4")
        store.find_file("clips", sha256).write_bytes(b"the clap")

        with pytest.raises(CaseError, match="was changed after it was put away; restore it"):
            store.read_file("clips", sha256)


def test_a_missing_file_is_named(tmp_path):
    begin(tmp_path)
    with (
        open_cases(tmp_path) as store,
        pytest.raises(CaseError, match=r"the file 000000000000\.\.\. is missing"),
    ):
        store.read_file("clips", "0" * 64)


def test_read_only_media_are_read_also_with_a_leftover_of_a_kill(tmp_path, monkeypatch):
    begin(tmp_path / "here")
    kill_at_random(tmp_path / "here", random.Random(1))
    shutil.copytree(tmp_path / "here", tmp_path / "there")  # as a disc would hold it
    monkeypatch.setattr("smokecase.case.store.os.access", lambda path, mode: False)

    with open_cases(tmp_path / "there") as store:
        found = store.read_case("crash")
        with pytest.raises(CaseError, match="this folder can only be read; copy it"):
            store.add("crash", "note", {"text": "no"}, author="A", time=NOON)

    with monkeypatch.context() as patch:
        patch.undo()
        with open_cases(tmp_path / "here") as store:
            assert store.read_case("crash").entries == found.entries


def test_a_full_disk_keeps_what_was_entered_and_says_so(tmp_path):
    begin(tmp_path)
    with open_cases(tmp_path) as store:
        before = resource.getrlimit(resource.RLIMIT_FSIZE)
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (2_000_000, before[1]))
        try:
            with pytest.raises(WriteError, match="could not be written"):
                store.put_file("clips", b"x" * 3_000_000, ending="mp4")
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, before)
        assert list((tmp_path / "clips").iterdir()) == []

        store._connection.execute("PRAGMA max_page_count = 12")  # the database's own full disk
        with pytest.raises(WriteError, match="the disk is full; what was entered before is kept"):
            add_long_notes(store)

    case, said = read_damage(tmp_path)
    assert said == ""
    assert len(case.entries) >= 2


def test_a_file_that_another_process_finishes_meanwhile_is_no_leftover(tmp_path, monkeypatch):
    shelves = Shelves(tmp_path)
    (tmp_path / SHELVES[0]).mkdir(parents=True, exist_ok=True)
    finished = tmp_path / SHELVES[0] / "ab.partial"  # listed, and gone when it is looked at
    monkeypatch.setattr(Path, "glob", lambda self, pattern: iter([finished]))

    shelves.clear_leftovers()

    assert not finished.exists()
