"""Builds the example case: an old press engine, its healthy sister, a repair, and the after clip.

    python examples/press_engine_case.py OUT [--pictures DIR]

Everything in it is invented: the cider press, the engines, the people, the place. The clips come
with smokecase (models/demo). OUT gets the case folder, the report as a page, a PDF and a short
reply, the comparisons, and the evidence package, which is verified at the end. --pictures draws
those that stand in the README: two pages of the report, the timeline, both clips side by side.
"""

import argparse
import sys
from datetime import datetime, timedelta, timezone
from pathlib import Path

from smokecase.case.package import verify_package
from smokecase.case.record import Circumstances
from smokecase.case.store import open_cases
from smokecase.casework import add_answer, add_clip, add_result, save_report, withdraw
from smokecase.model_files import find_model
from smokecase.packing import pack_case
from smokecase.report.assemble import compare_pairs
from smokecase.report.case_figures import draw_course
from smokecase.report.course import follow_case
from smokecase.report.standing import tell_standing, write_comparison, write_report

NAME = "Old press engine"
ZONE = timezone(timedelta(hours=1))
FIRST_DAY = datetime(2031, 11, 3, 8, 5, tzinfo=ZONE)  # invented
MECHANIC, OWNER = "Ina (mechanic)", "Odo (owner)"
YARD = Circumstances(
    load="cold start", light="overcast", camera="phone on a stand, 2 m",
    background="brick wall", wind="light air",
    place="yard of the press (invented)", observer="Ina", latitude_deg=47.5, longitude_deg=9.5,
    view_azimuth_deg=330.0, distance_m=2.0, pipe_diameter_mm=55.0,
)  # fmt: skip


def on_day(day: int, hour: int = 8, minute: int = 5) -> datetime:
    """Time on a day of the story; 0 is the first."""
    return FIRST_DAY.replace(hour=hour, minute=minute) + timedelta(days=day)


def told(day: int, **more: object) -> Circumstances:
    """Circumstances in the yard on a day of the story."""
    return Circumstances.from_json(YARD.to_json() | {"filmed_utc": on_day(day).isoformat()} | more)


def build(out: Path) -> Path:
    """Build the case, its report, comparisons and package; returns the package."""
    with open_cases(out / "cases") as store:
        case = store.open_case(
            NAME, engine={"fuel": "diesel", "installation": "generator", "turbo": "no"},
            author=MECHANIC, time=on_day(0),
        )  # fmt: skip
        add_clip(
            store, case, find_model("demo/press_engine_start.mp4"), author=MECHANIC,
            time=on_day(0, 8, 40), tell=show,
            circumstances=told(0, role="before", standing_h=670, coolant_degc=7, ambient_degc=7,
                               humidity_pct=80, words="after four weeks of standing"),
        )  # fmt: skip
        for minute, (question, given) in enumerate(
            (("smell", "fuel"), ("coolant_loss", "no"), ("clears_when_warm", "slowly"),
             ("idle", "rough"))
        ):  # fmt: skip
            case = store.read_case(NAME)
            add_answer(store, case, question, given, author=OWNER, time=on_day(1, 18, minute))
        # the owner thought again: a correction is one more entry
        case = store.read_case(NAME)
        add_answer(store, case, "idle", "rough_cold", author=OWNER, time=on_day(2, 12))
        add_clip(
            store, case, find_model("demo/press_engine_sister.mp4"), author=MECHANIC,
            time=on_day(4, 9), tell=show,
            circumstances=told(4, role="healthy", engine="the sister engine", standing_h=120,
                               coolant_degc=6, ambient_degc=6, humidity_pct=85),
        )  # fmt: skip
        case = store.read_case(NAME)
        add_result(store, case, "compression", "25 24 25 24 bar", author=MECHANIC,
                   time=on_day(7, 15))  # fmt: skip
        wrong = add_result(store, case, "glow_plugs", "none", author=MECHANIC,
                           time=on_day(8, 10))  # fmt: skip
        withdraw(store, store.read_case(NAME), wrong.number, why="measured at the wrong wire",
                 author=MECHANIC, time=on_day(8, 10, 20))  # fmt: skip
        case = store.read_case(NAME)
        add_result(store, case, "glow_plugs", "some", author=MECHANIC, time=on_day(8, 11))
        store.add(case, "repair", {"text": "one glow plug renewed, one injector cleaned"},
                  author=MECHANIC, time=on_day(12, 14))  # fmt: skip
        add_clip(
            store, store.read_case(NAME), find_model("demo/press_engine_after.mp4"),
            author=MECHANIC, time=on_day(14, 8, 40), tell=show,
            circumstances=told(14, role="after", standing_h=40, coolant_degc=5, ambient_degc=5,
                               humidity_pct=82, words="after the repair"),
        )  # fmt: skip
        return write_out(store, out)


def write_out(store, out: Path) -> Path:  # type: ignore[no-untyped-def]
    """Write what the case gives."""
    case = store.read_case(NAME)
    made, _ = save_report(store, case, author=MECHANIC, time=on_day(14, 10), tell=show)
    write_report(made, out / "report")
    case = store.read_case(NAME)
    found = compare_pairs(case)
    for comparison, numbers in found:
        one, other = (case.find_entry(n) for n in numbers)
        paths = tuple(store.find_file("clips", e.body["sha256"]) for e in (one, other))
        clips = tuple(case.examinations[n] for n in numbers)
        folder = out / f"{comparison.first}_and_{comparison.second}"
        write_comparison(comparison, paths, clips, folder, tell=show)
    standing = tell_standing(case, follow_case(case), [c for c, _ in found])
    (out / "standing.txt").write_text(standing + "\n", encoding="utf-8")
    print(standing)
    package = pack_case(store, case, out / "package", time=on_day(14, 11), tell=show)
    print(verify_package(package).words)
    return package


def draw_pictures(out: Path, folder: Path) -> None:
    """Draw the pictures of the README from what was built."""
    import pypdfium2
    from PIL import Image

    document = pypdfium2.PdfDocument(out / "report" / "report.pdf")
    pages = [document[i].render(scale=1.5).to_pil().convert("L") for i in (0, 1)]
    wide = sum(page.width for page in pages) + 12
    sheet = Image.new("L", (wide, pages[0].height), 190)
    for i, page in enumerate(pages):
        sheet.paste(page, (i * (page.width + 12), 0))
    sheet.save(folder / "press_engine_report.png", optimize=True)
    with open_cases(out / "cases") as store:
        course = follow_case(store.read_case(NAME))
    (folder / "press_engine_course.png").write_bytes(draw_course(course))
    with Image.open(out / "before_and_after" / "side_by_side.jpg") as image:
        image.resize((1200, round(1200 * image.height / image.width))).save(
            folder / "press_engine_beside.jpg", quality=82
        )
    with Image.open(out / "before_and_after" / "comparison.png") as image:
        image.save(folder / "press_engine_comparison.png", optimize=True)


def show(share: float, words: str) -> None:
    """Show progress on one line."""
    sys.stderr.write(f"\r{100 * share:3.0f} % {words[:60]:60}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("out", type=Path)
    parser.add_argument("--pictures", type=Path, metavar="DIR")
    args = parser.parse_args()
    build(args.out)
    if args.pictures:
        draw_pictures(args.out, args.pictures)
