"""What the browser tests need: a page that runs as users start it, and a visitor with a browser.

Debian's chromium is used (``apt-get install chromium``); none is fetched.
"""

import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import pytest

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome")
# as root in a container, without reports home, updates, or anything else of the browser's own
FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update", "--disable-dev-shm-usage",
    "--autoplay-policy=no-user-gesture-required",
]  # fmt: skip
DESKTOP = {"width": 1280, "height": 800}
PHONE = {"width": 390, "height": 844}
PATIENCE_MS = 240_000  # for work on a busy machine; nothing here measures how long it takes


def find_browser() -> str:
    """Chromium's path; in CI its absence fails, elsewhere the tests are left out and say so."""
    for name in BROWSERS:
        path = shutil.which(name)
        if path:
            return path
    words = "chromium is missing, so the page cannot be tried; run: apt-get install chromium"
    if os.environ.get("CI"):
        pytest.fail(words)
    pytest.skip(words)


class Page:
    """`smokecase page`, started as a user starts it."""

    def __init__(self, cases: Path, log: Path, *options: str) -> None:
        self.cases, self.log, self.options = cases, log, options
        self.port = 0
        self.said: list[str] = []
        self.start()

    def start(self) -> None:
        """Start, at the same port as before, and wait until it says that it is ready."""
        run = "import sys; from smokecase.cli import main; sys.exit(main())"
        words = ["page", "--cases", str(self.cases), "--port", str(self.port), "--no-browser",
                 "--request-log", str(self.log), *self.options]  # fmt: skip
        self.process = subprocess.Popen(
            [sys.executable, "-W", "ignore", "-c", run, *words],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
            env={**os.environ, "OMP_NUM_THREADS": "1"},
        )  # fmt: skip
        self.said = []
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.said.append(line)
            if line.startswith("Stop it with"):
                break
        else:
            self.process.stdout.close()
            self.process.wait(60)
            pytest.fail(f"the page did not start: {''.join(self.said)}")
        self.address = self.said[-2].split()[-1]
        self.port = int(self.address.rstrip("/").rsplit(":", 1)[1])
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        with self.process.stdout as said:
            self.said.extend(said)

    def stop(self) -> int:
        """Stop it as Ctrl-C does; gives its exit code."""
        self.process.send_signal(signal.SIGINT)
        return self.process.wait(60)

    def kill(self) -> None:
        """Let it die at once, without a word."""
        self.process.kill()
        self.process.wait(60)

    def lines_of_log(self) -> list[dict[str, Any]]:
        """All that it wrote down, the last line only if it is whole."""
        text = self.log.read_text(encoding="utf-8")
        return [json.loads(line) for line in text.split("\n")[:-1]]


class Visitor:
    """Someone with a browser; counts taps, and keeps every address that the browser asked."""

    def __init__(self, browser: Any, page: Page, *, size: dict[str, int] = DESKTOP,
                 language: str = "en-GB", dark: bool = False) -> None:  # fmt: skip
        self.page = page
        self.context = browser.new_context(
            viewport=size, locale=language, color_scheme="dark" if dark else "light",
            has_touch=size is PHONE, accept_downloads=True, reduced_motion="reduce",
        )  # fmt: skip
        self.tab = self.context.new_page()
        self.tab.set_default_timeout(PATIENCE_MS)
        self.taps = 0
        self.asked: list[str] = []
        self.complaints: list[str] = []
        self.tab.on("request", lambda request: self.asked.append(request.url))
        self.tab.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.tab.on("console", self._hear)

    def _hear(self, message: Any) -> None:
        if message.type == "error":
            self.complaints.append(message.text)

    def open(self, place: str = "") -> "Visitor":
        """Open the page, at its front or at an address of it."""
        self.tab.goto(self.page.address + place)
        self.tab.wait_for_selector("#stage")
        return self

    @property
    def step(self) -> str:
        """The step that is shown."""
        return str(self.tab.get_attribute("#stage", "data-step"))

    @property
    def turn(self) -> str:
        """Changes with every answer of the server."""
        return str(self.tab.get_attribute("#sheet", "data-turn"))

    def text(self, what: str = "#stage") -> str:
        """What can be read there."""
        return str(self.tab.inner_text(what))

    def tap(self, what: str, *, count: bool = True) -> None:
        """Tap something and wait for the server's answer."""
        before = self.turn
        self.taps += count
        self.tab.click(what)
        self.after(before)

    def after(self, turn: str) -> None:
        """Wait for the answer to what was tapped, which is later than this one."""
        self.tab.wait_for_function(
            "t => document.querySelector('#sheet').dataset.turn !== t && !smokecase.waits()",
            arg=turn,
        )

    def go(self, step: str) -> None:
        """Go to a step; on a phone the list of steps is folded away."""
        if not self.tab.is_visible(f"#step-{step}"):
            self.tab.click("#go-steps")
        self.tap(f"#step-{step}", count=False)

    def bring(self, *clips: Path, count: bool = True) -> None:
        """Choose files, and wait until the page shows what became of them."""
        before = self.turn
        self.taps += 2 * count  # the button, and the choice in the phone's own list
        self.tab.set_input_files("#file-choose", [str(clip) for clip in clips])
        self.after(before)

    def wait_for(self, what: str) -> None:
        """Wait until something can be seen."""
        self.tab.wait_for_selector(what)

    def wait_for_step(self, step: str) -> None:
        """Wait until the page has gone on by itself."""
        self.tab.wait_for_selector(f'#stage[data-step="{step}"]')

    def download(self, what: str, folder: Path) -> Path:
        """Tap a link and keep what comes."""
        with self.tab.expect_download() as coming:
            self.tab.click(what)
        target = folder / coming.value.suggested_filename
        coming.value.save_as(target)
        return target

    def close(self) -> None:
        """Leave."""
        self.context.close()


def axe_faults(tab: Any) -> list[str]:
    """What axe-core calls serious or critical on a page as it is shown now.

    Source: axe-core's own rules, which follow WCAG 2.2 A and AA.
    """
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(tab, options={"resultTypes": ["violations"]}).response["violations"]
    return [
        f"{fault['id']}: {fault['nodes'][0]['html'][:160]}"
        for fault in found
        if fault["impact"] in ("serious", "critical")
    ]


def until(holds: Any, *, words: str, patience_s: float = PATIENCE_MS / 1000) -> None:
    """Wait for something outside the browser; fails with what was waited for."""
    end = time.monotonic() + patience_s
    while not holds():
        if time.monotonic() > end:
            pytest.fail(f"waited in vain: {words}")
        time.sleep(0.05)
