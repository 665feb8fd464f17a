"""What comes in and goes out: own area, uploads by content, copies to watch, other hosts."""

import subprocess
import sys

import av
import numpy as np
import pytest
from PIL import Image

from smokecase.errors import ClipError, WriteError
from smokecase.first_look import what_is
from smokecase.model_files import fingerprint
from smokecase.video.playable import plays_in_browsers
from smokecase.web.shop import LOCK, PREFIX, open_shop
from smokecase.web.uploads import receive
from smokecase.web.watch import find_watchable, make_watchable


@pytest.fixture
def shop(tmp_path):
    with open_shop(tmp_path / "cases", beside=tmp_path) as opened:
        yield opened


# -- the own area ---------------------------------------------------------------------------------


def test_the_area_is_the_owners_alone_and_gone_afterwards(tmp_path):
    with open_shop(tmp_path / "cases", beside=tmp_path) as shop:
        (shop.uploads / "clip.mp4").write_bytes(b"x")
        assert shop.area.stat().st_mode & 0o777 == 0o700
        assert shop.area.is_relative_to(tmp_path)

    assert not shop.area.exists()


def test_what_a_killed_server_left_is_wiped_and_what_a_running_one_holds_is_not(tmp_path):
    left = tmp_path / f"{PREFIX}killed"
    left.mkdir()
    (left / LOCK).touch()
    (left / "clip.mp4").write_bytes(b"x")
    with open_shop(tmp_path / "a", beside=tmp_path) as running:
        assert not left.exists()
        with open_shop(tmp_path / "b", beside=tmp_path):
            assert running.area.exists()


def test_a_link_that_looks_like_an_area_is_left_alone(tmp_path):
    precious = tmp_path / "precious"
    precious.mkdir()
    (precious / "thesis.txt").write_text("x")
    (tmp_path / f"{PREFIX}trap").symlink_to(precious)
    with open_shop(tmp_path / "cases", beside=tmp_path):
        assert (precious / "thesis.txt").exists()


def test_no_place_for_the_area_is_said_in_a_sentence(tmp_path):
    with pytest.raises(WriteError) as told, open_shop(tmp_path, beside=tmp_path / "nowhere"):
        pass

    assert str(told.value) == (
        f"{tmp_path}/nowhere: no folder for temporary files can be made (no such file or "
        "directory); free some space, or name another folder with TMPDIR."
    )


# -- uploads --------------------------------------------------------------------------------------


def sent(shop, name, content):
    """A file as the framework lays it down: in a folder named after its content."""
    folder = shop.uploads / "0123abcd"
    folder.mkdir(exist_ok=True)
    path = folder / name
    path.write_bytes(content)
    return path


def test_a_clip_comes_in_whatever_its_name_says(shop, clips):
    received = receive(sent(shop, "holiday.txt", clips.tiny.read_bytes()), shop, what_is=what_is)

    assert (received.name, received.kind) == ("holiday.txt", "clip")
    assert received.sha256 == fingerprint(clips.tiny)
    assert received.size_bytes == clips.tiny.stat().st_size


def test_a_picture_and_a_sound_come_in(shop, clips, tmp_path):
    Image.fromarray(np.full((40, 60, 3), 90, np.uint8)).save(tmp_path / "smoke.png")
    sound = tmp_path / "sound.mp4"
    with av.open(str(clips.tiny)) as old, av.open(str(sound), "w") as new:
        heard = new.add_stream_from_template(old.streams.audio[0])
        for packet in old.demux(old.streams.audio[0]):
            if packet.dts is not None:
                packet.stream = heard
                new.mux(packet)

    assert (
        receive(
            sent(shop, "a.mp4", (tmp_path / "smoke.png").read_bytes()), shop, what_is=what_is
        ).kind
        == "still"
    )
    assert receive(sent(shop, "b.mp4", sound.read_bytes()), shop, what_is=what_is).kind == "sound"


RUBBISH = {
    "text": b"this is no clip " * 100,
    "page": b"<!doctype html><script>alert(1)</script>" + b" " * 2000,
    "program": b"\x7fELF\x02\x01\x01" + bytes(4000),
    "archive": b"PK\x03\x04" + bytes(4000),
    "playlist": b"#EXTM3U\n#EXTINF:10,\nfile:///etc/passwd\n",
    "list of files": b"ffconcat version 1.0\nfile '/etc/passwd'\n",
    "drawing": b'<svg xmlns="http://www.w3.org/2000/svg"><image href="file:///etc/passwd"/></svg>',
    "head of a clip alone": b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom" + bytes(100),
}


@pytest.mark.parametrize("kind", RUBBISH)
def test_rubbish_is_refused_in_one_sentence_whatever_its_name_says(shop, kind):
    with pytest.raises(ClipError) as told:
        receive(sent(shop, "start.mp4", RUBBISH[kind]), shop, what_is=what_is)

    words = str(told.value)
    assert words.startswith("start.mp4: ")
    assert words.endswith(".")
    assert str(shop.area) not in words


def test_an_empty_file_is_refused(shop):
    with pytest.raises(ClipError, match=r"start.mp4: the file is empty \(0 bytes\)"):
        receive(sent(shop, "start.mp4", b""), shop, what_is=what_is)


@pytest.mark.parametrize("way", ["/etc/passwd", "../cases.sqlite", "0123abcd/../../../etc/passwd"])
def test_a_path_outside_the_upload_folder_is_refused(shop, way):
    with pytest.raises(ClipError, match="did not come from the browser"):
        receive(shop.uploads / way, shop, what_is=what_is)


def test_a_link_out_of_the_upload_folder_is_refused(shop, clips):
    (shop.uploads / "start.mp4").symlink_to(clips.tiny)

    with pytest.raises(ClipError, match="did not come from the browser"):
        receive(shop.uploads / "start.mp4", shop, what_is=what_is)


# -- copies to watch ------------------------------------------------------------------------------


def test_h264_plays_and_hevc_does_not(clips):
    assert plays_in_browsers(clips.tiny)
    assert not plays_in_browsers(clips.hevc)
    assert not plays_in_browsers(clips.folder / "nothing.mp4")


def test_what_plays_is_shown_as_it_is(shop, clips):
    sha256 = fingerprint(clips.tiny)

    assert make_watchable(clips.tiny, sha256, shop) == f"/clip/{sha256}"
    assert find_watchable(sha256, shop).read_bytes() == clips.tiny.read_bytes()


def _loudness(container):
    """Energy of the sound by tenths of a second."""
    energy = np.zeros(200)
    for frame in container.decode(audio=0):
        energy[int(frame.time * 10)] += float(np.square(frame.to_ndarray().astype(float)).sum())
    return list(energy)


def test_what_does_not_play_gets_a_copy_with_sound_on_the_same_clock(shop, clips):
    sha256 = fingerprint(clips.hevc)
    shares = []
    make_watchable(clips.hevc, sha256, shop, tell=lambda share, words: shares.append(share))

    copy = find_watchable(sha256, shop)
    assert plays_in_browsers(copy)
    assert shares == sorted(shares)
    with av.open(str(copy)) as made, av.open(str(clips.hevc)) as old:
        assert [s.codec_context.name for s in made.streams] == ["h264", "aac"]
        frame = next(made.decode(video=0))
        assert (frame.width, frame.height) == (320, 180)
        assert made.duration == pytest.approx(old.duration, abs=1e5)  # microseconds
        loudest = [max(range(len(s)), key=lambda i, s=s: s[i]) for s in map(_loudness, (made, old))]
        assert loudest[0] == pytest.approx(loudest[1], abs=1)  # tenths of a second


def test_a_copy_that_is_stopped_leaves_nothing(shop, clips):
    def stop(share, words):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        make_watchable(clips.hevc, fingerprint(clips.hevc), shop, tell=stop)

    assert list(shop.watch.iterdir()) == []


# -- other hosts ----------------------------------------------------------------------------------

CALL_HOME = """
import socket
from smokecase.web.outgoing import stay_at_home

notes = []
stay_at_home(notes.append)
home = socket.create_server(("127.0.0.1", 0))
socket.create_connection(home.getsockname()).close()
refused = 0
for ask in (
    lambda: socket.create_connection(("192.0.2.1", 9), timeout=5),
    lambda: socket.getaddrinfo("smoke.example", 80),
    lambda: socket.gethostbyname("smoke.example"),
    lambda: socket.socket(socket.AF_INET, socket.SOCK_DGRAM).sendto(b"x", ("192.0.2.1", 9)),
    lambda: __import__("urllib.request").request.urlopen("http://smoke.example/", timeout=5),
):
    try:
        ask()
    except OSError as error:
        refused += "smokecase asks no other host" in str(error)
print(refused, sorted({n["host"] for n in notes if n["let_through"]}),
      sorted({n["host"] for n in notes if not n["let_through"]}))
"""


def test_a_library_that_calls_home_is_stopped_and_written_down():
    # hosts and addresses that belong to nobody: RFC 2606 and RFC 5737
    run = subprocess.run([sys.executable, "-W", "ignore", "-c", CALL_HOME], capture_output=True,
                         text=True, check=True)  # fmt: skip

    assert run.stdout.strip() == "5 ['127.0.0.1'] ['192.0.2.1', 'smoke.example']"
