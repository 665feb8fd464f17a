"""The case at the door: words, order, corrections, refusals in one sentence."""

import json
from datetime import UTC, datetime

import numpy as np
import pytest

from made_traces import make_examination, make_trace
from smokecase.cli import main

TIME_S = np.arange(0, 20, 1 / 25)


@pytest.fixture
def door(tmp_path, monkeypatch, capsys):
    """Call the command in a folder, with a set clock and a measuring that takes no time."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("smokecase.commands.case.NOW", lambda: datetime(2031, 5, 4, 12, tzinfo=UTC))

    def measured(path, *, limits, tell=None, **options):
        if options.get("white_px", (0,))[0] > 4000:
            msg = "white_px must lie in the picture"
            raise ValueError(msg)
        asked.append(options)
        top = 60.0 if "first" in path.name else 2.0
        after = TIME_S - 3.0
        trace = make_trace(TIME_S, np.where(after > 0, top * np.exp(-after / 6.0), 0.0))
        return make_examination(trace, clip=path.name)

    asked = []
    monkeypatch.setattr("smokecase.apart.clips.examine_apart", measured)
    for name in ("first.mp4", "second.mp4"):
        (tmp_path / name).write_bytes(name.encode())

    def call(*words):
        code = main(["case", *words, *(() if words[0] == "verify" else ("--by", "Ada"))])
        said = capsys.readouterr()
        return code, said.out, said.err

    call.asked = asked
    return call


def test_a_case_goes_from_its_opening_to_where_it_stands(door):
    assert door("open", "Mill", "--engine", "fuel=diesel")[0] == 0
    code, out, _ = door("add", "Mill", "first.mp4", "--load", "cold start", "--standing", "12")
    assert code == 0
    assert out.startswith("Entry 2: clip first.mp4")
    assert door("answer", "Mill", "power=down", "smell=oil")[0] == 0
    assert door("result", "Mill", "compression=28 27 19 28 bar")[0] == 0

    code, out, _ = door("show", "Mill", "--json")

    shown = json.loads(out)
    assert code == 0
    assert [e["kind"] for e in shown["entries"]] == ["opened", "clip", "answer", "answer", "result"]
    assert [s["after_entry"] for s in shown["course"]] == [None, 2, 3, 4, 5]
    assert "screening evidence" in shown["screening_note"]
    assert shown["entries"][0]["time_utc"] == "2031-05-04T12:00:00+00:00"


def test_a_second_answer_corrects_the_first_and_undo_brings_it_back(door):
    door("open", "Mill")
    door("answer", "Mill", "power=down")
    assert door("answer", "Mill", "power=full")[1] == (
        "Entry 3: answer to power: full (corrects entry 2)\n"
    )

    code, out, _ = door("undo", "Mill", "3", "--why", "misheard")

    assert code == 0
    assert out == (
        "Entry 4: entry 3 withdrawn: misheard. It stays readable; undo 4 brings it back.\n"
    )


def test_two_clips_are_compared_or_refused_with_the_reason(door):
    door("open", "Mill")
    door("add", "Mill", "first.mp4", "--load", "cold start", "--coolant", "5")
    door("add", "Mill", "second.mp4", "--load", "cold start", "--coolant", "6")

    assert door("compare", "Mill", "2", "3")[1].startswith('"after" smokes less than "before":')
    door("add", "Mill", "second.mp4", "--load", "cold start", "--coolant", "80", "--corrects", "3")
    code, out, _ = door("compare", "Mill", "2", "4", "--names", "suspect,healthy")

    assert code == 0
    assert "cannot be compared: coolant temperature differs (5 °C against 80 °C)." in " ".join(
        out.split()
    )


def test_cases_are_listed_and_found(door):
    door("open", "Mill")
    door("open", "Press")
    door("note", "Press", "stood in the rain")

    assert door("find", "RAIN")[1] == "Press  (2 entries, last 2031-05-04)\n"
    assert door("find", "snow")[1] == "No case holds these words.\n"
    assert len(door("list")[1].splitlines()) == 2


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("show", "Nobody"), 6, 'case "Nobody": there is no case of this name; the cases are: '),
        (("answer", "Mill", "power"), 5, 'words: "power" has no value; write NAME=VALUE.'),
        (("answer", "Mill", "colour_of_smoke=blue"), 5, "colour_of_smoke"),
        (("answer", "Mill", "power=purple"), 5, "purple"),
        (("result", "Mill", "compression=28 furlongs"), 5, "furlong"),
        (("undo", "Mill", "9"), 5, 'case "Mill": there is no entry 9, the last one is 1'),
        (("undo", "Mill", "1"), 5, "entry 1 opened the case and stays; open a new case."),
        (("open", "Mill"), 6, "there is a case of this name already"),
        (("open", "Two", "--engine", "fuel=coal"), 5, "coal"),
        (("add", "Mill", "first.mp4", "--coolant", "900"), 5, "900 °C lies outside -60 to 150"),
        (("add", "Mill", "first.mp4", "--filmed", "noon"), 5, '"noon" is no time with its zone'),
        (("add", "Mill", "first.mp4", "--white", "1,2"), 5, '--white: "1,2" is not 4 numbers'),
        (("compare", "Mill", "1", "1"), 5, "entry 1 is no clip that was measured"),
        (("package", "Mill", "--out", "p", "--mask", "2:1,2,3,4"), 5, "only covered in a copy to"),
        (("verify", "."), 6, "this is no evidence package"),
        (("list", "--cases", "elsewhere"), 6, "there are no cases in this folder; name the"),
    ],
)
def test_what_cannot_be_is_refused_in_one_sentence(door, words, code, said):
    door("open", "Mill")

    found = door(*words)

    assert found[0] == code
    assert said in found[2]
    assert found[2].count("\n") == 1
    assert "Traceback" not in found[2]


def test_the_same_clip_is_entered_once(door):
    door("open", "Mill")
    door("add", "Mill", "first.mp4")

    code, _, said = door("add", "Mill", "first.mp4")

    assert code == 5
    assert "first.mp4: this clip is entry 2 already; to tell other circumstances" in said


def test_how_a_clip_is_measured_can_be_told(door):
    door("open", "Mill")

    door("add", "Mill", "first.mp4", "--white", "1,2,3,4", "--board", "5,6,7,8", "--exit", "9,10",
         "--diameter", "30", "--plate-window", "0,2.5", "--from", "1", "--to", "12")  # fmt: skip
    code, _, said = door("add", "Mill", "second.mp4", "--white", "5000,2,5010,4")

    assert door.asked == [
        {"white_px": (1, 2, 3, 4), "board_px": (5, 6, 7, 8), "exit_px": (9, 10), "diameter_px": 30,
         "plate_window_s": (0, 2.5), "from_s": 1, "to_s": 12}
    ]  # fmt: skip
    assert code == 5
    assert said == "smokecase: second.mp4: --white must lie in the picture; mend that number.\n"


def test_what_a_screen_would_obey_is_shown(door):
    door("open", "Mill", "--engine", "fuel=diesel")
    door("note", "Mill", "\x1b[2J\x9b31m\u202efirst")

    _, out, _ = door("show", "Mill")
    _, plain, _ = door("show", "Mill", "--json")

    assert "\\x1b[2J\\x9b31m\\u202efirst" in out
    assert not set("\x1b\x9b\u202e") & set(out)
    assert json.loads(plain)["entries"][1]["body"]["text"] == "\x1b[2J\x9b31m\u202efirst"
