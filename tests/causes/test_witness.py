"""What answers and numbers say, and what is said back when they cannot be used."""
# ruff: noqa: E501 (tables of cases and finished messages stand one a line)

import numpy as np
import pytest
from numpy.testing import assert_allclose

from smokecase.causes.knowledge_file import standard_knowledge
from smokecase.causes.witness import hear_answer
from smokecase.errors import AnswersError

KNOWLEDGE = standard_knowledge()


def hear(name, told, **engine):
    return hear_answer(KNOWLEDGE, name, told, engine=engine, where="answers")


def chance(name, told, **engine):
    finding = hear(name, told, **engine)
    return dict(zip(KNOWLEDGE.questions[name].states, finding.likelihood, strict=True))


def test_a_state_is_told_for_certain():
    assert_allclose(hear("smell", "sweet").likelihood, [0, 0, 0, 1, 0])


@pytest.mark.parametrize("told", ["dont_know", "don't know", "unknown", ""])
def test_dont_know_is_always_an_answer(told):
    assert hear("smell", told) is None


def test_several_states_where_the_question_allows_it():
    told = chance("smoke_when", ["cold_start", "overrun"])

    assert told["cold_start"] == told["overrun"] == 1
    assert told["load"] == 0


def test_weights_keep_their_ratio():
    told = chance("coolant_loss", {"no": 0.8, "slow": 0.2})

    assert told["slow"] / told["no"] == pytest.approx(0.25)


def test_yes_and_no_may_be_truth_values():
    assert hear("bang_before", True).states == ("yes",)


@pytest.mark.parametrize(
    ("vacuum", "state"),
    [("15 inHg", "holds"), ("51 kPa", "holds"), ("510 mbar", "holds"), ("-0.5 bar", "holds"),
     ("5 inHg", "weak"), ("17 kPa", "weak"), ("0.5 inHg", "none")],
)  # fmt: skip
def test_vacuum_held_in_any_unit(vacuum, state):
    told = chance("egr_vacuum_hold", vacuum)

    assert told[state] == 1
    assert sum(v for k, v in told.items() if k != state) < 0.1


def test_a_number_on_the_edge_of_two_bands_says_both():
    # gauge 0.7 inHg and a whole number's rounding 1/sqrt(12): half of the chance on either side
    told = chance("egr_vacuum_hold", "10 inHg")

    assert told["weak"] == pytest.approx(told["holds"], rel=1e-6)


def test_the_gauges_uncertainty_widens_the_answer_as_a_normal_distribution():
    from scipy.stats import norm

    finding = hear("egr_vacuum_hold", "9.0 inHg")
    u = np.hypot(0.7, 0.1 / np.sqrt(12))
    above = norm.sf((10 - 9) / u)

    assert finding.likelihood[2] == pytest.approx(above / (1 - above), rel=1e-3)


@pytest.mark.parametrize(
    ("numbers", "fuel", "state"),
    [
        ("28 27 28 27 bar", "diesel", "good"),
        ("28 27 19 28 bar", "diesel", "one_low"),
        ("15 14 15 14 bar", "diesel", "all_low"),
        ("410 400 405 395 psi", "diesel", "good"),
        ("12.1 12.0 11.8 12.2 bar", "petrol", "good"),
        ("12.1 12.0 6.0 12.2 bar", "petrol", "one_low"),
        ("6.0 6.1 5.9 6.2 bar", "petrol", "all_low"),
    ],
)
def test_compression_of_all_cylinders(numbers, fuel, state):
    told = chance("compression", numbers, fuel=fuel)

    assert max(told, key=told.get) == state


def test_the_same_compression_means_other_things_in_diesel_and_petrol():
    diesel = chance("compression", "12 12 12 12 bar", fuel="diesel")
    petrol = chance("compression", "12 12 12 12 bar", fuel="petrol")

    assert diesel["all_low"] == 1
    assert petrol["good"] == 1


@pytest.mark.parametrize(
    ("name", "numbers", "state"),
    [
        ("glow_plugs", "0.8 0.9 0.8 0.9 ohm", "none"),
        ("glow_plugs", "0.8 20000 0.8 0.9 ohm", "some"),
        ("glow_plugs", "9000 20000 8000 9000 ohm", "all"),
        ("glow_current", "11 12 0 11 A", "some"),
        ("injector_return", "20 22 19 21 ml", "even"),
        ("injector_return", "20 22 90 21 ml", "uneven"),
        ("cooling_pressure_drop", "0.02 bar", "holds"),
        ("cooling_pressure_drop", "3 psi", "slow"),
        ("cooling_pressure_drop", "0.8 bar", "fast"),
        ("leak_down", "6 7 45 5 %", "bad"),
        ("leak_down", "6 7 4 5 %", "good"),
        ("oil_log", "0.3 L/1000 km", "normal"),
        ("oil_log", "1.6 L/1000 km", "high"),
        ("oil_log", "2 qt/1000 mi", "high"),
        ("injection_timing", "-4 deg", "late"),
        ("injection_timing", "0.5 deg", "right"),
        ("injection_timing", "3 deg", "early"),
        ("sensor_against_air", "-9 K", "off"),
        ("sensor_against_air", "5 degF", "agrees"),
        ("exhaust_back_pressure", "22 kPa", "high"),
        ("thermostat_check", "85 degC", "normal"),
        ("thermostat_check", "140 degF", "opens_early"),
        ("battery_cranking", "8.6 V", "weak"),
        ("oil_pressure", "0.3 bar", "low"),
        ("egr_valve_travel", "5 mm", "full"),
    ],
)  # fmt: skip
def test_numbers_become_states(name, numbers, state):
    told = chance(name, numbers, fuel="diesel")

    assert max(told, key=told.get) == state


@pytest.mark.parametrize(
    ("name", "told", "engine", "message"),
    [
        ("smoke_color", "white", {}, 'answers: no question or check has the name "smoke_color"; did you mean "smoke_colour".'),
        ("smoke_colour", "whte", {}, 'answers, smoke_colour: "whte" is no answer to "smoke_colour"; did you mean "white".'),
        ("smell", "xyzzy", {}, 'answers, smell: "xyzzy" is no answer to "smell"; use one of nothing_special, fuel, oil, sweet, burning.'),
        ("smell", ["oil", "fuel"], {}, "answers, smell: 2 answers were given where one is asked; keep the one that fits best."),
        ("smell", {"oil": 1.4}, {}, "answers, smell: the weight of oil is 1.4; use numbers from 0 to 1."),
        ("smell", {"oil": 0}, {}, "answers, smell: all weights are zero; give one of them weight."),
        ("compression", "280 27 28 29 bar", {}, "answers, compression: 280 bar is beyond the 0 to 70 bar that can be; check the unit (was it psi?)."),
        ("egr_vacuum_hold", "500 inHg", {}, "answers, egr_vacuum_hold: 500 inHg is beyond the 0 to 30 inHg that can be; check the unit (was it mbar?)."),
        ("glow_plugs", "ok", {}, 'answers, glow_plugs: "ok" is no answer to "glow_plugs"; use one of none, some, all.'),
        ("glow_plugs", "all", {"fuel": "petrol"}, 'answers: "glow_plugs" does not go with this engine (fuel is petrol); take the answer out, or mend the engine.'),
        ("raw_water", "weak", {"installation": "car"}, 'answers: "raw_water" does not go with this engine (installation is car); take the answer out, or mend the engine.'),
        ("boost_hoses", "leaks", {"turbo": "no"}, 'answers: "boost_hoses" does not go with this engine (no turbo); take the answer out, or mend the engine.'),
    ],
)  # fmt: skip
def test_what_is_said_back(name, told, engine, message):
    with pytest.raises(AnswersError) as caught:
        hear(name, told, **engine)

    assert str(caught.value) == message
