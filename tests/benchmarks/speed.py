"""What an examination costs, as a ratio to decoding and shrinking the clip alone.

    nice -n 10 python -m tests.benchmarks.speed [--clips FOLDER] [--told FILE] [--out PAGE]

Clips of several sizes, rates and lengths are made by coding a bundled clip anew with grain, one
key frame a second and 0.25 bits a pixel, as phones do. Each figure is measured in a process of
its own, decoding first, so that both see the same machine. To be run by hand on an idle machine:
no test times anything; the page tells how busy it was. What was measured is kept in a file, if one
is named, so that a run that was stopped goes on. A bundled clip with truth says what a plain
background subtraction reads for its cost.
"""

import argparse
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
SOURCE = ROOT / "tests" / "data" / "practice" / "p02.mp4"
PRACTICE = ROOT / "tests" / "data" / "practice"
DEMO = ROOT / "models" / "demo"
# name: width, height, frames a second, seconds, bar of the ratio (None: no bar)
CLIPS = {
    "360p30, 8 s": (640, 360, 30, 8, None),
    "720p30, 8 s": (1280, 720, 30, 8, 5.0),
    "720p30, 30 s": (1280, 720, 30, 30, 5.0),
    "720p60, 8 s": (1280, 720, 60, 8, 5.0),
    "1080p30, 8 s": (1920, 1080, 30, 8, 2.5),
    "1080p30, 30 s": (1920, 1080, 30, 30, 2.5),
    "1080p30, 60 s": (1920, 1080, 30, 60, 2.5),
    "1080p30, 120 s": (1920, 1080, 30, 120, 2.5),
    "1080p60, 8 s": (1920, 1080, 60, 8, 2.5),
    "4K30, 8 s": (3840, 2160, 30, 8, 2.0),
    "4K60, 8 s": (3840, 2160, 60, 8, 2.0),
    "8K30, 3 s": (7680, 4320, 30, 3, None),
}
ENTRIES = (10, 100, 1000)  # of a case, before one more is made
# measured on the state before this work (commit c270843), same machine kind, busy with other work:
# processor seconds and peak memory of the bundled clips of 8 s at 360p
BEFORE = {"p02": (13.0, 852), "p07": (17.1, 854), "p09": (19.8, 853)}
GRAIN_CODES = 1.5
BITS_PER_PIXEL = 0.25


def make_clip(path, width, height, fps, seconds):
    """Code the bundled clip anew, run forth and back to the length wanted."""
    import av

    with av.open(str(SOURCE)) as container:
        frames = list(container.decode(video=0))
    rng = np.random.default_rng(1)
    grain = rng.normal(0, GRAIN_CODES, (height, width)).round().astype(np.int16)
    part = path.with_suffix(".part.mp4")
    with av.open(str(part), "w") as container:
        stream = container.add_stream("libx264", rate=fps)
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        stream.bit_rate = int(width * height * fps * BITS_PER_PIXEL)
        stream.options = {"preset": "veryfast", "g": str(fps), "bf": "0"}
        for n in range(int(seconds * fps)):
            turn = int(n / fps * 30) % (2 * len(frames) - 2)
            source = frames[min(turn, 2 * len(frames) - 2 - turn)]
            planes = source.reformat(width, height, "yuv420p", interpolation="BICUBIC").to_ndarray()
            shift = (int(rng.integers(0, height)), int(rng.integers(0, width)))
            planes[:height] = np.clip(
                planes[:height].astype(np.int16) + np.roll(grain, shift, (0, 1)), 16, 235
            )
            frame = av.VideoFrame.from_ndarray(planes, format="yuv420p")
            frame.pts, frame.time_base = n, Fraction(1, fps)
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    part.rename(path)


def decode(path):
    """Decode and shrink to working size, nothing else."""
    import av

    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        stream.thread_type = "AUTO"
        scale = min(1.0, 640 / max(stream.width, stream.height))
        size = (round(stream.width * scale), round(stream.height * scale))
        for frame in container.decode(stream):
            frame.reformat(*size, "yuv444p", interpolation="AREA")


def subtract(path):
    """Plain background subtraction: decode, shrink, and a mixture of Gaussians per pixel."""
    import av
    import cv2

    model = cv2.createBackgroundSubtractorMOG2()
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        stream.thread_type = "AUTO"
        scale = min(1.0, 640 / max(stream.width, stream.height))
        size = (round(stream.width * scale), round(stream.height * scale))
        for frame in container.decode(stream):
            model.apply(frame.reformat(*size, "bgr24", interpolation="AREA").to_ndarray())


def examine(path):
    """Measure the smoke."""
    from smokecase.examination import examine as measure

    measure(path)


WORK = {"decode": decode, "subtract": subtract, "examine": examine}


def run_one(name, path):
    """Print wall and processor seconds of one piece of work, and the process's peak memory."""
    import time

    import av  # noqa: F401 - loading libraries is no part of the figures
    import cv2  # noqa: F401

    if name == "examine":
        import smokecase.examination  # noqa: F401
    wall, cpu = time.perf_counter(), time.process_time()
    WORK[name](path)
    figures = (time.perf_counter() - wall, time.process_time() - cpu)
    # not ru_maxrss: that of the process which began this one goes on in it
    status = Path("/proc/self/status").read_text()  # proc(5), kilobytes
    peak = int(status.partition("VmHWM:")[2].split()[0]) / 1024
    sys.stdout.write(json.dumps([*figures, peak]))


def measured(name, path):
    """Run `run_one` in a process of its own: wall [s], processor [s], peak memory [MB]."""
    words = [sys.executable, "-m", "tests.benchmarks.speed", "--one", name, str(path)]
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=True)
    return json.loads(done.stdout)


def costs_of(name, folder):
    """Wall [s], processor [s] and memory [MB] of each kind of work on one clip, and the load."""
    width, height, fps, seconds, _ = CLIPS[name]
    path = folder / f"{name.replace(', ', '_').replace(' ', '')}.mp4"
    if not path.exists():
        make_clip(path, width, height, fps, seconds)
    found = {work: measured(work, path) for work in ("decode", "subtract", "examine")}
    return found | {"load": os.getloadavg()[0]}


def cost_row(name, found):
    """One row of the table of costs per clip."""
    bar = CLIPS[name][-1]
    alone, plain, whole = (found[work] for work in ("decode", "subtract", "examine"))
    bar_words = "none" if bar is None else f"{bar:g}"
    met = "" if bar is None else ("met" if whole[0] <= bar * alone[0] else "**missed**")
    return (
        f"| {name} | {alone[0]:.1f} | {whole[0]:.1f} | {whole[0] / alone[0]:.1f} | "
        f"{whole[1] / alone[1]:.1f} | {bar_words} | {met} | {plain[0] / alone[0]:.1f} | "
        f"{plain[1] / alone[1]:.1f} | {whole[2]:.0f} | {found['load']:.1f} |"
    )


def entry_costs():
    """Processor milliseconds of one more entry, and of reading the case, by entries before."""
    import time

    from smokecase.case.store import open_cases

    noon = datetime(2031, 5, 4, 12, tzinfo=UTC)
    found = {}
    with tempfile.TemporaryDirectory() as folder, open_cases(folder) as store:
        case = store.open_case("many", engine={"fuel": "diesel"}, author="Ada", time=noon)
        held = 1
        for count in ENTRIES:
            while held < count:
                store.add(case, "note", {"text": "words"}, author="Ada", time=noon)
                held += 1
            clock = time.process_time()
            for _ in range(10):
                store.add(case, "note", {"text": "words"}, author="Ada", time=noon)
            held += 10
            added = time.process_time()
            store.read_case("many")
            found[count] = (100 * (added - clock), 1000 * (time.process_time() - added))
    return found


def accuracy_rows():
    """Mean absolute error of the section by smokecase and by background subtraction."""
    from tests.benchmarks.clip_scores import measure_clip, score
    from tests.benchmarks.truth_files import find_truths, read_truth

    for path in [*find_truths(PRACTICE), *find_truths(DEMO)]:
        record = measure_clip(read_truth(path), by_itself=False)
        if not record["truth"]["peak_p95_pct"]:
            continue
        errors = []
        for method in ("opacity", "grey"):
            scores = score(record["given"], record["truth"], method)
            errors.append("no answer" if scores is None else f"{scores['mae']:.1f}")
        yield f"| {record['clip']} | {errors[0]} | {errors[1]} |"


def before_rows():
    """Processor time and memory of bundled clips, before and now."""
    for name, (cpu, memory) in BEFORE.items():
        _, now, peak = measured("examine", PRACTICE / f"{name}.mp4")
        yield f"| {name} | {cpu:.1f} | {now:.1f} | {memory} | {peak:.0f} |"


PAGE = """# What an examination costs

{date}, {cores}-core machine, Python {python}; made by
`nice -n 10 python -m tests.benchmarks.speed`. The last column tells how much other
work wanted the machine (its load over the last minute, this work included): above about 3 the times
on the clock say little, and the ratio of processor times is to be looked at.

Wall time of a whole examination (sound, both walks, everything but writing the report) over that
of decoding the same clip and shrinking it to working size, measured one after the other.

| clip | decode and shrink [s] | examine [s] | ratio | ratio of processor time | bar | | \
background subtraction, ratio | its ratio of processor time | peak memory [MB] | load |
| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |
{costs}

The part that does not grow with the clip (exit, plate, veil from a sample of frames) dominates
short clips; what remains grows with the number of frames. Peak memory must stay under 600 MB up to
4K and under 1200 MB at 8K.

## Before and after

Bundled clips of 8 s at 640 x 360. "Before" was measured while the machine did other work, so only
processor time is compared.

| clip | processor time before [s] | now [s] | memory before [MB] | now [MB] |
| --- | --- | --- | --- | --- |
{before}

{cuts}## What the cost buys

Mean absolute error of the section's opacity where the pipe is given, in percent of opacity.
Background subtraction is given the true box, its true movement and the clear frames.

| clip | smokecase | background subtraction |
| --- | --- | --- |
{accuracy}

## What a case's earlier entries cost

An examination never reads the case it goes to, and entering its result reads one row, the end of
that case's chain: the cost of an entry does not grow with those before it. Reading a whole case to
show it does, as it must.

| entries before | one more entry, processor time [ms] | reading the case [ms] |
| --- | --- | --- |
{entries}
"""


def written_by_hand(page):
    """What was cut when, from the page that is there: no later run can make it again."""
    text = page.read_text(encoding="utf-8") if page.exists() else ""
    start = text.find("### Cut on")
    return text[start : text.index("\n## ", start) + 1] if start >= 0 else ""


def main():
    """Measure and write the page."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--clips", type=Path, help="folder that keeps the clips made")
    parser.add_argument("--told", type=Path, help="file of what was measured: read if it is there")
    parser.add_argument("--out", type=Path, default=ROOT / "examples" / "speed.md")
    parser.add_argument("--one", nargs=2, metavar=("WORK", "CLIP"), help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.one:
        run_one(args.one[0], Path(args.one[1]))
        return 0
    told = json.loads(args.told.read_text()) if args.told and args.told.exists() else {}

    def once(name, measure):
        if name not in told:
            told[name] = measure()
            sys.stderr.write(f"{name}: {told[name]}\n")
            if args.told:
                args.told.write_text(json.dumps(told, indent=1))
        return told[name]

    with tempfile.TemporaryDirectory() as scratch:
        folder = args.clips or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        costs = [
            cost_row(name, once(name, lambda name=name: costs_of(name, folder))) for name in CLIPS
        ]
        entries = once("entries", entry_costs)
        page = PAGE.format(
            date=datetime.now(UTC).strftime("%d %B %Y"), cores=os.cpu_count(),
            python=platform.python_version(), costs="\n".join(costs),
            before="\n".join(once("before", lambda: list(before_rows()))),
            cuts=written_by_hand(args.out),
            accuracy="\n".join(once("accuracy", lambda: list(accuracy_rows()))),
            entries="\n".join(
                f"| {n} | {add:.1f} | {read:.0f} |" for n, (add, read) in entries.items()
            ),
        )  # fmt: skip
    args.out.write_text(page, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
