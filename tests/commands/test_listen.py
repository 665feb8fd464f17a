"""`smokecase listen` as typed."""

import json
import wave

import numpy as np
import pytest

from smokecase.cli import main
from smokecase.demo.engine_note import Engine, engine_note
from smokecase.demo.sound_scene import write_wav

RATE_HZ = 16000


def run(capsys, *words):
    code = main([str(w) for w in words])
    captured = capsys.readouterr()
    return code, captured.out, captured.err


@pytest.fixture(scope="module")
def two(tmp_path_factory):
    """A long start with a weak cylinder, and a short one without, as sound files."""
    folder = tmp_path_factory.mktemp("sounds")
    engines = {
        "suspect": Engine(crank_s=1.5, fires_s=3.9, runs_s=4.0, idle_per_min=700.0, weak={1: 0.1}),
        "healthy": Engine(crank_s=2.5, fires_s=3.2, runs_s=3.3, idle_per_min=850.0),
    }
    for seed, (name, engine) in enumerate(engines.items()):
        note = engine_note(engine, seed=seed, rate_hz=RATE_HZ)
        faint = 0.02 * np.random.default_rng(seed).normal(size=len(note.sound))
        write_wav(folder / f"{name}.wav", 0.1 * (note.sound + faint), rate_hz=RATE_HZ)
    return folder


def test_one_sound_is_told_with_every_figure_or_why_not(two, capsys):
    code, out, _ = run(capsys, "listen", two / "suspect.wav", "--cylinders", 4)

    lines = out.splitlines()
    assert code == 0
    assert lines[0] == "suspect.wav"
    assert lines[1].startswith("  Cranks for 2.5 s (")
    assert "One cylinder fires more weakly than the others." in lines[1]
    names = [line[2:28].strip() for line in lines[2:15]]
    assert names == [
        "cranking time", "attempts", "run-up time", "stalls", "idle speed", "firing frequency",
        "speed variation", "slow swings of the idle", "uneven firing", "one weak cylinder",
        "weak or missing firings", "strength by cylinder", "sharpness of each firing",
    ]  # fmt: skip
    for line in lines[2:15]:  # a count, an interval, a weight, or why not
        told = line[28:]
        assert told.isdigit() or " to " in told or "likely" in told or "cannot tell: " in told


def test_two_sounds_are_judged_drawn_and_laid_one_after_the_other(two, capsys, tmp_path):
    code, out, _ = run(
        capsys, "listen", two / "suspect.wav", "--other", two / "healthy.wav", "--cylinders", 4,
        "--out", tmp_path / "pair",
    )  # fmt: skip

    assert code == 0
    assert "suspect suspect.wav beside healthy healthy.wav" in out
    verdict = next(line for line in out.splitlines() if "Beside the healthy one" in line)
    for part in ("longer cranking time", "slower idle speed", "more uneven firing"):
        assert part in verdict
    assert sorted(p.name for p in (tmp_path / "pair").iterdir()) == [
        "orders.png", "spectrogram.png", "suspect_then_healthy.wav",
    ]  # fmt: skip
    with wave.open(str(tmp_path / "pair" / "suspect_then_healthy.wav")) as file:
        rate = file.getframerate()
        x = np.frombuffer(file.readframes(file.getnframes()), "<i2") / 32768
    assert len(x) == round((8 + 0.7 + 8) * rate)
    # both run from the same second of their part on, and are equally loud
    halves = x[: 8 * rate], x[round(8.7 * rate) :]
    loud = [h[5 * rate : 7 * rate].std() for h in halves]
    before = [h[rate // 10 : rate].std() for h in halves]  # the healthy starter turns 0.8 s only
    assert loud[0] == pytest.approx(loud[1], rel=0.1)
    assert before[1] < 0.2 * loud[1]
    assert not np.abs(x[8 * rate : round(8.7 * rate)]).any()


def test_the_same_as_json(two, capsys):
    code, out, _ = run(
        capsys, "listen", two / "suspect.wav", "--other", two / "healthy.wav", "--json"
    )

    told = json.loads(out)
    assert code == 0
    assert [s["file"] for s in told["sounds"]] == ["suspect.wav", "healthy.wav"]
    assert told["comparison"][0]["name"] == "cranking time"
    assert told["comparison"][0]["verdict"] == "longer"
    assert told["comparison"][0]["difference"]["value"] == pytest.approx(1.7, abs=0.4)


def test_a_silent_sound_beside_an_engine_is_said_and_nothing_is_compared(two, capsys, tmp_path):
    write_wav(tmp_path / "silent.wav", np.zeros(4 * RATE_HZ), rate_hz=RATE_HZ)

    code, out, _ = run(
        capsys, "listen", two / "suspect.wav", "--other", tmp_path / "silent.wav",
        "--out", tmp_path / "pair",
    )  # fmt: skip

    assert code == 0
    assert "  Cannot tell: the sound track is silent.\n" in out
    assert "  Cannot tell: no figure was heard in both.\n" in out
    assert "cranking time             cannot tell: the healthy sound does not give it" in out


def test_a_file_in_the_way_of_the_folder_is_refused_in_one_sentence(two, capsys, tmp_path):
    (tmp_path / "taken").write_text("")

    code, out, err = run(capsys, "listen", two / "suspect.wav", "--out", tmp_path / "taken")

    assert code != 0
    assert out == ""
    assert "name another folder" in err


def test_a_number_of_cylinders_that_cannot_be_is_refused(two, capsys):
    with pytest.raises(SystemExit):
        main(["listen", str(two / "suspect.wav"), "--cylinders", "0"])

    assert "a number of cylinders from 1 to 16 was expected" in capsys.readouterr().err
