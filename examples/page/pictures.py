"""Make the pictures of the page: every step, at desk and phone size, in light and dark.

    python examples/page/pictures.py [--cases DIR] [--only NAME,NAME]

Starts a page of its own on a free port, walks the invented example through it in Debian's Chromium,
and writes PNG files beside this script. With `--cases`, a case made before is used again, so that
nothing is measured anew. Needs the development packages and /usr/bin/chromium.
"""

import argparse
import io
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright

from smokecase.case.record import Circumstances
from smokecase.case.store import open_cases
from smokecase.casework import (
    add_answer,
    add_result,
    bring_clip,
    measure_brought,
    save_report,
    tell_circumstances,
)
from smokecase.model_files import find_model

HERE = Path(__file__).parent
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
         "--disable-background-networking", "--disable-component-update",
         "--disable-sync"]  # fmt: skip
SIZES = {"desk": (1280, 900), "phone": (390, 844)}
FILMS_ARE_THERE = (
    "Array.from(document.querySelectorAll('video')).every(v => v.readyState >= 2 && !v.seeking)"
)
NAME, HOT = "Old press engine (invented)", "Tractor that ran hot (invented)"
STEPS = ("home", "bring", "mark", "look", "tell", "weigh", "check", "compare", "case", "report",
         "guide", "measuring", "stop")  # fmt: skip
ANSWERS = {"fuel": "diesel", "installation": "generator", "smell": "fuel", "coolant_loss": "no",
           "clears_when_warm": "slowly", "idle": "rough_cold"}  # fmt: skip
HOT_ANSWERS = {"fuel": "diesel", "installation": "tractor", "coolant_loss": "fast"}


def fill(cases: Path) -> tuple[str, str]:
    """Make the example cases, one with clips and one with a stop sign; returns their numbers."""
    who = {"author": "Ina", "time": datetime(2031, 11, 3, 8, 5, tzinfo=UTC)}
    with open_cases(cases) as store:
        made = {case.name: case.id for case in store.list_cases()}
        if {NAME, HOT} <= set(made):
            return made[NAME], made[HOT]
        hot = store.open_case(HOT, engine={}, **who)
        for question, given in HOT_ANSWERS.items():
            add_answer(store, store.read_case(hot.id), question, given, **who)
        case = store.open_case(NAME, engine={}, **who)
        for clip, role in (("press_engine_start", "suspect"), ("press_engine_sister", "healthy")):
            path = find_model(f"demo/{clip}.mp4")
            brought = bring_clip(store, store.read_case(case.id), path, name=path.name, **who)
            entry = measure_brought(store, store.read_case(case.id), brought.number, **who)
            filmed = Circumstances(
                role=role, load="cold start", ambient_degc=7.0, standing_h=100.0,
                engine="" if role == "suspect" else "the sister engine",
            )  # fmt: skip
            tell_circumstances(store, store.read_case(case.id), entry.number, filmed, **who)
        for question, given in ANSWERS.items():
            add_answer(store, store.read_case(case.id), question, given, **who)
        add_result(store, store.read_case(case.id), "compression", "25 24 25 24 bar", **who)
        save_report(store, store.read_case(case.id), **who)
        path = find_model("demo/press_engine_after.mp4")
        bring_clip(store, store.read_case(case.id), path, name=path.name, **who)
        return case.id, hot.id


@contextmanager
def page_of(cases: Path) -> Iterator[str]:
    """Serve the page on a free port."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [sys.executable, "-c", "import sys; from smokecase.cli import main; sys.exit(main())",
               "page", "--cases", str(cases), "--port", str(port), "--no-browser"]  # fmt: skip
    server = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        assert server.stdout is not None
        for line in server.stdout:
            if "ready" in line:
                break
        yield f"http://127.0.0.1:{port}/en/"
    finally:
        server.terminate()
        server.wait(timeout=30)


def take(browser: Browser, at: str, cases: tuple[str, str], only: set[str]) -> None:
    """Take every picture that is wanted."""
    for size, (width, height) in SIZES.items():
        phone = size == "phone"
        for mode in ("light", "dark"):
            context = browser.new_context(
                viewport={"width": width, "height": height}, color_scheme=mode,
                is_mobile=phone, has_touch=phone,
            )  # fmt: skip
            page = context.new_page()
            for number, step in enumerate(STEPS):
                name = f"{number}_{step}_{size}_{mode}"
                if only and not any(name.startswith(o) or o in name.split("_") for o in only):
                    continue
                go_to(page, at, cases[step == "stop"], step)
                save(page.screenshot(full_page=True), HERE / f"{name}.png")
                if step == "measuring":  # the clip waits to be measured again
                    page.click("#go-cancel")
                    page.wait_for_selector("#go-measure", timeout=60_000)
                print(name)
            context.close()


def go_to(page: Page, at: str, case: str, step: str) -> None:
    """Open a step and wait until it stands still."""
    query = "" if step in ("home", "guide") else f"?case={case}&step={step}"
    more = {"weigh": "&about=smell&trial=sweet", "check": "&about=glow_current"}.get(step, "")
    query = query.replace("step=measuring", "step=mark").replace("step=stop", "step=weigh")
    page.goto(f"{at}{query}{more}")
    page.wait_for_selector("#sheet[data-turn]", timeout=60_000)
    if step in ("look", "compare"):  # the pictures of every film are there, none of them black
        page.wait_for_function(FILMS_ARE_THERE, timeout=60_000)
    if step == "measuring":
        page.click("#go-measure")
        page.wait_for_selector("#progress[aria-valuenow]:not([aria-valuenow='0'])", timeout=60_000)
    if step == "guide":
        page.click("#film-guide summary")
    time.sleep(0.8)


def save(png: bytes, path: Path) -> None:
    """Save with few colours: small files that still look right."""
    image = Image.open(io.BytesIO(png)).convert("RGB")
    image.quantize(128, method=Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE).save(
        path, optimize=True
    )


def main() -> int:
    """Run the command line of this script."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=Path, help="folder of the cases to use again")
    parser.add_argument("--only", default="", help="steps, sizes or modes, with commas")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as aside, sync_playwright() as playwright:
        cases = args.cases or Path(aside) / "cases"
        made = fill(cases)
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=FLAGS)
        with page_of(cases) as at:
            take(browser, at, made, set(args.only.split(",")) - {""})
        browser.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
