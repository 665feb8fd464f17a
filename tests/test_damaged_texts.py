"""Faults that the fuzzing found, each kept: text without end, and pictures cut at odd places."""

import pytest
from PIL import Image

from made_clips import yard
from smokecase.causes.answers_file import read_answers
from smokecase.causes.knowledge_file import standard_knowledge
from smokecase.errors import AnswersError, ClipError
from smokecase.report.folder import read_folder
from smokecase.video.clip import open_clip


def test_an_answers_file_of_brackets_without_end(tmp_path):
    (tmp_path / "answers.toml").write_text("[answers]\nsmell = " + "[" * 5000)

    with pytest.raises(AnswersError, match=r"answers.toml: this is no TOML \(maximum recursion"):
        read_answers(tmp_path / "answers.toml", standard_knowledge())


def test_a_summary_of_brackets_without_end(tmp_path):
    (tmp_path / "summary.json").write_text("[" * 500_000)
    (tmp_path / "readings.csv").write_text("time_s\n")

    with pytest.raises(ClipError, match="the examination in this folder cannot be read"):
        read_folder(tmp_path)


def test_an_animation_cut_at_any_byte_is_read_or_refused(tmp_path):
    frames = [Image.fromarray(frame) for frame in yard(3, width=16, height=12)]
    frames[0].save(tmp_path / "whole.gif", save_all=True, append_images=frames[1:], duration=90)
    whole = (tmp_path / "whole.gif").read_bytes()
    ways = set()
    for end in [*range(16, len(whole), 7), len(whole)]:
        (tmp_path / "cut.gif").write_bytes(whole[:end])
        try:
            ways.add(len(list(open_clip(tmp_path / "cut.gif").frames())))
        except ClipError as error:
            ways.add("refused" if str(error).startswith("cut.gif: ") else str(error))

    assert ways == {"refused", 3}
