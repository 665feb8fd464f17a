"""A faithful part of the network, built a second time in a general-purpose probabilistic library.

Eight causes with every arrow between them and eleven findings of all kinds. The library does all
the combining itself, from binary causes: noisy-or by its parents, noisy-max by a chain of pushes,
"one cause is seen" by a selector, at most three at once and "somebody asks" by counting chains.
"""

import itertools
import warnings
from dataclasses import replace

import numpy as np

with warnings.catch_warnings():  # its binding warns on import
    warnings.simplefilter("ignore")
    import pyagrum as gum

from smokecase.causes.knowledge_file import standard_knowledge
from smokecase.causes.network import ASKED_WITHOUT_SMOKE, AT_LARGE, MOST_AT_ONCE

CAUSES = ("rings_worn", "low_compression", "head_gasket", "cooling_fault", "oil_starvation",
          "turbo_seals", "condensation", "boost_leak")  # fmt: skip
FINDINGS = ("smoke_colour", "smoke_when", "coolant_loss", "oil_use", "start", "power",
            "overheating", "last_work", "compression", "oil_level", "idle")  # fmt: skip
ENGINE = {"fuel": "diesel", "installation": "car", "turbo": "yes", "water_cooling": "yes"}


def part():
    """The knowledge, cut down to the part."""
    whole = standard_knowledge()
    causes = {
        name: replace(
            whole.causes[name],
            leads_to={k: v for k, v in whole.causes[name].leads_to.items() if k in CAUSES},
        )
        for name in CAUSES
    }
    questions = {name: replace(whole.questions[name], instead_of=()) for name in FINDINGS}
    return replace(whole, causes=causes, questions=questions, cache={})


def library_network(knowledge):
    """The same part in the library; returns the network and the evidence it always carries."""
    net = gum.BayesNet()
    causes = list(knowledge.causes.values())
    for cause in causes:
        net.add(gum.LabelizedVariable(cause.name, cause.name, 2))
    for cause in causes:
        for other in cause.leads_to:
            net.addArc(cause.name, other)
    for cause in causes:
        prior = cause.prior["diesel"] * cause.times.get("car", 1.0) * AT_LARGE
        parents = [c for c in causes if cause.name in c.leads_to]
        for there in itertools.product((0, 1), repeat=len(parents)):
            stays = 1 - prior
            for parent, x in zip(parents, there, strict=True):
                stays *= 1 - parent.leads_to[cause.name] * x
            _fill(
                net,
                cause.name,
                {p.name: x for p, x in zip(parents, there, strict=True)},
                [stays, 1 - stays],
            )
    evidence = {}
    last = _chain(
        net, "count", causes, MOST_AT_ONCE + 2, lambda n, x, c: min(n + x, MOST_AT_ONCE + 1)
    )
    evidence[last] = [1.0] * (MOST_AT_ONCE + 1) + [0.0]
    last = _chain(net, "smokes", causes, 2, lambda n, x, c: max(n, x if c.shows > 0.1 else 0))
    evidence[last] = [ASKED_WITHOUT_SMOKE, 1.0]
    for question in knowledge.questions.values():
        seen = (
            _seen_max(net, question, causes)
            if question.combine == "max"
            else _seen_one(net, question, causes)
        )
        net.add(gum.LabelizedVariable(question.name, question.name, len(question.states)))
        net.addArc(seen, question.name)
        for state in range(len(question.states)):
            row = np.full(len(question.states), (1 - question.reliable) / len(question.states))
            row[state] += question.reliable
            _fill(net, question.name, {seen: state}, row)
    return net, evidence


def _fill(net, name, given, row):
    if given:
        net.cpt(name)[given] = list(map(float, row))
    else:
        net.cpt(name)[:] = list(map(float, row))


def _chain(net, name, causes, states, step):
    before = None
    for number, cause in enumerate(causes):
        node = f"{name}_{number}"
        net.add(gum.LabelizedVariable(node, node, states))
        net.addArc(cause.name, node)
        if before:
            net.addArc(before, node)
        for n in range(states if before else 1):
            for x in (0, 1):
                given = {cause.name: x} | ({before: n} if before else {})
                _fill(net, node, given, np.eye(states)[step(n, x, cause)])
        before = node
    return before


def _seen_max(net, question, causes):
    states = len(question.states)
    before = f"{question.name}_leak"
    net.add(gum.LabelizedVariable(before, before, states))
    _fill(net, before, {}, question.base)
    for cause in causes:
        if cause.name not in question.given:
            continue
        push, node = f"{question.name}_{cause.name}", f"{question.name}_up_to_{cause.name}"
        for name in (push, node):
            net.add(gum.LabelizedVariable(name, name, states))
        net.addArc(cause.name, push)
        _fill(net, push, {cause.name: 0}, np.eye(states)[0])
        _fill(net, push, {cause.name: 1}, question.given[cause.name])
        net.addArc(before, node)
        net.addArc(push, node)
        for a in range(states):
            for b in range(states):
                _fill(net, node, {before: a, push: b}, np.eye(states)[max(a, b)])
        before = node
    return before


def _counts(question, cause):
    return cause.shows if question.combine == "smoke" else float(cause.name in question.given)


def _seen_one(net, question, causes):
    who, seen = f"{question.name}_who", f"{question.name}_seen"
    count = len(causes)
    net.add(gum.LabelizedVariable(who, who, count + 1))
    for cause in causes:
        net.addArc(cause.name, who)
    for there in itertools.product((0, 1), repeat=count):
        weights = [_counts(question, c) * x for c, x in zip(causes, there, strict=True)]
        total = sum(weights)
        row = [w / total for w in weights] + [0.0] if total else [0.0] * count + [1.0]
        _fill(net, who, {c.name: x for c, x in zip(causes, there, strict=True)}, row)
    net.add(gum.LabelizedVariable(seen, seen, len(question.states)))
    net.addArc(who, seen)
    for number, cause in enumerate(causes):
        _fill(net, seen, {who: number}, question.given.get(cause.name, question.base))
    _fill(net, seen, {who: count}, question.base)
    return seen


def library_weights(net, evidence, findings):
    """Marginals of all causes by the library's exact propagation."""
    engine = gum.LazyPropagation(net)
    engine.setEvidence(evidence | {f.name: [float(x) for x in f.likelihood] for f in findings})
    engine.setTargets(set(CAUSES))
    engine.makeInference()
    return np.array([engine.posterior(name)[1] for name in CAUSES])
