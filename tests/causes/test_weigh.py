"""Weights: what they hold on to, how they are explained, and how sure they are."""
# ruff: noqa: E501 (tables of cases and finished messages stand one a line)

import numpy as np
import pytest
from numpy.testing import assert_allclose

from published_statements import statements
from simulated_owners import calibration_error, jittered, owners
from smokecase.causes.answers_file import state
from smokecase.causes.explain import find_unexplained
from smokecase.causes.knowledge_file import standard_knowledge, without_source
from smokecase.causes.network import Network
from smokecase.causes.weigh import prepare, weigh_causes, weigh_sets
from smokecase.causes.witness import hear_answer
from smokecase.diagnosis import diagnose, gather

KNOWLEDGE = standard_knowledge()
CAR = {"fuel": "diesel", "installation": "car"}


def posterior(engine=CAR, **answers):
    findings = [hear_answer(KNOWLEDGE, n, a, engine=engine, where="") for n, a in answers.items()]
    return weigh_sets(prepare(KNOWLEDGE, engine), findings)


def test_chances_of_all_sets_sum_to_one_and_no_more_than_three_are_there():
    found = posterior(smoke_colour="white", start="long")

    assert found.chance.sum() == pytest.approx(1, abs=1e-12)
    assert found.network.size.max() == 3
    assert len(found.network.sets) == sum(
        # 1, n, n over 2, n over 3
        [1, (n := len(found.network.causes)), n * (n - 1) // 2, n * (n - 1) * (n - 2) // 6]
    )


def test_the_order_of_the_answers_does_not_matter():
    one = posterior(smoke_colour="white", start="long", coolant_loss="no")
    other = posterior(coolant_loss="no", start="long", smoke_colour="white")

    assert_allclose(one.chance, other.chance, atol=1e-14)


def test_dont_know_is_as_if_nothing_were_asked():
    with_it = diagnose(answers={**CAR, "smell": "dont_know"})
    without = diagnose(answers=CAR)

    assert [w.weight for w in with_it.causes] == [w.weight for w in without.causes]


def test_what_a_part_that_is_not_there_cannot_break():
    none = posterior({**CAR, "turbo": "no", "egr": "no"}, smoke_colour="black")
    names = set(none.network.index)

    assert not names & {"boost_leak", "turbo_seals", "egr_stuck_open", "egr_cooler"}


def test_boats_have_causes_that_cars_have_not():
    car = Network(KNOWLEDGE, CAR).index
    boat = Network(KNOWLEDGE, {"fuel": "diesel", "installation": "boat"}).index

    assert set(boat) - set(car) == {"raw_water_short", "boat_water_in"}


def test_causes_that_exclude_each_other_are_never_there_together():
    network = Network(KNOWLEDGE, {**CAR, "egr": "yes"})
    both = (
        network.member[:, network.index["egr_stuck_open"]]
        * network.member[:, network.index["egr_not_opening"]]
    )

    assert np.exp(network.log_prior) @ both < 1e-12


def test_a_chain_raises_what_it_leads_to():
    network = Network(KNOWLEDGE, CAR)
    chance = np.exp(network.log_prior)
    hot = network.member[:, network.index["cooling_fault"]] > 0
    gasket = network.member[:, network.index["head_gasket"]]

    given_hot = (chance[hot] @ gasket[hot]) / chance[hot].sum()

    assert given_hot > 5 * (chance @ gasket)


def test_weights_of_evidence_are_the_odds_with_over_without():
    found = posterior(smoke_colour="black", power="down")
    families, _ = weigh_causes(found)
    leading = families[0]
    names = list(KNOWLEDGE.families)
    number = names.index(leading.name)

    for reason in leading.reasons:
        index = [f.name for f in found.findings].index(reason.finding)
        with_it = found.of_families()[number]
        without = (found.without(index) @ found.network.family)[number]
        odds = with_it / (1 - with_it) / (without / (1 - without))
        assert reason.decibans == pytest.approx(10 * np.log10(odds), abs=1e-6)


def test_reasons_have_plain_words_for_their_strength():
    families, _ = weigh_causes(posterior(coolant_loss="fast", smell="sweet", smoke_colour="white"))
    coolant, oil = (next(f for f in families if f.name == name) for name in ("coolant", "oil"))

    assert coolant.speaks_for[0].finding == "coolant_loss"
    assert coolant.speaks_for[0].strength in {"strongly", "very strongly"}
    assert "smoke_colour" in {r.finding for r in oil.speaks_against}
    assert {r.strength for f in families for r in f.reasons} <= {
        "hardly at all", "a little", "clearly", "strongly", "very strongly",
    }  # fmt: skip


def test_every_weight_has_an_interval_that_holds_it():
    for group in weigh_causes(posterior(smoke_colour="white", start="long")):
        for weight in group:
            assert 0 <= weight.low <= weight.weight <= weight.high <= 1
            assert weight.high > weight.low or weight.weight == 0


def test_the_interval_covers_what_other_numbers_would_have_said():
    # numbers off by up to 1.5 either way: their draws should mostly lie inside the 95 % interval
    answers = {"smoke_colour": "white", "smoke_when": "cold_start", "start": "long"}
    families, _ = weigh_causes(posterior(**answers))
    bounds = {w.name: (w.low, w.high) for w in families}
    rng = np.random.default_rng(8)
    inside = []
    for _ in range(15):
        world = jittered(KNOWLEDGE, rng)
        findings = [hear_answer(world, n, a, engine=CAR, where="") for n, a in answers.items()]
        other = weigh_sets(Network(world, CAR), findings).of_families()
        for name, weight in zip(world.families, other, strict=True):
            inside.append(bounds[name][0] <= weight <= bounds[name][1])

    assert np.mean(inside) > 0.85


def test_the_same_case_gives_the_same_bytes():
    one, other = (weigh_causes(posterior(smoke_colour="blue")) for _ in range(2))

    assert one == other


def test_a_finding_that_fits_nothing_is_named_as_unexplained():
    found = posterior(smoke_colour="black", power="down", bang_before="yes", brake_pedal="soft")

    assert "brake_pedal" in {u.finding for u in find_unexplained(found)}


# -- published statements ------------------------------------------------------------------

# Where source and model disagree, and why it was left so.
DISAGREE = {
    "S012": "petrol, white, nothing else told: fog is far commoner than coolant; coolant is second",
    "S034": "one check list for every colour; without a colour, nothing wrong is likelier than oil",
    "S036": "the source counts the smoke of a sound cold engine as unburnt fuel; here nothing is wrong",
    "S037": "D11 takes much white on a diesel for water; D24 for timing: unburnt fuel first, coolant second",
    "S057": "hard acceleration, black, no more said: D09 and D17 disagree when that is a fault",
    "S058": "grey: D01 says as black, D17 says unburnt fuel; the two are first and second",
    "S081": "blue at the first start only: D06 calls a little of it normal, D29 stem seals",
}


def order_of(statement, knowledge):
    told = state({"answers": statement.answers}, knowledge)
    findings, _ = gather(knowledge, told, ())
    weights = weigh_sets(prepare(knowledge, told.engine, told.weather), findings).of_families()
    return [list(knowledge.families)[i] for i in np.argsort(-weights)]


def test_published_statements_with_one_cause_class():
    """09_smoke_diagnosis.csv; rows that rest on a source alone are left out when it is tested."""
    single = [s for s in statements() if len(s.families) == 1]
    without = {s.source: without_source(KNOWLEDGE, s.source) for s in single}
    places = {s.row: order_of(s, without[s.source]).index(s.families[0]) for s in single}

    assert len(places) == 56
    assert np.mean([place == 0 for place in places.values()]) >= 0.9
    assert max(places.values()) <= 1
    assert {row for row, place in places.items() if place} <= set(DISAGREE)


@pytest.mark.parametrize(
    "statement", [s for s in statements() if len(s.families) > 1], ids=lambda s: s.row
)
def test_published_statements_with_several_cause_classes(statement):
    order = order_of(statement, without_source(KNOWLEDGE, statement.source))
    agrees = set(order[: len(statement.families)]) == set(statement.families)

    assert agrees or statement.row in DISAGREE


# -- calibration, in little (tests/benchmarks/reasoning.py does it in large) ----------------


def test_weights_of_simulated_owners_are_calibrated():
    top, true = [], []
    for engine, owner in owners(KNOWLEDGE, worlds=6, each=250, seed=12):
        weights = weigh_sets(prepare(KNOWLEDGE, engine), owner.volunteers()).of_families()
        top += list(weights)
        true += list(owner.world.family[owner.row] > 0)

    assert calibration_error(top, true) < 0.03
