"""``smokecase demo``: the whole journey on an invented clip that comes with the program."""

import argparse
import json
import sys
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

from smokecase.commands.progress import part_of, show_progress
from smokecase.model_files import find_model

if TYPE_CHECKING:
    from smokecase.diagnosis import Diagnosis
    from smokecase.readings import Examination

CLIP = "demo/press_engine_start"
WIDE = 80  # columns of a screen of 24 lines
MOST_ROWS = 6  # of families and causes


def add(parser: argparse.ArgumentParser) -> None:
    """Name the words of the command."""
    parser.add_argument(
        "--out", metavar="DIR", default="smokecase-demo",
        help="folder for the pictures and tables (default: smokecase-demo)",
    )  # fmt: skip
    parser.epilog = (
        "The clip, its sound and its owner are invented and computed, so the truth is known\n"
        "and is printed beside the reading."
    )


def run(args: argparse.Namespace) -> int:
    """Examine the clip, weigh the causes with the owner's answers, and print both."""
    from smokecase.causes.answers_file import read_answers
    from smokecase.causes.knowledge_file import standard_knowledge
    from smokecase.diagnosis import diagnose
    from smokecase.examination import examine
    from smokecase.report.folder import check_folder, write_folder

    clip = find_model(f"{CLIP}.mp4")
    truth = json.loads(find_model(f"{CLIP}.truth.json").read_text())
    knowledge = standard_knowledge()
    told = read_answers(find_model(f"{CLIP}.toml"), knowledge)
    check_folder(args.out)
    with show_progress() as tell:
        examination = examine(clip, tell=part_of(tell, 0.0, 0.8))
        found = diagnose([examination], answers=told, knowledge=knowledge,
                         tell=part_of(tell, 0.8, 0.85))  # fmt: skip
        plain = json.dumps(found.to_json(), indent=2, ensure_ascii=False)
        texts = {"diagnosis.txt": found.text() + "\n", "diagnosis.json": plain + "\n"}
        folder = write_folder(examination, args.out, texts=texts, tell=part_of(tell, 0.85, 1.0))
    sys.stdout.write(one_screen(truth, examination, found, folder) + "\n")
    return 0


def one_screen(
    truth: dict[str, Any], examination: "Examination", found: "Diagnosis", folder: Path
) -> str:
    """Tell the journey on one screen; the folder holds the rest."""
    from smokecase.readings import SCREENING

    title = truth["scenario"]["title"]
    doubts = ", ".join(d.name.replace("_", " ") for d in sorted(examination.doubts))
    lines = [
        *_fill(f"Invented: {title[0].lower()}{title[1:]}. Read in {examination.clip}:"),
        *readings_beside_truth(examination, truth),
        *_fill(f"  doubts: {doubts or 'none'} (remedies in README.txt)"),
        "",
        *weights_and_check(found),
        *_fill(SCREENING),
        f"Written to {folder.name}: open contact_sheet.png, timeline.png and diagnosis.txt.",
    ]
    return "\n".join(lines)


def readings_beside_truth(examination: "Examination", truth: dict[str, Any]) -> list[str]:
    """Lay what was read beside what is known, one line each."""
    from smokecase.report.story import tell_peak

    timing, colour, smoke = examination.timing, examination.colour, truth["smoke"]
    weights = ", ".join(
        f"{name} {100 * getattr(colour, name):.0f} %" for name in ("black", "blue", "white")
    )
    rows = [
        ("first smoke", _seconds(timing.onset_s), f"{smoke['visible_onset_s']:.1f} s"),
        ("densest", _seconds(timing.peak_s), f"{smoke['peak_s']:.1f} s"),
        ("light blocked then", tell_peak(examination) or "not told", f"{_true_peak(truth):.0f} %"),
        ("colour", f"{colour.word}: {weights}", smoke["colour_class"]),
        ("puffs a second", _rate(timing.puff_hz, timing.u_puff_hz), _rate(smoke["puff_hz"])),
        ("idle speed, by ear", _idle(examination), f"{truth['engine']['idle_rpm']:.0f} 1/min"),
    ]
    return [f"  {name:<19} {read:<38} truth {true}" for name, read, true in rows]


def weights_and_check(found: "Diagnosis") -> list[str]:
    """Tell the heaviest causes and the next check; stop signs stand above both."""
    from smokecase.causes.record import percent

    def row(weight: Any, indent: str) -> str:
        bounds = f"({100 * weight.low:.0f} to {100 * weight.high:.0f})"
        head = f"{indent}{percent(weight.weight):>5} {bounds:<11} "
        return head + textwrap.shorten(weight.title, WIDE - len(head), placeholder=" ...")

    lines = [line for stop in found.stops for line in _fill(f"STOP. {stop.words}")]
    lines.append("What it may be (weight, 95 % interval; several may be true at once)")
    rows = []
    for family in found.families:
        rows.append(row(family, "  "))
        heaviest = next((c for c in found.causes if c.family == family.name), None)
        if heaviest is not None and heaviest.weight >= 0.1:
            rows.append(row(heaviest, "      "))
    lines += rows[:MOST_ROWS]
    if found.proposals:
        best = found.proposals[0]
        lines += _fill(f"Next check ({best.minutes:.0f} min): {best.question} {best.how}")
        lines += _fill(f"Care: {best.caution}", "  ")
    return lines


def _fill(words: str, indent: str = "") -> list[str]:
    return textwrap.wrap(words, WIDE, initial_indent=indent, subsequent_indent=indent)


def _seconds(time_s: float | None) -> str:
    return "not seen" if time_s is None else f"{time_s:.1f} s"


def _idle(examination: "Examination") -> str:
    sound = examination.sound
    return "not heard" if sound is None or sound.idle_speed is None else str(sound.idle_speed)


def _rate(rate_hz: float | None, u_hz: float | None = None) -> str:
    """Give a rate, with its 95 % interval where it was measured."""
    from smokecase.measured import Measured

    if rate_hz is None:
        return "none"
    return f"{rate_hz:.1f}" if u_hz is None else str(Measured(value=rate_hz, u=u_hz, unit=""))


def _true_peak(truth: dict[str, Any]) -> float:
    """Give the mean opacity at the pipe over 0.3 s around the peak. [%]."""
    rows, at = truth["per_frame"], truth["smoke"]["peak_s"]
    near = [
        opacity
        for time_s, opacity in zip(rows["time_s"], rows["opacity_near_pipe"], strict=True)
        if abs(time_s - at) <= 0.15
    ]
    return float(sum(near) / len(near))
