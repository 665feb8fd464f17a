"""``smokecase demo``: the whole journey on an invented clip that comes with the program."""

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from smokecase.commands.progress import part_of, show_progress
from smokecase.model_files import find_model

CLIP = "demo/press_engine_start"


def add(parser: argparse.ArgumentParser) -> None:
    """Name the words of the command."""
    parser.add_argument(
        "--out", metavar="DIR", default="smokecase-demo", help="folder for the pictures and tables"
    )
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
    from smokecase.report.story import tell_summary

    clip = find_model(f"{CLIP}.mp4")
    truth = json.loads(find_model(f"{CLIP}.truth.json").read_text())
    knowledge = standard_knowledge()
    told = read_answers(find_model(f"{CLIP}.toml"), knowledge)
    check_folder(args.out)
    with show_progress() as tell:
        examination = examine(clip, tell=part_of(tell, 0.0, 0.8))
        folder = write_folder(examination, args.out, clip_path=clip, tell=part_of(tell, 0.8, 0.95))
        found = diagnose([examination], answers=told, knowledge=knowledge,
                         tell=part_of(tell, 0.95, 1.0))  # fmt: skip
    (folder / "diagnosis.json").write_text(
        json.dumps(found.to_json(), indent=2, ensure_ascii=False) + "\n"
    )
    sys.stdout.write(
        f"{truth['scenario']['words']}\n\n{tell_summary(examination)}\n"
        f"\nTruth (the clip is invented): {truth_in_words(truth)}\n"
        f"\n{found.text()}\n"
        f"\nWritten to {Path(folder)}; open contact_sheet.png.\n"
    )
    return 0


def truth_in_words(truth: dict[str, Any]) -> str:
    """Tell the truth of an invented clip in one sentence."""
    smoke, rows = truth["smoke"], truth["per_frame"]
    at = smoke["peak_s"]  # of the mean over 0.3 s, as the truth file defines it
    near = [
        opacity
        for time_s, opacity in zip(rows["time_s"], rows["opacity_near_pipe"], strict=True)
        if abs(time_s - at) <= 0.15
    ]
    peak = sum(near) / len(near)
    puffs = f", puffs {smoke['puff_hz']:.1f} per second" if smoke["puff_hz"] else ""
    return (
        f"{smoke['colour_class']} smoke first visible at {smoke['visible_onset_s']:.1f} s, "
        f"densest at {at:.1f} s with {peak:.0f} % at the pipe (mean over 0.3 s){puffs}."
    )
