"""Damaged inputs of every kind, each made anew from its number, and what is done with them.

`make` runs in the caller and writes the damaged files; `feed` runs apart, in a limited process, and
does with them what a door does. Nothing but a result or one sentence may come back.
"""

import io
import json
import random
import re
import shutil
import sqlite3
import struct
import traceback
import zlib
from datetime import UTC, datetime
from importlib import import_module
from pathlib import Path

import numpy as np

from made_clips import write_clip, write_sound, yard
from made_examinations import an_examination
from smokecase.errors import SmokecaseError

NOON = datetime(2031, 5, 4, 12, tzinfo=UTC)
KNOWLEDGE = Path(__file__).parents[1] / "models" / "knowledge"
ANSWERS = Path(__file__).parents[1] / "examples" / "answers.toml"
MANIFEST = 'clip,fuel,smoke_when,exit_px\na.mp4,diesel,cold_start; warm_idle,"12,14"\nb.mp4,,,\n'
# how often each kind comes, in a hundred
SHARES = {
    "frames": 36, "clip": 5, "stamps": 7, "picture": 12, "sound": 8, "absurd": 4, "cases": 5,
    "package": 8, "answers": 4, "knowledge": 2, "folder": 5, "manifest": 4,
}  # fmt: skip
ODD = ("nan", "-inf", "1e400", '""', "[]", "{}", "0", "-1", "true", "null", '"\\u0000"', "1" * 400,
       '"' + "x" * 70_000 + '"', "[" * 3000, '{"a":' * 1500, "99999999999999999999")  # fmt: skip


def kind_of(number):
    at = random.Random(number).randrange(100)
    for kind, share in SHARES.items():
        if at < share:
            return kind
        at -= share
    raise AssertionError


# -- whole inputs, made once ----------------------------------------------------------------


def make_seeds(folder):
    """Small whole inputs of each kind."""
    folder.mkdir(parents=True, exist_ok=True)
    sound = 0.1 * np.sin(np.arange(4000) / 5)
    clips = [
        ("h264.mp4", {"sound": sound}), ("h264.mov", {}), ("h264.mkv", {}), ("h264.ts", {}),
        ("fragments.mp4", {"fragment": "frag_keyframe+empty_moov"}),
        ("mpeg4.avi", {"codec": "mpeg4"}), ("mjpeg.avi", {"codec": "mjpeg", "pix_fmt": "yuvj420p"}),
        ("vp8.webm", {"codec": "libvpx"}),
        ("hevc.mp4", {"codec": "libx265", "options": {"x265-params": "log-level=none:pools=1"}}),
    ]  # fmt: skip
    for name, words in clips:
        small = name != "hevc.mp4"  # that encoder spoils its own memory below 64 pixels
        size = {"width": 48, "height": 32} if small else {}
        write_clip(folder / name, yard(8, **size), **words)
    write_sound(folder / "sound.m4a", 0.5)
    _write_wav(folder / "sound.wav")
    _write_pictures(folder)
    _write_cases(folder / "cases")
    _write_folder(folder / "examined")
    return folder


def _write_wav(path):
    samples = (3000 * np.sin(np.arange(4000) / 7)).astype("<i2").tobytes()
    head = b"RIFF" + struct.pack("<I", 36 + len(samples)) + b"WAVEfmt " + struct.pack(
        "<IHHIIHH", 16, 1, 1, 8000, 16000, 2, 16
    )  # fmt: skip
    path.write_bytes(head + b"data" + struct.pack("<I", len(samples)) + samples)


def _write_pictures(folder):
    from PIL import Image

    frames = [Image.fromarray(frame) for frame in yard(4, width=48, height=32)]
    frames[0].save(folder / "still.png")
    frames[0].save(folder / "still.jpg")
    frames[0].save(folder / "still.tif")
    frames[0].save(folder / "still.bmp")
    frames[0].save(folder / "still.webp")
    frames[0].save(folder / "moving.gif", save_all=True, append_images=frames[1:], duration=100)


def _write_cases(folder):
    from smokecase.case.store import open_cases
    from smokecase.packing import pack_case

    with open_cases(folder) as store:
        case = store.open_case("fuzz", engine={"fuel": "diesel"}, author="Ada", time=NOON)
        clip = store.put_file("clips", b"no picture", ending="mp4")
        body = {"name": "start.mp4", "sha256": clip, "size_bytes": 10, "circumstances": {},
                "readings_sha256": store.put_examination(an_examination())}  # fmt: skip
        store.add(case, "clip", body, author="Ada", time=NOON)
        store.add(case, "answer", {"question": "smoke_colour", "answer": "black"}, author="Ada",
                  time=NOON)  # fmt: skip
        store.add(case, "note", {"text": "words"}, author="Ada", time=NOON)
        pack_case(store, store.read_case("fuzz"), folder.parent / "package", time=NOON)


def _write_folder(folder):
    from smokecase.report.folder import to_csv

    folder.mkdir()
    (folder / "readings.csv").write_text(to_csv(an_examination()))
    (folder / "summary.json").write_text(json.dumps(an_examination().to_json()))


# -- damage ---------------------------------------------------------------------------------


def damage(content, rng):
    """Bytes with one to three kinds of damage."""
    content = bytearray(content)
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        content = rng.choice((_flip, _cut, _fill, _head, _move, _lengths))(content, rng)
    return bytes(content)


def _flip(content, rng):
    for _ in range(rng.choice((1, 3, 10, 100))):
        if content:
            content[rng.randrange(len(content))] ^= 1 << rng.randrange(8)
    return content


def _cut(content, rng):
    return content[: rng.randrange(len(content) + 1)]


def _fill(content, rng):
    at = rng.randrange(len(content) + 1)
    count = rng.choice((4, 64, 2048))
    content[at : at + count] = rng.choice((b"\0", b"\xff", rng.randbytes(1))) * count
    return content


def _head(content, rng):
    for _ in range(rng.choice((1, 4, 16))):
        if content:
            content[rng.randrange(min(len(content), 256))] = rng.randrange(256)
    return content


def _move(content, rng):
    if len(content) < 8:
        return content
    a, b = sorted(rng.randrange(len(content)) for _ in range(2))
    part = content[a:b]
    return rng.choice((content[:a] + content[b:], content[:b] + part + content[b:],
                       part + content))  # fmt: skip


def _lengths(content, rng):
    """Put absurd numbers where a container keeps lengths, counts, sizes and time scales."""
    names = (b"moov", b"mdat", b"stts", b"stsz", b"stco", b"stsc", b"ctts", b"mvhd", b"mdhd",
             b"tkhd", b"avc1", b"elst", b"avcC", b"trun", b"tfhd", b"idx1", b"avih", b"strh",
             b"strf", b"LIST", b"\x1a\x45\xdf\xa3", b"\x18\x53\x80\x67")  # fmt: skip
    there = [m.start() for name in names for m in re.finditer(re.escape(name), bytes(content))]
    if not there:
        return content
    at = rng.choice(there) + rng.choice((-4, 4, 8, 12, 16, 20, 24, 28, 32))
    value = rng.choice((0, 1, 7, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF, 0xFFFF0000, 1 << 24))
    if at >= 0:
        content[at : at + 4] = value.to_bytes(4, rng.choice(("big", "little")))
    return content


def damage_text(text, rng):
    """Text with odd values, lines gone, doubled or mixed up; or plain damage."""
    if rng.random() < 0.3:
        return damage(text.encode(), rng)
    for _ in range(rng.choice((1, 1, 2, 5))):
        lines = text.split("\n")
        at = rng.randrange(len(lines))
        what = rng.random()
        if what < 0.5:
            tokens = list(re.finditer(r'"[^"\n]*"|-?\d[\d.e-]*|true|false|null', text))
            if tokens:
                token = rng.choice(tokens)
                text = text[: token.start()] + rng.choice(ODD) + text[token.end() :]
            continue
        if what < 0.65:
            del lines[at]
        elif what < 0.8:
            lines.insert(at, rng.choice(lines))
        elif what < 0.9:
            lines[at] = lines[at][: rng.randrange(len(lines[at]) + 1)]
        else:
            lines.insert(at, rng.choice(("[[cause]]", "[", "=", "\x00", "a.b.c = 1", "\ufeff")))
        text = "\n".join(lines)
    return text.encode("utf-8", "replace")


# -- one case ---------------------------------------------------------------------------------


def make(number, seeds, folder):
    """Write the damaged input of one number; returns what `feed` is asked."""
    rng = random.Random(number)
    kind = kind_of(number)
    rng.random()
    if folder.exists():
        shutil.rmtree(folder)
    folder.mkdir(parents=True)
    path = _MAKERS[kind](rng, seeds, folder)
    return {"number": number, "kind": kind, "path": str(path)}


def _damaged(rng, seeds, folder, names):
    name = rng.choice(names)
    path = folder / name
    path.write_bytes(damage((seeds / name).read_bytes(), rng))
    return path


def _make_clip(rng, seeds, folder):
    names = ("h264.mp4", "h264.mp4", "fragments.mp4", "h264.mov", "h264.mkv", "h264.ts",
             "mpeg4.avi", "mjpeg.avi", "vp8.webm", "hevc.mp4")  # fmt: skip
    return _damaged(rng, seeds, folder, names)


def _make_picture(rng, seeds, folder):
    names = [p.name for p in sorted(seeds.iterdir()) if p.name.startswith(("still", "moving"))]
    return _damaged(rng, seeds, folder, names)


def _make_sound(rng, seeds, folder):
    return _damaged(rng, seeds, folder, ("sound.m4a", "sound.wav", "h264.mp4"))


def _make_stamps(rng, seeds, folder):
    """Time stamps that stand, leap, run backwards or never end."""
    count = 8
    steps = {
        "backward": lambda: [(count - i) * 40 for i in range(count)],
        "same": lambda: [0] * count,
        "leap": lambda: [i * 40 + (1 << rng.choice((20, 30, 40))) * (i > 4) for i in range(count)],
        "far": lambda: [(1 << 40) + i * 40 for i in range(count)],
        "below": lambda: [-100_000 + i * 40 for i in range(count)],
        "mixed": lambda: [rng.randrange(-(10**6), 10**9) for _ in range(count)],
    }
    stamps = steps[rng.choice(sorted(steps))]()
    suffix = rng.choice(("mkv", "avi", "nut"))
    path = folder / f"stamps.{suffix}"
    try:
        write_clip(path, yard(count, width=48, height=32), stamps=stamps, codec="mpeg4")
    except (OSError, ValueError):  # this container refuses them when it is written
        path = _patch_table(rng, seeds, folder)
    return path


def _patch_table(rng, seeds, folder):
    """The table of times of an MP4: counts and steps of any size."""
    content = bytearray((seeds / "h264.mp4").read_bytes())
    name = rng.choice((b"stts", b"ctts", b"elst", b"mdhd", b"mvhd"))
    at = content.find(name)
    if at > 0:
        at += 4 * rng.randrange(1, 8)
        content[at : at + 4] = rng.choice((0, 1, 0x7FFFFFFF, 0xFFFFFFFF, 1 << 30)).to_bytes(
            4, "big"
        )
    path = folder / "table.mp4"
    path.write_bytes(content)
    return path


def _make_absurd(rng, seeds, folder):
    """Sizes that no memory holds, and files that unfold to far more than they are."""
    return rng.choice((_huge_png, _huge_gif, _huge_jpeg, _huge_mjpeg, _huge_mp4, _huge_bmp,
                       _bomb_png, _endless_wav))(rng, seeds, folder)  # fmt: skip


def _huge_png(rng, seeds, folder):
    content = bytearray((seeds / "still.png").read_bytes())
    side = rng.choice((20_000, 60_000, 0x7FFFFFFF))
    content[16:24] = struct.pack(">II", side, rng.choice((1, side)))
    content[29:33] = struct.pack(">I", zlib.crc32(content[12:29]))
    (folder / "huge.png").write_bytes(content)
    return folder / "huge.png"


def _huge_gif(rng, seeds, folder):
    content = bytearray((seeds / "moving.gif").read_bytes())
    content[6:10] = struct.pack("<HH", 65535, rng.choice((65535, 30_000, 8000)))
    (folder / "huge.gif").write_bytes(content)
    return folder / "huge.gif"


def _wide_jpeg(content, rng):
    """Width and height in the frame header: ISO/IEC 10918-1, B.2.2."""
    content = bytearray(content)
    for found in re.finditer(b"\xff\xc0", bytes(content)):
        content[found.start() + 5 : found.start() + 9] = struct.pack(
            ">HH", 65500, rng.choice((65500, 30_000, 9000))
        )
    return content


def _huge_jpeg(rng, seeds, folder):
    (folder / "huge.jpg").write_bytes(_wide_jpeg((seeds / "still.jpg").read_bytes(), rng))
    return folder / "huge.jpg"


def _huge_mjpeg(rng, seeds, folder):
    (folder / "huge.avi").write_bytes(_wide_jpeg((seeds / "mjpeg.avi").read_bytes(), rng))
    return folder / "huge.avi"


def _huge_mp4(rng, seeds, folder):
    content = bytearray((seeds / "h264.mp4").read_bytes())
    at = content.find(b"avc1", content.find(b"stsd")) + 28  # ISO/IEC 14496-12, 8.5.2
    content[at : at + 4] = struct.pack(">HH", rng.choice((65535, 16384)), 65535)
    (folder / "huge.mp4").write_bytes(content)
    return folder / "huge.mp4"


def _huge_bmp(rng, seeds, folder):
    content = bytearray((seeds / "still.bmp").read_bytes())
    content[18:26] = struct.pack("<ii", rng.choice((100_000, 2**31 - 1)), rng.choice((100_000, -1)))
    (folder / "huge.bmp").write_bytes(content)
    return folder / "huge.bmp"


def _bomb_png(rng, seeds, folder):
    """A whole and rightful picture, a few hundred kB that unfold to hundreds of MB."""
    side = rng.choice((4000, 12_000, 20_000))
    path = seeds / f"bomb_{side}.png"
    if not path.exists():
        pack = zlib.compressobj(9)
        row = b"\0" * (1 + 3 * side)
        packed = b"".join(pack.compress(row) for _ in range(side)) + pack.flush()
        head = struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0)
        path.write_bytes(b"\x89PNG\r\n\x1a\n" + b"".join(
            struct.pack(">I", len(c)) + k + c + struct.pack(">I", zlib.crc32(k + c))
            for k, c in ((b"IHDR", head), (b"IDAT", packed), (b"IEND", b""))
        ))  # fmt: skip
    return Path(shutil.copy(path, folder / "bomb.png"))


def _endless_wav(rng, seeds, folder):
    content = bytearray((seeds / "sound.wav").read_bytes())
    content[4:8] = content[40:44] = b"\xff\xff\xff\x7f"
    content[24:28] = struct.pack("<I", rng.choice((1, 0xFFFFFFFF, 8000)))
    (folder / "endless.wav").write_bytes(content)
    return folder / "endless.wav"


def _make_cases(rng, seeds, folder):
    cases = Path(shutil.copytree(seeds / "cases", folder / "cases"))
    database = cases / "cases.sqlite"
    if rng.random() < 0.5:
        database.write_bytes(damage(database.read_bytes(), rng))
        return cases
    if rng.random() < 0.3:
        path = rng.choice(sorted((cases / "readings").iterdir()))
        path.write_bytes(damage_text(path.read_text(), rng))
        return cases
    connection = sqlite3.connect(database)
    connection.executescript("DROP TRIGGER entries_stay; DROP TRIGGER entries_remain;")
    column = rng.choice(("body", "body", "body", "kind", "number", "time_utc", "author", "replaces",
                         "previous", "fingerprint", "case_id"))  # fmt: skip
    number = rng.randrange(1, 5)
    if column == "body":
        text = connection.execute("SELECT body FROM entries WHERE number = ?", (number,)).fetchone()
        value = damage_text(text[0], rng).decode("utf-8", "replace")
    else:
        value = rng.choice((None, 7, -1, 2**62, 0.5, b"\xff\x00", "", "x" * 5000, "clip", "opened"))
    try:
        connection.execute(f"UPDATE OR REPLACE entries SET {column} = ? WHERE number = ?",
                           (value, number))  # fmt: skip
        connection.commit()
    except sqlite3.Error:
        pass  # the form of the table itself refuses this value: the case stays whole
    connection.close()
    return cases


def _make_package(rng, seeds, folder):
    package = Path(shutil.copytree(seeds / "package", folder / "package"))
    files = sorted(p for p in package.rglob("*") if p.is_file())
    path = rng.choice(files)
    what = rng.random()
    if what < 0.2:
        path.unlink()
    elif what < 0.3:
        path.unlink()
        path.symlink_to(rng.choice(("/etc/hostname", "/dev/zero", "/", "gone", ".")))
    elif what < 0.4:
        (package / "manifest-sha256.txt").write_text(f"{'0' * 64}  ../../../../etc/hostname\n")
    else:
        path.write_bytes(damage_text(path.read_bytes().decode("utf-8", "replace"), rng))
    return package


def _make_text(source, name):
    def make_it(rng, seeds, folder):
        (folder / name).write_bytes(damage_text(source(), rng))
        return folder / name

    return make_it


def _make_knowledge(rng, seeds, folder):
    copy = Path(shutil.copytree(KNOWLEDGE, folder / "knowledge"))
    path = rng.choice(sorted(copy.glob("*.toml")))
    path.write_bytes(damage_text(path.read_text(), rng))
    return copy


def _make_folder(rng, seeds, folder):
    copy = Path(shutil.copytree(seeds / "examined", folder / "examined"))
    path = copy / rng.choice(("summary.json", "readings.csv"))
    path.write_bytes(damage_text(path.read_text(), rng))
    return copy


def _make_manifest(rng, seeds, folder):
    if rng.random() < 0.5:
        return _make_text(lambda: MANIFEST, "engines.csv")(rng, seeds, folder)
    import pyarrow as pa
    from pyarrow import parquet

    out = io.BytesIO()
    parquet.write_table(pa.table({"clip": ["a.mp4", "b.mp4"], "fuel": ["diesel", None]}), out)
    (folder / "engines.parquet").write_bytes(damage(out.getvalue(), rng))
    return folder / "engines.parquet"


_MAKERS = {
    "frames": _make_clip, "clip": _make_clip, "stamps": _make_stamps, "picture": _make_picture,
    "sound": _make_sound,
    "absurd": _make_absurd, "cases": _make_cases, "package": _make_package,
    "answers": _make_text(lambda: ANSWERS.read_text(), "answers.toml"),
    "knowledge": _make_knowledge, "folder": _make_folder, "manifest": _make_manifest,
}  # fmt: skip


def make_whole(seeds, folder):
    """Ask for every kind of input as it is without damage."""
    folder.mkdir(parents=True)
    shutil.copytree(seeds / "cases", folder / "cases")
    (folder / "engines.csv").write_text(MANIFEST)
    clips = ["h264.mp4", "fragments.mp4", "h264.mov", "h264.mkv", "h264.ts", "mpeg4.avi",
             "mjpeg.avi", "vp8.webm", "hevc.mp4"]  # fmt: skip
    pictures = ["still.png", "still.jpg", "still.tif", "still.bmp", "still.webp", "moving.gif"]
    asked = [("frames", seeds / name) for name in clips]
    asked += [("picture", seeds / name) for name in pictures]
    asked += [("sound", seeds / "sound.m4a"), ("sound", seeds / "sound.wav"),
              ("cases", folder / "cases"), ("package", seeds / "package"), ("answers", ANSWERS),
              ("knowledge", KNOWLEDGE), ("folder", seeds / "examined"),
              ("manifest", folder / "engines.csv")]  # fmt: skip
    return [{"number": 0, "kind": kind, "path": str(path)} for kind, path in asked]


# -- what a door does with it, apart --------------------------------------------------------------


def prepare():
    for name in ("examination", "casework", "packing", "report.folder", "batch.manifest", "cli",
                 "commands.case", "commands.diagnose", "commands.listen"):  # fmt: skip
        import_module(f"smokecase.{name}")
    from smokecase.diagnosis import diagnose

    diagnose(answers={"fuel": "diesel"})


def feed(request, tell):
    """Do with each input what a door does; a sentence is as good as a result."""
    return {"verdicts": [_verdict(case, tell) for case in request["cases"]]}, {}


def _verdict(case, tell):
    tell(0.0, str(case["number"]))
    try:
        _FEEDERS[case["kind"]](Path(case["path"]))
    except SmokecaseError as error:
        words = str(error)
        whole = words.endswith(".") and "\n" not in words
        return ["refused" if whole else "fault", words]
    except MemoryError:
        return ["memory", "more memory was asked for than the limit"]
    except BaseException as error:
        if "nsufficient memory" in str(error):  # as the picture library says it
            return ["memory", str(error)]
        last = traceback.extract_tb(error.__traceback__)[-1]
        place = f"{Path(last.filename).name} line {last.lineno}"
        return ["fault", f"{type(error).__name__}, {place}: {error}"[:300]]
    return ["read", ""]


def _examine(path):
    from smokecase.examination import examine

    examination = examine(path)
    json.dumps(examination.to_json(), allow_nan=False)
    assert str(examination)


def _frames(path):
    """Every frame and all the sound, without measuring: most damage shows here, quickly."""
    from smokecase.video.clip import open_clip
    from smokecase.video.sound_track import read_sound

    clip = open_clip(path)
    before_s = -np.inf
    for frame in clip.frames():
        assert frame.time_s > before_s
        assert frame.codes.shape == (*clip.working_size[::-1], 3)
        before_s = frame.time_s
    read_sound(path)


def _sound(path):
    from smokecase.video.sound_track import read_sound

    sound = read_sound(path)
    assert sound is None or np.isfinite(sound.samples).all()


def _absurd(path):
    (_sound if path.suffix == ".wav" else _examine)(path)


def _command(*words):
    """Run the command itself; its exit code is one of those that the help lists."""
    from smokecase import cli

    code = cli.main([str(word) for word in words])
    assert code in (0, 3, 4, 5, 6), code


def _cases(path):
    _command("case", "list", "--cases", path)
    _command("case", "find", "words", "--cases", path)
    _command("case", "show", "fuzz", "--cases", path)
    _command("case", "note", "fuzz", "more words", "--cases", path, "--by", "Ada")


def _knowledge(path):
    from smokecase.causes.knowledge_file import read_knowledge
    from smokecase.diagnosis import diagnose

    knowledge = read_knowledge(path)
    diagnose(answers={"fuel": "diesel", "smoke_colour": "black"}, knowledge=knowledge)


def _folder(path):
    from smokecase.report.folder import read_folder
    from smokecase.report.story import tell_summary

    assert tell_summary(read_folder(path))


def _manifest(path):
    from smokecase.batch.manifest import read_manifest

    for line in read_manifest(str(path)):
        assert line.url


_FEEDERS = {
    "frames": _frames, "clip": _examine, "stamps": _frames, "picture": _examine, "sound": _sound,
    "absurd": _absurd,
    "cases": _cases, "package": lambda path: _command("case", "verify", path),
    "answers": lambda path: _command("diagnose", "--answers", path, "--json"),
    "knowledge": _knowledge, "folder": _folder, "manifest": _manifest,
}  # fmt: skip
