"""The evidence package against RFC 8493, a general-purpose validator, and flipped bytes."""

import os
import shutil
import subprocess
import sys
from datetime import UTC, datetime

import numpy as np
import pytest

from made_traces import make_examination, make_trace
from smokecase.case.chain import to_line
from smokecase.case.package import SIGNATURE, verify_package, write_package
from smokecase.case.record import Case, Entry
from smokecase.case.store import open_cases
from smokecase.errors import CaseError, WriteError

NOON = datetime(2031, 5, 4, 12, tzinfo=UTC)


@pytest.fixture
def ledger(tmp_path):
    with open_cases(tmp_path / "cases") as store:
        case = store.open_case("Bruno", engine={"fuel": "diesel"}, author="Ada", time=NOON)
        store.add(case, "note", {"text": "ähnlich"}, author="Ada", time=NOON)
        entries = store.read_case("Bruno").entries
    return "".join(f"{to_line(e)}\n" for e in entries).encode()


def packed(tmp_path, ledger, **more):
    clip = tmp_path / "clip.mp4"
    clip.write_bytes(bytes(range(256)) * 40)
    files = {"ledger.txt": ledger, "clips/01_erster Lauf ö.mp4": clip, "report.html": b"<html>"}
    return write_package(tmp_path / "package", files=files, words={"Contact-Name": "A\nB"},
                         day="2031-05-04", **more)  # fmt: skip


def test_a_package_that_nobody_touched_is_whole(tmp_path, ledger):
    found = verify_package(packed(tmp_path, ledger))

    assert found.faults == ()
    assert found.words.startswith("Nothing was changed, added or taken out: 3 files whole.")
    assert "not signed" in found.words


def test_a_general_purpose_validator_accepts_it(tmp_path, ledger):
    package = packed(tmp_path, ledger)

    # bagit-py of the Library of Congress, from the package registry
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-m", "bagit", "--validate", str(package)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip

    assert done.returncode == 0, done.stderr
    assert "is valid" in done.stderr


def test_it_has_the_lines_that_the_standard_asks_for(tmp_path, ledger):
    package = packed(tmp_path, ledger)

    declared = (package / "bagit.txt").read_bytes()
    assert declared == b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    info = (package / "bag-info.txt").read_text().splitlines()
    octets = sum(p.stat().st_size for p in (package / "data").rglob("*") if p.is_file())
    assert f"Payload-Oxum: {octets}.3" in info
    assert "Contact-Name: A B" in info


def test_names_that_validators_read_differently_are_refused(tmp_path):
    with pytest.raises(ValueError, match=r"names without %, CR and LF \(got 'a%b'\)"):
        write_package(tmp_path / "p", files={"a%b": b""}, words={}, day="2031-05-04")


def test_a_flipped_byte_in_any_file_is_found(tmp_path, ledger):
    package = packed(tmp_path, ledger)
    files = sorted(p for p in package.rglob("*") if p.is_file())
    rng = np.random.default_rng(3)

    assert len(files) == 7
    for path in files:
        whole = path.read_bytes()
        for place in {0, len(whole) - 1, *rng.integers(0, len(whole), 6)}:
            broken = bytearray(whole)
            broken[place] ^= 1 << int(rng.integers(0, 8))
            path.write_bytes(bytes(broken))
            found = verify_package(package)
            assert found.faults, f"{path.name}, byte {place}"
            assert "NOT what was packed" in found.words
        path.write_bytes(whole)
    assert verify_package(package).faults == ()


def test_what_was_changed_added_or_taken_out_is_named(tmp_path, ledger):
    package = packed(tmp_path, ledger)
    (package / "data" / "report.html").write_text("<other>")
    (package / "data" / "more.txt").write_text("new")
    (package / "data" / "clips" / "01_erster Lauf ö.mp4").unlink()

    assert verify_package(package).faults == (
        "data/clips/01_erster Lauf ö.mp4: it is missing.",
        "data/report.html: it was changed.",
        "data/more.txt: it was added.",
    )


def test_a_missing_manifest_is_named(tmp_path, ledger):
    package = packed(tmp_path, ledger)
    (package / "tagmanifest-sha256.txt").unlink()

    assert "tagmanifest-sha256.txt: it is missing." in verify_package(package).faults


def test_a_ledger_packed_with_a_broken_chain_is_named(tmp_path, ledger):
    broken = ledger.replace("ähnlich".encode(), b"anders!!")

    faults = verify_package(packed(tmp_path, broken)).faults

    assert len(faults) == 1
    assert 'case "Bruno": entry 2 was changed after it was written' in faults[0]


@pytest.fixture
def key(tmp_path):
    path = tmp_path / "key"
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", str(path)], check=True)
    return path


def test_a_signature_holds_until_something_is_changed(tmp_path, ledger, key):
    package = packed(tmp_path, ledger, key=key)
    assert "It is signed with the key SHA256:" in verify_package(package).words

    shutil.copy(package / "manifest-sha256.txt", tmp_path / "kept")
    with (package / "tagmanifest-sha256.txt").open("ab") as manifest:
        manifest.write(b"\n")

    assert verify_package(package).faults[-1] == (
        f"{SIGNATURE}: the signature does not fit the package."
    )


def test_a_key_that_cannot_sign_is_refused_and_leaves_nothing(tmp_path, ledger):
    key = tmp_path / "no_key"
    key.write_text("this is no key")
    os.chmod(key, 0o600)  # noqa: PTH101 - the mode is the point

    with pytest.raises(
        CaseError, match=r"this key could not sign \(.*\); name your own SSH private"
    ):
        packed(tmp_path, ledger, key=key)

    assert not (tmp_path / "package").exists()


def test_a_package_does_not_replace_what_is_there(tmp_path, ledger):
    packed(tmp_path, ledger)

    with pytest.raises(WriteError, match="something of this name is there already"):
        packed(tmp_path, ledger)


def test_a_folder_that_is_no_package_is_refused(tmp_path):
    with pytest.raises(CaseError, match="this is no evidence package"):
        verify_package(tmp_path)


def test_a_manifest_cannot_point_out_of_the_package(tmp_path, ledger):
    package = packed(tmp_path, ledger)
    with (package / "manifest-sha256.txt").open("a") as manifest:
        manifest.write(f"{'0' * 64}  ../../secret\n")

    assert "manifest-sha256.txt: line 4 was changed and names no file." in (
        verify_package(package).faults
    )


@pytest.mark.parametrize(
    "name", ["manifest-sha256.txt", "tagmanifest-sha256.txt", "data/ledger.txt"]
)
def test_a_link_without_end_in_place_of_a_text_is_a_fault_and_is_not_read(tmp_path, ledger, name):
    package = packed(tmp_path, ledger)
    (package / name).unlink()
    (package / name).symlink_to("/dev/zero")

    faults = verify_package(package).faults

    assert any(f.startswith(f"{name}: it ") and "link" in f for f in faults)


def test_a_text_larger_than_any_is_a_fault_and_is_not_held(tmp_path, ledger, monkeypatch):
    package = packed(tmp_path, ledger)
    monkeypatch.setattr("smokecase.case.package.MOST_TEXT_BYTES", 1 << 20)
    with (package / "manifest-sha256.txt").open("a") as manifest:
        manifest.write("x" * (1 << 20))

    assert "manifest-sha256.txt: it cannot be read (it has more than 1 MB)." in (
        verify_package(package).faults
    )


def test_a_copy_to_hand_on_tells_no_place():
    from smokecase.packing import without_place

    examination = make_examination(make_trace(np.arange(0, 5, 0.04), 3.0))
    told = {"latitude_deg": 47.5, "longitude_deg": 9.5, "place": "yard", "standing_h": 3.0}
    body = {"name": "c", "sha256": "0", "readings_sha256": "", "circumstances": told}
    entry = Entry(case_id="c", number=1, time_utc="", author="", kind="clip", body=body,
                  fingerprint="kept")  # fmt: skip
    case = Case(id="c", name="c", engine={}, entries=(entry,), examinations={1: examination})

    bare = without_place(case).entries[0]

    assert dict(bare.body["circumstances"]) == {"standing_h": 3.0}
    assert bare.fingerprint == "kept"
