"""A batch: each content measured once, poisoned clips set aside, gone on with after any stop."""

import json
import signal
import subprocess
import sys
import zipfile

import pyarrow.parquet as pq
import pytest

import batch_rig
from batch_rig import Inline, environment, kill, pretend, pretend_row, put_clips
from made_clips import write_clip, yard
from smokecase import cli
from smokecase.apart.caller import Limits
from smokecase.batch.engines import Cores
from smokecase.batch.run import run_batch
from smokecase.batch.tables import COLUMNS
from smokecase.batch.work import CHANGED, Outcome
from smokecase.errors import AnswersError, Cancelled, CaseError, ClipError, WriteError
from smokecase.examination import examine


def rows_of(out):
    return {row["clip"]: row for row in pq.read_table(out / "clips.parquet").to_pylist()}


def test_every_clip_becomes_one_row(tmp_path):
    clips = put_clips(tmp_path / "clips", 5)
    (clips / "notes.txt").write_text("no clip")

    batch = run_batch([str(clips)], tmp_path / "out", engine=Inline())

    assert str(batch) == "5 of 5 clips measured, 0 set aside; 1 other file passed over."
    row = rows_of(tmp_path / "out")["clip003.mp4"]
    assert row["url"] == str(clips / "clip003.mp4")
    assert row["state"] == "done"
    assert row["peak_pct"] == pytest.approx(58.0)
    assert row["peak_low_pct"] == pytest.approx(58.0 - 1.96 * 3, abs=0.01)
    assert list(row) == [name for name, _, _ in COLUMNS]
    assert (tmp_path / "out" / row["readings"]).read_bytes() == b"r"


def test_a_second_run_does_nothing_again(tmp_path):
    clips, out = put_clips(tmp_path / "clips", 4), tmp_path / "out"
    run_batch([str(clips)], out, engine=Inline())
    again = Inline()

    batch = run_batch([str(clips)], out, engine=again)

    assert again.jobs == []
    assert (batch.done, batch.measured) == (4, 0)


def test_the_same_content_is_measured_once_whatever_its_name(tmp_path):
    clips, out = put_clips(tmp_path / "clips", 3), tmp_path / "out"
    (clips / "zz copy.mp4").write_bytes((clips / "clip001.mp4").read_bytes())
    engine = Inline()

    batch = run_batch([str(clips)], out, engine=engine)

    assert engine.measured == 3
    assert batch.done == 4
    assert rows_of(out)["zz copy.mp4"]["same_as"] == str(clips / "clip001.mp4")
    (clips / "moved").mkdir()
    (clips / "clip000.mp4").rename(clips / "moved" / "other.mp4")
    assert run_batch([str(clips)], out, engine=engine).measured == 0


def test_a_poisoned_clip_is_set_aside_with_its_reason_and_tried_again_when_asked(tmp_path):
    clips, out = put_clips(tmp_path / "clips", 3), tmp_path / "out"
    (clips / "clip001.mp4").write_bytes(b"poison")

    batch = run_batch([str(clips)], out, engine=Inline())

    assert (batch.done, batch.set_aside) == (2, 1)
    assert rows_of(out)["clip001.mp4"]["reason"] == (
        "clip001.mp4: the decoder broke down on it; cut it."
    )
    still = Inline()
    run_batch([str(clips)], out, engine=still)
    assert still.jobs == []
    once_more = Inline()
    run_batch([str(clips)], out, engine=once_more, retry=True)
    assert once_more.measured == 1


def test_a_clip_that_was_changed_since_is_measured_anew(tmp_path):
    clips, out = put_clips(tmp_path / "clips", 2), tmp_path / "out"
    run_batch([str(clips)], out, engine=Inline())
    (clips / "clip000.mp4").write_bytes(b"another recording")
    engine = Inline()

    run_batch([str(clips)], out, engine=engine)

    assert [job.url for job in engine.jobs] == [str(clips / "clip000.mp4")] * 2  # looked, measured


def test_a_clip_that_changes_while_it_is_read_is_looked_at_again_then_set_aside(tmp_path):
    clips, out = put_clips(tmp_path / "clips", 2), tmp_path / "out"
    times = []

    def changing(job):
        if job.sha256 and job.url.endswith("clip000.mp4"):
            times.append(job)
            return Outcome(job=job, sha256="other", changed=True, fault=f"{CHANGED}; wait.")
        return pretend(job)

    batch = run_batch([str(clips)], out, engine=Inline(changing))

    assert len(times) == 2
    assert (batch.done, batch.set_aside) == (1, 1)
    assert rows_of(out)["clip000.mp4"]["reason"] == (
        "clip000.mp4: the file was changed while it was read; wait."
    )


def test_cancelling_keeps_what_is_done(tmp_path):
    clips, out = put_clips(tmp_path / "clips", 6), tmp_path / "out"
    said = []

    def tell(share, words):
        said.append((share, words))
        if "3 of 6 clips" in words:
            raise Cancelled

    with pytest.raises(Cancelled):
        run_batch([str(clips)], out, engine=Inline(), tell=tell)

    states = [row["state"] for row in rows_of(out).values()]
    assert states.count("done") == 3
    assert states.count("waiting") == 3
    engine = Inline()
    run_batch([str(clips)], out, engine=engine)
    assert engine.measured == 3
    assert "3 of 6 clips" in (out / "clips.html").read_text() or said[-1][0] == pytest.approx(0.5)


def test_the_manifest_tells_of_each_clip(tmp_path):
    clips, out = put_clips(tmp_path / "clips", 3), tmp_path / "out"
    (clips / "engines.csv").write_text(
        "file,fuel,smoke_when,exit_px,owner\n"
        'clip000.mp4,diesel,cold_start; acceleration,"12,14.5",first yard\n'
        "clip001.mp4,steam,,,\n"
        "gone.mp4,petrol,,,\n"
    )
    engine = Inline()

    run_batch([str(clips)], out, manifest=str(clips / "engines.csv"), engine=engine,
              columns=[("clip", "file"), ("note", "owner")])  # fmt: skip

    told = {job.url: job for job in engine.jobs if job.sha256}
    first = told[str(clips / "clip000.mp4")]
    assert first.told == {"fuel": "diesel", "smoke_when": ["cold_start", "acceleration"]}
    assert first.options == {"exit_px": [12.0, 14.5]}
    rows = rows_of(out)
    assert json.loads(rows["clip000.mp4"]["notes"]) == {"owner": "first yard"}
    assert rows["clip002.mp4"]["state"] == "done"
    assert "engines.csv, line 2" in rows["clip001.mp4"]["reason"]
    assert '"steam"' in rows["clip001.mp4"]["reason"]
    assert "there is no such file" in rows["gone.mp4"]["reason"]


def test_a_manifest_larger_than_any_is_one_sentence_and_is_not_held(tmp_path, monkeypatch):
    clips = put_clips(tmp_path / "clips", 1)
    (tmp_path / "m.csv").write_text("clip\n" + "a.mp4\n" * 500_000)
    monkeypatch.setattr("smokecase.batch.manifest.MOST_BYTES", 2 << 20)

    with pytest.raises(AnswersError, match=r"m.csv: the manifest has more than 2 MB; split it"):
        run_batch([str(clips)], tmp_path / "out", manifest=str(tmp_path / "m.csv"), engine=Inline())


def test_other_answers_are_other_work(tmp_path):
    clips, out = put_clips(tmp_path / "clips", 1), tmp_path / "out"
    for fuel, measured in (("diesel", 1), ("diesel", 0), ("petrol", 1), ("diesel", 0)):
        (tmp_path / "m.toml").write_text(f'[[clip]]\nclip = "clips/clip000.mp4"\nfuel = "{fuel}"\n')
        batch = run_batch([str(clips)], out, manifest=str(tmp_path / "m.toml"), engine=Inline())
        assert batch.measured == measured


def test_one_batch_at_a_time_in_a_folder(tmp_path):
    clips, out = put_clips(tmp_path / "clips", 1), tmp_path / "out"

    def second(job):
        with pytest.raises(CaseError, match="another batch is at work in this folder; wait for"):
            run_batch([str(clips)], out, engine=Inline())
        return pretend(job)

    assert run_batch([str(clips)], out, engine=Inline(second)).done == 1


def test_a_folder_that_holds_other_things_is_left_alone(tmp_path):
    clips = put_clips(tmp_path / "clips", 1)

    with pytest.raises(WriteError, match="this folder holds other things; name a new folder"):
        run_batch([str(clips)], clips, engine=Inline())


def test_nothing_there_is_one_sentence(tmp_path):
    (tmp_path / "notes.txt").write_text("words")

    with pytest.raises(ClipError, match=r"there is no clip \(1 other files\); name the folder"):
        run_batch([str(tmp_path)], tmp_path / "out", engine=Inline())
    with pytest.raises(ClipError, match="there is no such file; check its name"):
        run_batch([str(tmp_path / "none.mp4")], tmp_path / "out", engine=Inline())


def test_a_killed_batch_on_this_machine_goes_on(tmp_path):
    clips, out = put_clips(tmp_path / "clips", 16), tmp_path / "out"
    ask = (
        "import sys; from smokecase.apart.caller import Limits\n"
        "from smokecase.batch.engines import Cores; from smokecase.batch.run import run_batch\n"
        "def tell(share, words): print(words, flush=True)\n"
        "print(run_batch([sys.argv[1]], sys.argv[2], tell=tell,\n"
        "      engine=Cores(2, Limits(), task='batch_rig:pretend_apart')))"
    )

    def start():
        return subprocess.Popen(
            [sys.executable, "-c", ask, str(clips), str(out)], stdout=subprocess.PIPE, text=True,
            env=environment(), start_new_session=True,
        )  # fmt: skip

    first = start()
    for line in first.stdout:
        if line.startswith("5 of 16"):
            break
    first.send_signal(signal.SIGKILL)
    kill(first)
    again = start()
    words, _ = again.communicate(timeout=60)

    assert words.splitlines()[-1] == "16 of 16 clips measured, 0 set aside."
    begun = int(next(w for w in words.splitlines() if " of 16 clips" in w).split()[0])
    assert begun >= 5
    assert {row["state"] for row in rows_of(out).values()} == {"done"}


def test_a_killed_reader_is_replaced_and_its_clip_tried_again(tmp_path, monkeypatch):
    monkeypatch.setenv("PYTHONPATH", str(batch_rig.TESTS))
    clips, out = put_clips(tmp_path / "clips", 8), tmp_path / "out"
    engine = Cores(1, Limits(), task="batch_rig:pretend_apart")
    killed = []

    def tell(share, words):
        if words.startswith("3 of 8") and not killed:
            found = subprocess.run(["pgrep", "-f", "batch_rig:pretend_apart"], check=True,
                                   capture_output=True, text=True).stdout.split()  # fmt: skip
            killed.extend(found)
            for pid in found:
                subprocess.run(["kill", "-9", pid], check=False)

    batch = run_batch([str(clips)], out, engine=engine, tell=tell)

    assert killed
    assert (batch.done, batch.set_aside) == (8, 0)


def test_the_command_measures_real_clips_and_gives_the_numbers_of_one(tmp_path, capsys):
    (tmp_path / "yard").mkdir()
    clip = write_clip(tmp_path / "yard" / "start.mp4", yard(12))
    (tmp_path / "yard" / "broken.mp4").write_bytes(b"\0\0\0\x18ftypmp42 and no more")
    with zipfile.ZipFile(tmp_path / "old.zip", "w") as old:
        old.write(write_clip(tmp_path / "other.mp4", yard(12, seed=2)), "../../escape.mp4")
    out = tmp_path / "out"

    code = cli.main(["batch", str(tmp_path / "yard"), f"zip://::{tmp_path / 'old.zip'}",
                     "--out", str(out), "--workers", "1"])  # fmt: skip

    assert code == 0
    assert "2 of 3 clips measured, 1 set aside." in capsys.readouterr().out
    assert not (tmp_path / "escape.mp4").exists()
    rows = rows_of(out)
    assert rows["broken.mp4"]["reason"].startswith("broken.mp4: the recording was never finished")
    assert rows["escape.mp4"]["state"] == "done"
    alone = examine(clip)
    table = pq.read_table(out / rows["start.mp4"]["readings"])
    assert rows["start.mp4"]["sha256"] == alone.sha256
    assert table.to_pylist() == alone.to_table()
    assert table.schema.metadata[b"sha256"] == alone.sha256.encode()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--out", "x"], "name a place with clips, or a manifest"),
        (["y", "--out", "x", "--column", "clip"], "a pair was expected, such as clip=file"),
        (["y", "--out", "x", "--workers", "0"], "a whole number above zero was expected"),
        (["y", "--out", "x", "--scheduler", "a", "--workers", "2"], "workers are started there"),
    ],
)
def test_wrong_words_are_told(words, said, capsys):
    with pytest.raises(SystemExit) as ended:
        cli.main(["batch", *words])

    assert ended.value.code == 2
    assert said in capsys.readouterr().err


def test_pretended_rows_fit_the_table():
    own = {name for name, _, _ in COLUMNS}

    assert set(pretend_row()) <= own
