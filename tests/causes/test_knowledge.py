"""The knowledge files: what they hold, and what is said when they contradict themselves."""
# ruff: noqa: E501 (tables of cases and finished messages stand one a line)

import re
import shutil
from pathlib import Path

import numpy as np
import pytest

from smokecase.causes.knowledge_file import read_knowledge, standard_knowledge, without_source
from smokecase.errors import KnowledgeError
from smokecase.model_files import find_model

FOLDER = find_model("knowledge/causes.toml").parent
KNOWLEDGE = standard_knowledge()


def test_it_holds_what_a_workshop_needs():
    kinds = [q.kind for q in KNOWLEDGE.questions.values()]

    assert list(KNOWLEDGE.families) == [
        "overfuelling", "oil", "coolant", "unburnt_fuel", "condensation", "nothing_wrong",
        "something_else", "not_tailpipe",
    ]  # fmt: skip
    assert len(KNOWLEDGE.causes) >= 40
    assert kinds.count("question") >= 30
    assert kinds.count("check") >= 30
    assert len(KNOWLEDGE.stops) >= 12


def test_every_number_says_where_it_comes_from():
    for thing in (*KNOWLEDGE.causes.values(), *KNOWLEDGE.questions.values(), *KNOWLEDGE.stops):
        assert thing.origin.strip(), thing.name
        # a source of the table, a table, a computation, a page that was read, or honestly none
        assert re.search(
            r"D\d\d|no source|\.csv|\.py|workshop|kept open|leaflet|service page", thing.origin
        ), thing.name


def test_every_cited_source_is_in_the_list():
    sources = (
        Path(__file__).parents[2] / "shared/reference/09_smoke_diagnosis_sources.csv"
    ).read_text()
    listed = set(re.findall(r"^(D\d\d),", sources, flags=re.MULTILINE))
    text = "".join(path.read_text() for path in FOLDER.glob("*.toml"))

    cited = set(re.findall(r"\bD\d\d\b", text))

    assert cited - listed == set()


def test_every_cause_can_be_found_by_something():
    for name in KNOWLEDGE.causes:
        told = [q for q in KNOWLEDGE.questions.values() if name in q.given]

        assert len(told) >= 3, name


def test_every_fault_but_the_unlisted_has_a_check_that_bears_on_it():
    for cause in KNOWLEDGE.causes.values():
        if not cause.harmless and cause.name not in {"unlisted", "altitude", "air_sensor"}:
            bearing = [
                q for q in KNOWLEDGE.questions.values()
                if q.kind == "check" and cause.name in q.given
                and np.abs(q.given[cause.name] - q.base).max() > 0.3
            ]  # fmt: skip
            assert bearing, cause.name


def test_chances_are_chances():
    for question in KNOWLEDGE.questions.values():
        for row in (question.base, *question.given.values()):
            assert row.sum() == pytest.approx(1, abs=1e-12)
            assert not row.flags.writeable
        assert 0.5 < question.reliable < 1


def test_dangerous_checks_carry_their_warning():
    for name in ("crack_injector_pipes", "injector_bench"):
        assert KNOWLEDGE.questions[name].bench.danger == 3
    assert "NEVER on common rail" in KNOWLEDGE.questions["crack_injector_pipes"].bench.caution
    assert all(q.bench.caution for q in KNOWLEDGE.questions.values() if q.bench)


def test_leaving_a_source_out_drops_what_rests_on_it_alone():
    # the cause "altitude" and its question rest on D18, "no fuel" on D24; no other source stands alone
    cut = without_source(KNOWLEDGE, "D18")

    assert "altitude" not in cut.causes
    assert all("altitude" not in q.given for q in cut.questions.values())
    assert len(cut.causes) == len(KNOWLEDGE.causes) - 1
    assert "no_fuel" not in without_source(KNOWLEDGE, "D24").causes


def test_leaving_out_a_source_that_others_agree_with_changes_nothing():
    assert without_source(KNOWLEDGE, "D16") is KNOWLEDGE


# -- what a broken file gets ---------------------------------------------------------------


@pytest.fixture
def broken(tmp_path):
    """Change one place of one file; returns the message."""

    def change(file, old, new):
        folder = tmp_path / "knowledge"
        shutil.copytree(FOLDER, folder)
        text = (folder / file).read_text()
        assert old in text
        (folder / file).write_text(text.replace(old, new, 1))
        line = text[: text.index(old)].count("\n") + 1
        with pytest.raises(KnowledgeError) as caught:
            read_knowledge(folder)
        return str(caught.value), line

    return change


def test_a_question_with_an_empty_origin(broken):
    start = 'origin = "common practice, no source"\n[question.given]\noverfuelling = [0.48'
    message, _ = broken("questions.toml", start, start.replace("common practice, no source", ""))

    assert 'question "smell" names no origin' in message
    assert message.startswith("questions.toml, line ")


def test_a_cause_without_an_origin_names_file_line_and_remedy(broken):
    text = (FOLDER / "causes.toml").read_text()
    start = text.index('name = "altitude"')
    block = text[start : text.index("[[cause]]", start)]
    message, line = broken("causes.toml", block, block.replace('origin = "D18"\n', ""))

    assert message == (
        f'causes.toml, line {line - 1}: cause "altitude" names no origin; '
        'add origin = "..." (a source, or "common practice, no source").'
    )


def test_a_probability_beyond_one(broken):
    message, line = broken("causes.toml", "prior = { diesel = 0.003,", "prior = { diesel = 1.3,")

    assert message == (
        f"causes.toml, line {line}: prior of diesel is 1.3, which is no probability; "
        "use a number from 0 to 1."
    )


def test_chances_that_do_not_sum_to_one(broken):
    message, line = broken(
        "questions.toml", "[0.48, 0.38, 0.07, 0.02, 0.05]", "[0.48, 0.38, 0.07, 0.02, 0.15]"
    )

    assert message == (
        f'questions.toml, line {line}: "overfuelling" sums to 1.1; the chances must sum to 1.'
    )


def test_a_negative_chance(broken):
    message, line = broken(
        "questions.toml", "[0.48, 0.38, 0.07, 0.02, 0.05]", "[0.48, 0.38, 0.17, 0.02, -0.05]"
    )

    assert message.startswith(f'questions.toml, line {line}: "overfuelling" holds [0.48, ')
    assert message.endswith("which are no probabilities; use numbers from 0 to 1.")


def test_a_row_with_a_state_too_few(broken):
    message, line = broken("questions.toml", "[0.48, 0.38, 0.07, 0.02, 0.05]", "[0.5, 0.5]")

    assert message == (
        f'questions.toml, line {line}: "overfuelling" has not one chance for each of the 5 states; '
        "write as many numbers as there are states."
    )


def test_a_check_that_names_an_unknown_cause(broken):
    message, line = broken(
        "checks.toml", "air_filter_blocked = [0.03, 0.15, 0.82]", "air_filter = [0.03, 0.15, 0.82]"
    )

    assert message == (
        f'checks.toml, line {line}: check "air_filter_look" names the cause "air_filter", '
        "which is not listed; add the cause or mend the name."
    )


def test_a_circle_of_prerequisites(broken):
    message, line = broken("checks.toml", 'after = ["leak_down"]', 'after = ["leak_down_hiss"]')

    assert message == (
        f"checks.toml, line {line}: checks wait for each other in a circle: "
        "leak_down_hiss -> leak_down_hiss; take one of the prerequisites out."
    )


def test_a_circle_of_causes(broken):
    message, _ = broken(
        "causes.toml",
        "leads_to = { turbo_seals = 0.4 }",
        "leads_to = { turbo_seals = 0.4, oil_starvation = 0.1 }",
    )

    assert (
        "causes lead to each other in a circle: turbo_seized -> oil_starvation -> turbo_seized"
        in message
    )


def test_a_name_that_is_there_twice(broken):
    message, line = broken("causes.toml", 'name = "boost_leak"', 'name = "air_filter_blocked"')

    assert message == (
        f'causes.toml, line {line}: the name "air_filter_blocked" is there twice; rename one of them.'
    )


def test_an_unknown_unit(broken):
    message, line = broken("checks.toml", 'unit = "inHg"', 'unit = "furlong"')

    assert message.startswith(
        f'checks.toml, line {line}: the unit "furlong" of dimension "pressure" is not known'
    )


def test_a_stop_sign_about_an_unknown_state(broken):
    message, line = broken(
        "stops.toml", 'when = { oil_level = ["rising"] }', 'when = { oil_level = ["up"] }'
    )

    assert message == (
        f'stops.toml, line {line}: when names "up", which is no state of "oil_level"; mend the name.'
    )


def test_a_file_that_is_no_toml(broken):
    message, _ = broken("causes.toml", "version = 1", "version = = 1")

    assert message.startswith("causes.toml: this is no TOML (")


def test_a_missing_file(tmp_path):
    with pytest.raises(KnowledgeError) as caught:
        read_knowledge(tmp_path)

    assert (
        str(caught.value) == "engine.toml: this knowledge file is missing; install smokecase again."
    )


def test_brackets_without_end_are_one_sentence(tmp_path):
    for path in FOLDER.glob("*.toml"):
        (tmp_path / path.name).write_text(path.read_text())
    (tmp_path / "stops.toml").write_text("a = " + "[" * 5000)

    with pytest.raises(KnowledgeError, match=r"stops\.toml"):
        read_knowledge(tmp_path)
