"""Story 2 as a whole: one call, one record, one screen."""
# ruff: noqa: E501 (tables of cases and finished messages stand one a line)

import json

import pytest
from jsonschema import Draft202012Validator

import smokecase
from made_examinations import a_refused_examination, an_examination
from smokecase.causes.answers_file import read_answers
from smokecase.causes.knowledge_file import standard_knowledge
from smokecase.diagnosis import diagnose, what_if
from smokecase.errors import AnswersError, Cancelled
from smokecase.model_files import find_model

ANSWERS = {"fuel": "diesel", "installation": "car", "smoke_colour": "white", "smoke_when": "cold_start",
           "start": "long", "coolant_loss": "no"}  # fmt: skip


def test_nothing_told_gives_what_is_usual_and_questions():
    found = diagnose()

    assert len(found.questions) == 3
    assert found.proposals
    assert "Nothing is told yet" in found.notes[0]
    assert max(w.weight for w in found.families) < 0.5


def test_answers_alone_give_weights_reasons_and_a_next_check():
    found = diagnose(answers=ANSWERS)

    assert found.families[0].name == "unburnt_fuel"
    assert found.causes[0].name == "preheating"
    assert found.families[0].reasons[0].finding == "start"
    assert found.rival.fact
    assert found.proposals[0].caution


def test_a_clip_alone_moves_the_weights():
    before = {w.name: w.weight for w in diagnose().families}
    after = {w.name: w.weight for w in diagnose([an_examination()]).families}

    assert after["overfuelling"] > 1.5 * before["overfuelling"]


def test_a_refused_clip_changes_no_weight_and_is_mentioned():
    found = diagnose([a_refused_examination()], answers=ANSWERS)

    assert [w.weight for w in found.families] == [
        w.weight for w in diagnose(answers=ANSWERS).families
    ]
    assert any("gives no opacity" in note for note in found.notes)


def test_a_measured_colour_replaces_the_word_for_it():
    found = diagnose([an_examination()], answers=ANSWERS)

    assert found.set_aside == ("smoke_colour",)
    assert "the smoke was called pale or blue, but measures black" in {
        c.words for c in found.contradictions
    }


def test_the_record_prints_on_one_screen():
    text = str(diagnose(answers=ANSWERS))

    assert len(text.splitlines()) <= 45
    assert "no legal smoke test" in text
    assert "(" in text.splitlines()[1]  # every weight with its interval


def test_decibans_on_request():
    found = diagnose(answers=ANSWERS)

    assert " dB)" not in found.text()
    assert " dB)" in found.text(decibans=True)


def test_the_json_is_what_its_schema_says():
    schema = json.loads(find_model("diagnosis.schema.json").read_text())
    Draft202012Validator.check_schema(schema)
    cases = [
        diagnose(),
        diagnose([an_examination()], answers=ANSWERS, results={"egr_vacuum_hold": "5 inHg"}),
        diagnose(answers={"answers": ANSWERS, "weather": {"temperature": "-3 degC"},
                          "costs": {"hour": 50, "replacement": [1500, 2500], "value": 2000}}),
        diagnose(answers={"coolant_loss": "fast", "cabin_fumes": "yes", "smell": "sweet"}),
    ]  # fmt: skip

    for found in cases:
        plain = json.loads(json.dumps(found.to_json(), allow_nan=False))
        Draft202012Validator(schema).validate(plain)
        assert plain["version"] == 1


def test_the_table_has_every_family_and_cause_with_its_interval():
    found = diagnose(answers=ANSWERS)
    rows = found.to_table()

    assert sum(row["kind"] == "family" for row in rows) == 8
    assert len(rows) == 8 + len(found.causes)
    assert all(row["low"] <= row["weight"] <= row["high"] for row in rows)


def test_the_public_name_is_the_same_function():
    assert smokecase.diagnose is diagnose


def test_what_if_gives_the_same_weights():
    found = diagnose(answers=ANSWERS)
    quick = what_if(ANSWERS)

    assert quick == {w.name: w.weight for w in (*found.families, *found.causes)}


def test_a_check_that_is_not_worth_its_cost_is_said_to_be_so():
    harmless = {"fuel": "petrol", "installation": "car", "temperature": "-5 degC", "humidity": "85 %",
                "smoke_colour": "white", "smoke_when": "cold_start", "clears_when_warm": "within_minutes",
                "coolant_loss": "no", "start": "easy", "idle": "smooth", "power": "full", "smell": "nothing_special"}  # fmt: skip

    looks = {"oil_dipstick": "normal", "air_filter_look": "clean", "tailpipe_card": "clean"}

    found = diagnose(answers=harmless, results=looks)

    assert not found.proposals[0].worth_its_cost
    assert "No check is worth its cost on what is known" in str(found)


def test_progress_can_be_cancelled():
    def tell(share, words):
        if share > 0.2:
            raise Cancelled

    with pytest.raises(Cancelled):
        diagnose(answers=ANSWERS, tell=tell)


def test_what_a_question_needs_is_implied_by_its_answer():
    assert diagnose(results={"glow_plugs": "some"}).engine["fuel"] == "diesel"
    assert diagnose(results={"turbo_drain_look": "blocked"}).engine["turbo"] == "yes"
    assert diagnose(answers={"raw_water": "weak"}).engine["installation"] == "boat"


def test_one_answer_more_tells_what_would_lead_without_it():
    found = diagnose(answers=ANSWERS)
    start = next(s for s in found.sensitivity if s.finding == "start")

    assert start.weight_without < found.families[0].weight - 0.15
    assert start == found.sensitivity[0]  # the weights hang most on it


def test_weather_gives_a_forecast_of_harmless_fog():
    found = diagnose(answers={**ANSWERS, "temperature": "-5 degC", "humidity": "85 %"})

    assert found.forecast.when_cold > 0.5
    assert found.notes[0].startswith("Harmless fog: ")


# -- answers files ------------------------------------------------------------------------


def write(tmp_path, text):
    path = tmp_path / "owner.toml"
    path.write_text(text)
    return path


def test_an_answers_file_gives_the_same_as_words(tmp_path):
    path = write(tmp_path, """
[engine]
fuel = "diesel"
installation = "car"
[weather]
temperature = "23 degF"
[answers]
smoke_colour = "white"
smoke_when = ["cold_start"]
start = "long"
coolant_loss = { no = 1.0 }
smell = "dont_know"
""")  # fmt: skip
    statement = read_answers(path, standard_knowledge())

    found = diagnose(answers=statement)

    again = diagnose(answers={**ANSWERS, "temperature": "-5 degC"})
    assert [w.weight for w in found.causes] == pytest.approx([w.weight for w in again.causes])


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('[answers]\nsmoke_colour = "whte"\n', 'owner.toml, line 2, smoke_colour: "whte" is no answer to "smoke_colour"; did you mean "white".'),
        ('[answers]\ncolant_loss = "no"\n', 'owner.toml, line 2: no question or check has the name "colant_loss"; did you mean "coolant_loss".'),
        ('[results]\nglow_plugs = "0.8 bar"\n', 'owner.toml, line 2, glow_plugs: "bar" is no unit of resistance; use one of ohm, mohm, kohm.'),
        ('[results]\n\ncompression = "280 27 bar"\n', "owner.toml, line 3, compression: 280 bar is beyond the 0 to 70 bar that can be; check the unit (was it psi?)."),
        ('[engine]\nfuel = "disel"\n', 'owner.toml, line 2: "disel" is no answer to "fuel"; did you mean "diesel".'),
        ('[engine]\nturbo = "big"\n', 'owner.toml, line 2: "big" is no answer to "turbo"; use yes, no or dont_know.'),
        ('[engine]\nsmell = "oil"\n', 'owner.toml, line 2: "smell" is no fact of the engine; move the line to [answers].'),
        ('[engine]\nfuel = "diesel"\n[answers]\nfuel = "petrol"\n', 'owner.toml, line 2: "fuel" is told as diesel and as petrol; keep one of them.'),
        ('[weather]\ntemperature = "200 degC"\n', "owner.toml, line 2: temperature 200 degC is beyond -60 to 60 degC; check the number and its unit."),
        ('[weather]\ntemperature = "cold"\n', 'owner.toml, line 2, temperature: "cold" holds no number; write a number and a unit, for example "5 degC".'),
        ('[anwsers]\nsmell = "oil"\n', 'owner.toml, line 1: the table "anwsers" is not known; use engine, weather, answers, results, clips, costs.'),
        ('[clips]\n"a.mp4" = "sideways"\n', 'owner.toml, line 2: "sideways" is not what a clip can show; use cold_start, warm_start, warm_idle, load, unknown.'),
        ('[engine]\nfuel = "petrol"\n[results]\nglow_plugs = "all"\n', 'owner.toml, line 4: "glow_plugs" does not go with this engine (fuel is petrol); take the answer out, or mend the engine.'),
    ],
)  # fmt: skip
def test_what_an_answers_file_is_told(tmp_path, text, message):
    with pytest.raises(AnswersError) as caught:
        diagnose(answers=read_answers(write(tmp_path, text), standard_knowledge()))

    assert str(caught.value) == message


def test_a_file_that_is_no_toml_or_not_there(tmp_path):
    with pytest.raises(
        AnswersError, match=r"owner.toml: this is no TOML \(.*\); write lines such as"
    ):
        read_answers(write(tmp_path, "smoke = white"), standard_knowledge())
    with pytest.raises(AnswersError, match=r"gone.toml: this answers file cannot be read"):
        read_answers(tmp_path / "gone.toml", standard_knowledge())
