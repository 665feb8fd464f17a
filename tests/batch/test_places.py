"""Clips in archives and stores: copied under a name of our own, bounded in size, never outside."""

import io
import tarfile
import zipfile

import pytest

from smokecase.batch import places
from smokecase.batch.places import at_hand, file_name, find_clips, shown
from smokecase.errors import ClipError

CONTENT = b"a clip's own bytes " * 50
OUTSIDE = ("../../escape.mp4", "a/../../escape.mp4", "..\\escape.mp4")


@pytest.fixture
def own_temp(tmp_path, monkeypatch):
    """A temporary folder of its own, so that whatever is copied is seen."""
    folder = tmp_path / "temporary"
    folder.mkdir()
    monkeypatch.setattr(places.tempfile, "tempdir", str(folder))
    return folder


def zipped(path, content=CONTENT, *names):
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in names or ("clip.mp4",):
            archive.writestr(name, content)
    return path


@pytest.mark.parametrize("name", OUTSIDE)
def test_a_name_that_leads_out_of_a_zip_archive_leads_nowhere(tmp_path, own_temp, name):
    archive = zipped(tmp_path / "old.zip", CONTENT, name)
    before = {p for p in tmp_path.rglob("*")}

    clips, _ = find_clips(f"zip://**/*.mp4::{archive}")
    with at_hand(clips[0].url) as copy:
        assert copy.read_bytes() == CONTENT
        assert copy.name == "clip.mp4"
        assert copy.parent.parent == own_temp

    assert {p for p in tmp_path.rglob("*")} == before


def test_an_absolute_name_in_an_archive_opens_no_file_of_this_machine(tmp_path, own_temp):
    secret = tmp_path / "secret.mp4"
    secret.write_bytes(b"not in the archive")
    archive = zipped(tmp_path / "old.zip", CONTENT, str(secret))

    clips, _ = find_clips(f"zip://**/*.mp4::{archive}")

    with pytest.raises(ClipError, match="there is no such file"), at_hand(clips[0].url):
        pass


def test_links_and_names_that_lead_out_of_a_tar_archive_lead_nowhere(tmp_path, own_temp):
    secret = tmp_path / "secret.mp4"
    secret.write_bytes(b"not in the archive")
    with tarfile.open(tmp_path / "old.tar", "w") as archive:
        link = tarfile.TarInfo("link.mp4")
        link.type, link.linkname = tarfile.SYMTYPE, str(secret)
        archive.addfile(link)
        out = tarfile.TarInfo("../../escape.mp4")
        out.size = len(CONTENT)
        archive.addfile(out, io.BytesIO(CONTENT))

    clips, _ = find_clips(f"tar://**/*.mp4::{tmp_path / 'old.tar'}")

    assert [file_name(clip.url) for clip in clips] == ["escape.mp4", "link.mp4"]
    with at_hand(clips[0].url) as copy:
        assert copy.read_bytes() == CONTENT
    with pytest.raises(ClipError, match=r"linkname .* not found"), at_hand(clips[1].url):
        pass
    assert not list(tmp_path.parent.glob("escape.mp4"))


def test_a_packing_bomb_is_refused_before_it_is_unpacked(tmp_path, own_temp):
    archive = zipped(tmp_path / "bomb.zip", bytes(150 << 20))

    with (
        pytest.raises(ClipError, match=r"would unpack to 157 MB, as no clip does; unpack it your"),
        at_hand(f"zip://clip.mp4::{archive}"),
    ):
        pass

    assert list(own_temp.iterdir()) == []


def test_an_archive_that_lies_about_a_size_gives_no_more_than_it_announced(tmp_path, own_temp):
    archive = zipped(tmp_path / "lies.zip", bytes(5 << 20))
    raw = archive.read_bytes()
    told, lie = (5 << 20).to_bytes(4, "little"), (1000).to_bytes(4, "little")
    assert raw.count(told) == 2  # in the file's own head and in the list at the end
    archive.write_bytes(raw.replace(told, lie))

    with (
        pytest.raises(ClipError, match=r"it cannot be read \(Bad CRC-32.*check that you may open"),
        at_hand(f"zip://clip.mp4::{archive}"),
    ):
        pass

    assert list(own_temp.iterdir()) == []


def test_a_copy_larger_than_any_clip_is_refused(tmp_path, own_temp, monkeypatch):
    monkeypatch.setattr(places, "MOST_COPY_BYTES", 500)
    archive = zipped(tmp_path / "old.zip")

    with (
        pytest.raises(ClipError, match="a copy of it would take 0 GB; cut it, or put it on this"),
        at_hand(f"zip://clip.mp4::{archive}"),
    ):
        pass


def test_a_disk_without_room_is_told_before_anything_is_copied(tmp_path, own_temp, monkeypatch):
    monkeypatch.setattr(places, "SPARE_BYTES", 1 << 60)
    archive = zipped(tmp_path / "old.zip")

    with (
        pytest.raises(ClipError, match="there is no room for a copy of its 0 MB; make room where"),
        at_hand(f"zip://clip.mp4::{archive}"),
    ):
        pass


def test_a_file_that_is_no_archive_is_one_sentence(tmp_path):
    (tmp_path / "old.zip").write_bytes(b"PK\x03\x04 and no more")

    with pytest.raises(ClipError, match=r"it cannot be read \(File is not a zip file\); check"):
        find_clips(f"zip://*.mp4::{tmp_path / 'old.zip'}")


def test_names_and_passwords_of_a_store_are_not_shown():
    assert shown("s3://ada:secret@yard/start.mp4") == "s3://yard/start.mp4"
    assert file_name("zip://a/b.mp4::/old/spring.zip") == "b.mp4"
