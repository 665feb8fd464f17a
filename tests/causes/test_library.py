"""Weights against a general-purpose probabilistic library (pyagrum), and against plain loops."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from part_network import ENGINE, gum, library_network, library_weights, part
from smokecase.causes.knowledge_file import standard_knowledge
from smokecase.causes.network import Network
from smokecase.causes.weigh import weigh_sets
from smokecase.causes.witness import hear_answer

CASES = {
    "nothing told": {},
    "two faults at once": {"coolant_loss": "fast", "oil_use": "high", "overheating": "jumps"},
    "a chain": {"oil_use": "high", "power": "down", "compression": "all_low", "start": "long"},
    "several states and weights": {
        "smoke_when": ["cold_start", "always"],
        "smoke_colour": {"white": 0.7, "grey": 0.3},
        "last_work": "coolant_work",
        "oil_level": "low",
        "idle": "rough",
    },
    "a number": {"compression": "24 23.5 18 24 bar", "smoke_colour": "blue", "power": "full"},
}


@pytest.fixture(scope="module")
def small():
    knowledge = part()
    return knowledge, Network(knowledge, ENGINE), library_network(knowledge)


@pytest.mark.parametrize("answers", CASES.values(), ids=CASES.keys())
def test_weights_equal_the_librarys(small, answers):
    knowledge, network, (net, always) = small
    findings = [
        hear_answer(knowledge, name, told, engine=ENGINE, where="")
        for name, told in answers.items()
    ]

    ours = weigh_sets(network, findings).of_causes()
    theirs = library_weights(net, always, findings)

    assert_allclose(ours, theirs, atol=1e-9)


def test_the_whole_networks_arithmetic_equals_the_librarys():
    """All sets of all causes as one variable: Bayes' rule over 24 000 states."""
    knowledge = standard_knowledge()
    network = Network(knowledge, {"fuel": "diesel", "installation": "car"})
    answers = {
        "smoke_colour": "white",
        "coolant_loss": "slow",
        "start": "long",
        "idle": "rough_cold",
    }
    findings = [hear_answer(knowledge, n, a, engine={}, where="") for n, a in answers.items()]
    net = gum.BayesNet()
    net.add(gum.LabelizedVariable("sets", "sets", len(network.sets)))
    net.cpt("sets").fillWith(np.exp(network.log_prior).tolist())
    for name in answers:
        question = knowledge.questions[name]
        net.add(gum.LabelizedVariable(name, name, len(question.states)))
        net.addArc("sets", name)
        net.cpt(name)[:] = network.likelihood(question)
    engine = gum.LazyPropagation(net)
    engine.setEvidence({f.name: f.likelihood.tolist() for f in findings})
    engine.makeInference()
    theirs = engine.posterior("sets").toarray()

    posterior = weigh_sets(network, findings)

    assert_allclose(posterior.chance, theirs, atol=1e-9)
    assert_allclose(posterior.of_causes(), theirs @ network.member, atol=1e-9)


def test_chances_of_a_set_by_plain_loops():
    knowledge = standard_knowledge()
    network = Network(knowledge, {"fuel": "petrol", "installation": "car"})
    rng = np.random.default_rng(4)
    for row in rng.choice(len(network.sets), 40):
        causes = [network.causes[i] for i in network.sets[row] if i < len(network.causes)]
        for question in knowledge.questions.values():
            rows = [question.given.get(c.name) for c in causes]
            expected = np.zeros(len(question.states))
            if question.combine == "max":
                for state in range(len(question.states)):
                    up_to = [question.base[: s + 1].sum() for s in (state, state - 1)]
                    for given in rows:
                        if given is not None:
                            up_to = [
                                u * given[: s + 1].sum()
                                for u, s in zip(up_to, (state, state - 1), strict=True)
                            ]
                    expected[state] = up_to[0] - up_to[1]
            else:
                smoke = question.combine == "smoke"
                counts = [
                    c.shows if smoke else float(g is not None)
                    for c, g in zip(causes, rows, strict=True)
                ]
                for count, given in zip(counts, rows, strict=True):
                    if count:
                        expected += (
                            count / sum(counts) * (question.base if given is None else given)
                        )
                if not sum(counts):
                    expected = question.base
            expected = question.reliable * expected + (1 - question.reliable) / len(expected)

            assert_allclose(network.likelihood(question)[row], expected, atol=1e-12)


def test_an_unknown_fuel_is_the_mean_over_fuels_by_their_shares():
    knowledge = standard_knowledge()
    both = Network(knowledge, {"installation": "car"})
    expected = 0.0
    for fuel, share in zip(
        knowledge.contexts["fuel"].states, knowledge.contexts["fuel"].shares, strict=True
    ):
        one = Network(knowledge, {"installation": "car", "fuel": fuel})
        if "boost_leak" in one.index:
            expected += share * np.exp(one.log_prior) @ one.member[:, one.index["boost_leak"]]

    found = np.exp(both.log_prior) @ both.member[:, both.index["boost_leak"]]

    # a fuel's share moves a little: engines that nobody asks about count less
    assert found == pytest.approx(expected, rel=0.1)
