"""Stop signs stand above all weights; contradictions are shown; costs are compared."""
# ruff: noqa: E501 (tables of cases and finished messages stand one a line)

import pytest

from smokecase.causes.knowledge_file import standard_knowledge
from smokecase.diagnosis import diagnose
from smokecase.errors import AnswersError

KNOWLEDGE = standard_knowledge()


@pytest.mark.parametrize(
    ("answers", "results", "forbids"),
    [
        ({"fuel": "diesel", "oil_level": "rising"}, {}, "run"),
        ({"fuel": "diesel"}, {"oil_dipstick": "thin"}, "run"),
        ({"fuel": "diesel", "revs_by_itself": "yes"}, {}, "run"),
        ({"coolant_loss": "fast", "start": "not_at_all"}, {}, "run"),
        ({"coolant_loss": "fast"}, {}, "drive"),
        ({"overheating": "jumps"}, {}, "run"),
        ({"fuel_smell_or_drip": "yes"}, {}, "run"),
        ({}, {"look_under_bonnet": "fuel_wet"}, "run"),
        ({"cabin_fumes": "yes"}, {}, "drive"),
        ({"fuel": "petrol", "brake_pedal": "soft"}, {}, "drive"),
        ({"fuel": "petrol"}, {"vacuum_hose_wet": "wet"}, "drive"),
        ({"oil_milky": "dipstick"}, {}, "run"),
        ({}, {"combustion_gas": "gas"}, "drive"),
        ({"installation": "boat", "raw_water": "weak"}, {}, "run"),
        ({}, {"oil_pressure": "0.2 bar"}, "run"),
        ({"noise": "knock", "smoke_colour": "white", "clears_when_warm": "no"}, {}, "drive"),
    ],
)  # fmt: skip
def test_stop_signs(answers, results, forbids):
    found = diagnose(answers=answers, results=results)

    assert found.stops[0].forbids == forbids
    assert found.stops[0].reason
    assert found.stops[0].remedy
    assert str(found).startswith("STOP. ")


def test_no_check_asks_of_the_engine_what_a_stop_sign_forbids():
    def modes(found):
        todo = list(found.proposals)
        while todo:
            proposal = todo.pop()
            yield KNOWLEDGE.questions[proposal.check].bench.engine
            todo += [o.then for o in proposal.outcomes if o.then]

    not_run = diagnose(answers={"fuel": "diesel", "smoke_colour": "blue", "oil_level": "rising"})
    not_rev = diagnose(
        answers={"fuel": "diesel", "smoke_colour": "blue", "oil_in_charge_pipes": "cupful"}
    )

    assert set(modes(not_run)) == {"off"}
    assert not set(modes(not_rev)) & {"rev", "drive"}


def test_a_rising_level_on_petrol_is_no_runaway():
    found = diagnose(answers={"fuel": "petrol", "oil_level": "rising"})

    assert found.stops == ()


def test_a_stop_sign_is_raised_even_where_only_possible():
    found = diagnose(answers={"fuel": "diesel", "oil_level": {"normal": 0.6, "rising": 0.4}})

    assert [s.name for s in found.stops] == ["rising_oil_level"]


def test_a_stop_sign_stays_when_a_check_replaces_the_word():
    found = diagnose(answers={"coolant_loss": "fast"}, results={"coolant_log": "no_drop"})

    assert "coolant_fast" in {s.name for s in found.stops}
    assert found.set_aside == ("coolant_loss",)


@pytest.mark.parametrize(
    ("answers", "results", "words"),
    [
        ({"coolant_loss": "no"}, {"coolant_log": "drop"}, "no coolant loss was answered, but the logged level dropped"),
        ({"smoke_when": "always", "clears_when_warm": "within_minutes"}, {}, "it smokes all the time, yet is gone within minutes"),
        ({"smoke_colour": "none", "smoke_amount": "heavy"}, {}, "no smoke is seen, yet its amount is not small"),
        ({"oil_use": "normal"}, {"oil_log": "1.4 L/1000 km"}, "hardly any oil use was answered, but the log shows some"),
    ],
)  # fmt: skip
def test_contradictions_are_shown(answers, results, words):
    found = diagnose(answers=answers, results=results)

    assert words in {c.words for c in found.contradictions}
    assert f"Does not fit together: {words}" in str(found)


def test_answers_that_fit_contradict_nothing():
    found = diagnose(
        answers={"smoke_colour": "white", "smoke_when": "cold_start", "coolant_loss": "no"}
    )

    assert found.contradictions == ()


# -- worth saving ---------------------------------------------------------------------------

GASKET = {"fuel": "petrol", "smoke_colour": "white", "coolant_loss": "slow", "smell": "sweet",
          "bubbles_in_tank": "yes"}  # fmt: skip


def worth(**costs):
    return diagnose(answers={"answers": GASKET, "costs": {"hour": 60, **costs}}).worth


def test_without_costs_nothing_is_compared():
    assert diagnose(answers=GASKET).worth is None


def test_ways_carry_their_spread_and_stand_cheapest_first():
    found = worth(value=[1500, 2500], replacement=[1800, 2600], currency="EUR")

    assert {w.name for w in found.ways} == {"repair", "replace", "drive_on"}
    assert all(w.low <= w.expected <= w.high or w.low == 0 for w in found.ways)
    assert [w.expected for w in found.ways] == sorted(w.expected for w in found.ways)
    assert found.words.startswith("Cheapest to be expected: ")
    assert "EUR" in found.words
    assert 0 < found.dominant_share <= 1


def test_the_break_even_is_where_both_ways_cost_the_same():
    found = worth(replacement=[2000, 2000])
    at_even = worth(replacement=[found.break_even, found.break_even])

    ways = {w.name: w.expected for w in at_even.ways}
    assert ways["replace"] == pytest.approx(ways["repair"], rel=1e-6)


def test_a_told_repair_price_counts():
    cheap = worth(repair={"head_gasket": 100}, replacement=[2000, 2000])
    dear = worth(repair={"head_gasket": [3000, 4000]}, replacement=[2000, 2000])

    def cost(found):
        return next(w.expected for w in found.ways if w.name == "repair")

    assert cost(cheap) + 500 < cost(dear)


def test_a_rare_loss_is_told_as_rare_and_not_as_a_price():
    # the mean of many cases at 0 and few at thousands lies outside eight in ten of them
    found = diagnose(answers={
        "answers": {"fuel": "diesel", "smoke_colour": "black", "smoke_when": "acceleration"},
        "costs": {"hour": 60, "value": [1500, 2500], "currency": "EUR"},
    }).worth  # fmt: skip

    cheapest = found.ways[0]
    assert (cheapest.name, cheapest.high) == ("drive_on", 0.0)
    assert cheapest.nothing > 0.9
    assert 1500 <= cheapest.otherwise[0] <= cheapest.otherwise[1] <= 2500
    assert f"about {cheapest.expected:.0f} EUR on average, which is nobody's price" in found.words
    assert f"{100 * (1 - cheapest.nothing):.0f} of 100 cases cost" in found.words
    assert "the others nothing" in found.words
    assert "0 to 0" not in found.words


def test_driving_on_is_no_choice_while_a_stop_sign_stands():
    found = diagnose(
        answers={"answers": {**GASKET, "coolant_loss": "fast"}, "costs": {"value": [1500, 2500]}}
    )

    assert found.worth.forbidden
    assert found.worth.ways[0].name != "drive_on"
    assert "driving on is no choice" in found.worth.words


@pytest.mark.parametrize(
    ("costs", "message"),
    [
        ({"huor": 60}, 'costs: "huor" is no cost; use hour, currency, value, replacement, repair.'),
        ({"hour": "sixty"}, "costs: hour = sixty is no price; write a number or [from, to]."),
        ({"value": [2500, 1500]}, "costs: value = [2500, 1500] is no price; write a number or [from, to]."),
        ({"repair": {"gasket": 5}}, 'costs: the cost of "gasket" is given, which is no cause; see smokecase knowledge causes.'),
    ],
)  # fmt: skip
def test_costs_that_cannot_be(costs, message):
    with pytest.raises(AnswersError) as caught:
        diagnose(answers={"costs": costs})

    assert str(caught.value) == message
