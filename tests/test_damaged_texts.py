"""Faults that the fuzzing found, each kept: text without end, and pictures cut at odd places."""

import json
import shutil
from pathlib import Path

import pytest
from PIL import Image

from made_clips import write_clip, yard
from made_examinations import an_examination
from smokecase.causes.answers_file import read_answers
from smokecase.causes.knowledge_file import read_knowledge, standard_knowledge
from smokecase.causes.witness import hear_answer
from smokecase.causes.worth import read_costs
from smokecase.errors import AnswersError, ClipError, KnowledgeError
from smokecase.report.folder import read_folder, to_csv
from smokecase.report.story import tell_summary
from smokecase.video.clip import open_clip

STANDARD = Path(__file__).parents[1] / "models" / "knowledge"


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


@pytest.mark.parametrize("odd", ["{}", '"\\u0000"', "nan", "-1", "1" * 400, "[]"])
def test_a_chance_that_is_none_is_named_by_its_line(tmp_path, odd):
    shutil.copytree(STANDARD, tmp_path / "knowledge")
    path = tmp_path / "knowledge" / "questions.toml"
    lines = path.read_text().splitlines()
    at = next(i for i, line in enumerate(lines) if line.startswith("after_standing = ["))
    lines[at] = lines[at].rpartition(",")[0] + f", {odd}]"
    path.write_text("\n".join(lines))

    with pytest.raises(KnowledgeError, match=rf"questions.toml, line {at + 1}: .*probabilities"):
        read_knowledge(tmp_path / "knowledge")


def test_a_value_that_no_check_foresaw_is_named_by_its_table(tmp_path):
    shutil.copytree(STANDARD, tmp_path / "knowledge")
    path = tmp_path / "knowledge" / "engine.toml"
    text = path.read_text()
    assert "shares = [" in text
    path.write_text(text.replace("shares = [", "shares = [{}, ", 1))

    with pytest.raises(KnowledgeError, match=r"engine.toml, line \d+: a value in this \[\[context"):
        read_knowledge(tmp_path / "knowledge")


def test_a_number_larger_than_any_in_a_summary_is_one_sentence(tmp_path):
    plain = an_examination().to_json()
    plain["colour"]["black"] = 10**400
    (tmp_path / "summary.json").write_text(json.dumps(plain))
    (tmp_path / "readings.csv").write_text(to_csv(an_examination()))

    with pytest.raises(ClipError, match="does not fit any more"):
        read_folder(tmp_path)


def test_a_table_without_readings_is_told_all_the_same(tmp_path):
    (tmp_path / "summary.json").write_text(json.dumps(an_examination().to_json()))
    (tmp_path / "readings.csv").write_text(to_csv(an_examination()).splitlines()[0] + "\n")

    assert tell_summary(read_folder(tmp_path))


def test_a_coding_that_nobody_knows_is_one_sentence(tmp_path):
    path = write_clip(tmp_path / "start.avi", yard(5), codec="mpeg4")
    content = path.read_bytes()
    assert b"FMP4" in content
    path.write_bytes(content.replace(b"FMP4", b"Qq7~"))

    with pytest.raises(ClipError, match=r"start.avi: no picture could be decoded; convert it"):
        open_clip(path)


@pytest.mark.parametrize("value", [10**400, float("inf"), float("nan"), [1, 10**13], -1, True])
def test_a_price_that_is_none_is_one_sentence(value):
    with pytest.raises(AnswersError, match=r"costs: value = .* is no price; write a number or"):
        read_costs({"value": value}, standard_knowledge())


def test_repairs_that_are_no_table_are_one_sentence():
    with pytest.raises(AnswersError, match="costs: repair = 7 is no table of prices by cause"):
        read_costs({"repair": 7}, standard_knowledge())


def test_a_list_of_no_answers_says_nothing():
    assert hear_answer(standard_knowledge(), "smell", [], engine={}, where="") is None
