"""The next check: by what it saves for its cost, safe looks first, nothing before its turn."""

import itertools

import numpy as np
import pytest
from numpy.testing import assert_allclose

from smokecase.causes.knowledge_file import standard_knowledge
from smokecase.causes.next_check import propose, questions_first, rank_checks, values_of
from smokecase.causes.search import LEAVE_ALONE, Prices, Search
from smokecase.causes.weigh import prepare, weigh_sets
from smokecase.causes.witness import hear_answer

KNOWLEDGE = standard_knowledge()
CAR = {"fuel": "diesel", "installation": "car", "turbo": "yes", "egr": "yes"}


def posterior(engine=CAR, **answers):
    findings = [hear_answer(KNOWLEDGE, n, a, engine=engine, where="") for n, a in answers.items()]
    return weigh_sets(prepare(KNOWLEDGE, engine), findings)


def test_the_expected_cost_by_plain_loops():
    search = Search.of(posterior(smoke_colour="black", bang_before="yes"), Prices())
    chances = search.act_chances(search.chance[None])[0]
    order = np.argsort(-chances / search.cost, kind="stable")
    best = np.inf
    for stop in range(len(order) + 1):
        cost = 0.0
        for chance, right in zip(search.chance, search.right, strict=True):
            spent = 0.0
            for act in order[:stop]:
                if act in right:
                    break
                spent += search.cost[act]
            else:
                spent += search.prices.specialist
            cost += chance * spent
        best = min(best, cost)

    assert_allclose(search.expected_cost(search.chance[None])[0], best, rtol=1e-9)


def test_no_check_is_worth_less_than_nothing():
    # information cannot raise the expected cost, as long as the order of acts may follow it
    search = Search.of(posterior(smoke_colour="white"), Prices())
    checks = [
        q for q in KNOWLEDGE.questions.values() if q.kind == "check" and KNOWLEDGE.applies(q, CAR)
    ]

    # a hair below zero: the order P / cost is the best for one fault, nearly so for several
    assert min(values_of(search, checks)) > -3.0


def test_free_looks_come_first_where_they_bear_on_the_leading_cause():
    found = propose(
        posterior(smoke_colour="black", smoke_when="load", power="limp", bang_before="yes"),
        (),
        prices=Prices(),
    )

    assert found[0].check in {"look_under_bonnet", "boost_hoses"}
    assert found[0].money == 0
    assert found[0].minutes <= 10


def test_nothing_is_proposed_before_what_must_come_first():
    ranked = rank_checks(
        Search.of(posterior(coolant_loss="fast", smoke_colour="white"), Prices()), ()
    )

    names = {q.name for q, _, _ in ranked}
    assert "head_off" not in names
    assert "egr_cooler_pressure" not in names
    assert "cooling_pressure_drop" in names

    later = rank_checks(
        Search.of(posterior(coolant_loss="fast", smoke_colour="white"), Prices()),
        ("cooling_pressure_drop", "compression"),
    )
    assert "head_off" in {q.name for q, _, _ in later}


def test_what_was_done_or_told_another_way_is_not_proposed_again():
    ranked = rank_checks(
        Search.of(posterior(smoke_colour="white"), Prices()), ("glow_current", "coolant_log")
    )

    names = {q.name for q, _, _ in ranked}
    assert not names & {"glow_current", "glow_plugs", "coolant_log"}


def test_checks_that_do_not_go_with_the_engine_are_not_proposed():
    petrol = {"fuel": "petrol", "installation": "car", "turbo": "no", "mechanical_injection": "no"}
    names = {
        q.name
        for q, _, _ in rank_checks(Search.of(posterior(petrol, smoke_colour="blue"), Prices()), ())
    }

    assert not names & {
        "glow_plugs",
        "raw_water_flow",
        "boost_hoses",
        "crack_injector_pipes",
        "turbo_by_hand",
    }


def test_danger_and_time_cost():
    prices = Prices()
    safe = KNOWLEDGE.questions["air_filter_look"].bench
    risky = KNOWLEDGE.questions["crack_injector_pipes"].bench

    assert prices.of_check(risky) > prices.of_check(safe) + prices.danger[3]


def test_the_plan_is_a_tree_whose_branches_sum_to_nearly_all():
    (first, *_) = propose(
        posterior(smoke_colour="white", smoke_when="cold_start", start="long"), (), prices=Prices()
    )

    assert sum(o.chance for o in first.outcomes) > 0.9
    deeper = [o.then for o in first.outcomes if o.then]
    assert deeper, "at least one result should lead to another check"
    for outcome in itertools.chain(first.outcomes, *(d.outcomes for d in deeper)):
        assert outcome.then or outcome.act
        assert outcome.leads == LEAVE_ALONE or outcome.leads in KNOWLEDGE.causes


def test_three_questions_first_with_reasons_when_nothing_is_known():
    asks = questions_first(posterior({}), (), prices=Prices())

    assert len(asks) == 3
    assert all(q.why and q.how and q.states for q in asks)
    assert all(KNOWLEDGE.questions[q.question].answerable >= 0.5 for q in asks)
    # whether it clears, how it starts, whether it pulls: what says most for one short answer
    more = {q.question for q in questions_first(posterior({}), (), prices=Prices(), count=6)}
    assert "clears_when_warm" in more
    assert "start" in more


def test_questions_are_not_asked_twice():
    asked = ("power", "start", "idle")
    names = {
        q.question
        for q in questions_first(
            posterior(power="down", start="easy", idle="smooth"), asked, prices=Prices()
        )
    }

    assert not names & set(asked)


@pytest.mark.parametrize("hour", [20.0, 100.0])
def test_dearer_hours_make_the_same_check_dearer(hour):
    found = propose(posterior(smoke_colour="black"), (), prices=Prices(hour=hour))

    assert found[0].cost == pytest.approx(
        Prices(hour=hour).of_check(KNOWLEDGE.questions[found[0].check].bench)
    )
