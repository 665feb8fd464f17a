"""How quick the page is: from command to page, from a tap to the reading, ten clips at once.

    python -m tests.benchmarks.page_figures [--rounds N] [--out examples/page/figures.md]

A page of its own is started as users start it and driven in Debian's Chromium. What the page adds
to measuring is told as a difference to `examine` on the same clip, each round one after the other,
so that a slow or busy machine slows both. Bars are those of the issue.
"""

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from playwright.sync_api import sync_playwright

from page_clips import BUNDLED, another_copy, cut
from page_rig import FLAGS, PHONE, Page, Visitor, find_browser

READY_S, ADDED_S, TAPS, UPLOADS = 6.0, 1.0, 8, 10  # the bars
ALONE = (
    "import sys, time; from smokecase.examination import examine; "
    "begin = time.monotonic(); examine(sys.argv[1]); print(time.monotonic() - begin)"
)


@dataclass
class Figures:
    """All that is measured."""

    ready_s: list[float] = field(default_factory=list)
    alone_s: list[float] = field(default_factory=list)  # `examine` in a process that has it loaded
    page_s: list[float] = field(default_factory=list)  # from the tap on "Measure" to the reading
    brought_s: list[float] = field(default_factory=list)  # from the choice to "is it fit?"
    taps: int = 0
    ten_s: float = 0.0
    one_of_ten_s: float = 0.0
    tap_s: list[float] = field(default_factory=list)  # any other tap while clips are measured
    memory_mb: list[float] = field(default_factory=list)  # of the server, after each clip
    beside_mb: list[float] = field(default_factory=list)  # of those that look and measure, at rest


def memory_mb(process: int) -> float:
    """Resident memory of a process (Linux, proc(5))."""
    pages = int(Path(f"/proc/{process}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def examine_alone(clip: Path) -> float:
    """Seconds that `examine` takes, without those of loading it."""
    said = subprocess.run([sys.executable, "-c", ALONE, str(clip)], capture_output=True, check=True)
    return float(said.stdout)


def first_reading(visitor: Visitor, clip: Path, figures: Figures) -> None:
    """Bring a clip and measure it, as a first-time user does; on to the causes."""
    visitor.taps = 0
    visitor.open()
    begin = time.monotonic()
    visitor.bring(clip)
    figures.brought_s.append(time.monotonic() - begin)
    begin = time.monotonic()
    visitor.tap("#go-measure")
    visitor.wait_for_step("look")
    figures.page_s.append(time.monotonic() - begin)
    visitor.tap("#go-next")
    visitor.tap("#go-dont-know", count=False)  # answering is not counted
    visitor.tap("#go-weigh")
    visitor.wait_for("#causes")
    figures.taps = visitor.taps


def ten_at_once(visitor: Visitor, clips: list[Path], figures: Figures) -> None:
    """Bring ten clips together, and look elsewhere while they are measured."""
    visitor.open()
    begin = time.monotonic()
    visitor.bring(*clips)
    visitor.tap("#go-measure-all")
    while visitor.tab.locator("[role=progressbar]").count():
        tapped = time.monotonic()
        visitor.tap("#go-home")
        figures.tap_s.append(time.monotonic() - tapped)
        visitor.tap("button.case >> nth=0")
        visitor.go("bring")
        visitor.tab.wait_for_timeout(700)
    figures.ten_s = time.monotonic() - begin
    done = visitor.tab.locator('.clips [data-step="look"]').count()
    if done != UPLOADS:
        msg = f"{done} of {UPLOADS} clips were measured"
        raise SystemExit(msg)


def measure(rounds: int) -> Figures:
    """Measure everything."""
    figures = Figures()
    with tempfile.TemporaryDirectory() as aside, sync_playwright() as driver:
        folder = Path(aside)
        clip = cut(folder / "ten_seconds.mp4", size=(1280, 720), every=1, seconds=10.0)
        small = cut(folder / "small.mp4", size=(320, 180), every=6, seconds=7.0)
        for n in range(rounds):
            begin = time.monotonic()
            page = Page(folder / f"cases{n}", folder / "log")
            figures.ready_s.append(time.monotonic() - begin)
            if n < rounds - 1:
                page.stop()
        browser = driver.chromium.launch(executable_path=find_browser(), args=FLAGS)
        visitor = Visitor(browser, page, size=PHONE)
        figures.memory_mb.append(memory_mb(page.process.pid))
        for n in range(rounds):
            figures.alone_s.append(examine_alone(clip))
            first_reading(visitor, another_copy(clip, folder / f"{n}.mp4", n), figures)
            figures.memory_mb.append(memory_mb(page.process.pid))
        beside = subprocess.run(["pgrep", "-P", str(page.process.pid)], capture_output=True,
                                text=True, check=True)  # fmt: skip
        figures.beside_mb = [memory_mb(int(pid)) for pid in beside.stdout.split()]
        figures.one_of_ten_s = examine_alone(small)
        ten = [another_copy(small, folder / f"small{n}.mp4", n) for n in range(UPLOADS)]
        ten_at_once(visitor, ten, figures)
        figures.memory_mb.append(memory_mb(page.process.pid))
        visitor.close()
        browser.close()
        page.stop()
    return figures


def page_of(figures: Figures, rounds: int) -> str:
    """Write the figures as a page."""
    middle = statistics.median
    added = [a - b for a, b in zip(figures.page_s, figures.alone_s, strict=True)]
    rows: list[tuple[str, Any, str]] = [
        ("from the command to the page ready", f"{middle(figures.ready_s):.1f} s", "6 s"),
        ("`examine` alone on a 10 s 720p clip", f"{middle(figures.alone_s):.1f} s", ""),
        ("from the tap on Measure to its reading on the screen", f"{middle(figures.page_s):.1f} s",
         ""),
        ("what the page adds to `examine`", f"{middle(added):+.1f} s "
         f"({min(added):+.1f} to {max(added):+.1f})", "+1 s"),
        ("from choosing the clip to knowing whether it is fit",
         f"{middle(figures.brought_s):.1f} s", ""),
        ("taps from the first page to weighted causes, answering left out", figures.taps, "8"),
        (f"{UPLOADS} clips at once: all measured", f"{figures.ten_s:.0f} s, "
         f"{figures.ten_s / UPLOADS / figures.one_of_ten_s:.1f} times `examine` for each",
         "all finish"),
        ("any other tap meanwhile", f"{middle(figures.tap_s):.1f} s "
         f"(longest {max(figures.tap_s):.1f} s)", ""),
        ("memory of the server: begun, after each clip, after the ten",
         ", ".join(f"{m:.0f}" for m in figures.memory_mb) + " MB", ""),
        ("memory of the processes that look at clips and measure them, at rest",
         ", ".join(f"{m:.0f}" for m in figures.beside_mb) + " MB", ""),
    ]  # fmt: skip
    day = f"{datetime.now(UTC):%d %b %Y}"
    table = "\n".join(f"| {what} | {figure} | {bar} |" for what, figure, bar in rows)
    load = os.getloadavg()[0]
    return f"""# How quick the page is

    python -m tests.benchmarks.page_figures --rounds {rounds}

{day}, {os.cpu_count()} cores, load of the machine at the end {load:.1f} (1 to 2 is the page
alone; more, and other work ran beside it). Debian's Chromium at phone size, clips cut from the
bundled `{BUNDLED.name}` (invented). Middle of {rounds} rounds; least and most in brackets.

| what | figure | bar |
| --- | --- | --- |
{table}

What the page adds is decided on an idle machine only: where other work runs beside it, the spread
in brackets is mostly that work.

Memory: the server loads reasoning once it is ready, and drawing with the first report; it does not
grow with every clip after that. Clips are looked at and measured in two processes beside it, whose
children give everything back when they end.
"""


def main() -> int:
    """Run the command line of this script."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--out", type=Path, help="page to write; printed unless told")
    args = parser.parse_args()
    if shutil.which("pgrep") is None:
        parser.error("pgrep is missing; run: apt-get install procps")
    said = page_of(measure(args.rounds), args.rounds)
    if args.out:
        args.out.write_text(said, encoding="utf-8")
    else:
        sys.stdout.write(said)
    return 0


if __name__ == "__main__":
    sys.exit(main())
