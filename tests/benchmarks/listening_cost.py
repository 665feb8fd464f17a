"""What listening costs, beside decoding alone; writes the last part of examples/listening.md.

Run: nice -n 10 python -m tests.benchmarks.listening_cost

One minute of an invented start and idle under a coded picture of 1280 x 720. Each figure is taken
in a process of its own, decoding first, so that both see the same machine.
"""

import json
import os
import platform
import subprocess
import sys
import tempfile
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
SECONDS, RATE_HZ, TIMES = 60, 48_000, 3
COST = "## What it costs"


def make_clip(path):
    """One minute: the bundled picture coded anew, an invented engine under it."""
    import av
    from tests.benchmarks.speed import make_clip as make_picture

    from smokecase.demo.engine_note import Engine, engine_note
    from smokecase.demo.sound_scene import Scene, recorded

    picture = path.with_name("picture.mp4")
    make_picture(picture, 1280, 720, 30, SECONDS)
    engine = Engine(duration_s=float(SECONDS), crank_s=5.0, fires_s=6.8, runs_s=7.0)
    note = engine_note(engine, seed=3, rate_hz=RATE_HZ)
    scene = Scene(noise="pink", snr_db=10.0, aac_bit_rate=None)
    sound = recorded(note.sound, scene, rate_hz=RATE_HZ, seed=3).astype(np.float32)
    with av.open(str(picture)) as old, av.open(str(path), "w") as new:
        pictures = new.add_stream_from_template(old.streams.video[0])
        heard = new.add_stream("aac", rate=RATE_HZ, layout="mono")
        heard.bit_rate = 128_000
        for packet in old.demux(old.streams.video[0]):
            if packet.dts is not None:
                packet.stream = pictures
                new.mux(packet)
        size = heard.codec_context.frame_size or 1024
        for at in range(0, len(sound) // size * size, size):
            frame = av.AudioFrame.from_ndarray(sound[np.newaxis, at : at + size], "fltp", "mono")
            frame.sample_rate, frame.pts, frame.time_base = RATE_HZ, at, Fraction(1, RATE_HZ)
            new.mux(heard.encode(frame))
        new.mux(heard.encode(None))


def decode_sound(path):
    """Decode the sound, nothing else."""
    from smokecase.video.sound_track import read_sound

    read_sound(path)


def listen(path):
    """Decode the sound and listen to it."""
    from smokecase.sound.listening import listen as hear

    hear(path, cylinders=4)


def decode_picture(path):
    """Decode the picture and shrink it, as the first walk does."""
    from tests.benchmarks.speed import decode

    decode(path)


WORK = {"picture": decode_picture, "sound": decode_sound, "listen": listen}


def run_one(name, path):
    """Print wall and processor seconds of one piece of work."""
    import time

    import smokecase.sound.hearing  # noqa: F401 - loading the program is no part of the figures

    wall, cpu = time.perf_counter(), time.process_time()
    WORK[name](path)
    sys.stdout.write(json.dumps([time.perf_counter() - wall, time.process_time() - cpu]))


def measured(name, path):
    """Best of some runs, each in a process of its own: wall [s], processor [s]."""
    words = [sys.executable, "-m", "tests.benchmarks.listening_cost", name, str(path)]
    runs = []
    for _ in range(TIMES):
        done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=True)
        runs.append(json.loads(done.stdout))
    return [min(column) for column in zip(*runs, strict=True)]


def main():
    """Measure and write the part of the page."""
    if len(sys.argv) > 2:
        run_one(sys.argv[1], Path(sys.argv[2]))
        return
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "minute.mp4"
        make_clip(path)
        rows = {name: measured(name, path) for name in WORK}
    load = os.getloadavg()[0]
    per = [rows["listen"][i] / rows["picture"][i] for i in (0, 1)]
    part = f"""{COST}

A clip of one minute, 1280 x 720 at 30 pictures a second with AAC sound; the best of {TIMES} runs,
each in a process of its own. {datetime.now(UTC):%d %B %Y}, {os.cpu_count()}-core machine, Python
{platform.python_version()}, load {load:.0f} (with more than one piece of work for each core, wall
time is longer than the program needs). Made by
`nice -n 10 python -m tests.benchmarks.listening_cost`.

| | wall time [s] | processor time [s] |
| --- | --- | --- |
| decode the picture and shrink it | {rows["picture"][0]:.2f} | {rows["picture"][1]:.2f} |
| decode the sound alone | {rows["sound"][0]:.2f} | {rows["sound"][1]:.2f} |
| listen: decode it and take all figures | {rows["listen"][0]:.2f} | {rows["listen"][1]:.2f} |
| listening over decoding the picture, ratio | {per[0]:.2f} | {per[1]:.2f} |

The bar is 3 s. Listening is done on a second thread beside the first walk through the picture. A
clip without sound, a picture and a pair of pictures load nothing of the analysis (a test says so).
"""
    page = ROOT / "examples" / "listening.md"
    old = page.read_text(encoding="utf-8")
    before = old[: old.index(COST)] if COST in old else old.rstrip() + "\n\n"
    page.write_text(before + part, encoding="utf-8")
    sys.stdout.write(part)


if __name__ == "__main__":
    main()
