"""May it run, be driven? Stop signs above all weights, and the cautions that go with any work."""

from collections.abc import Iterable, Mapping

from smokecase.causes.knowledge import Contradiction, Knowledge, Stop
from smokecase.causes.witness import Finding

CAUTIONS = (
    "Exhaust gas holds carbon monoxide: outdoors or with extraction only, "
    "never under a running car in a pit.",
    "Hot coolant is under pressure: let it cool, then open in steps.",
    "Belts and fans turn and may start by themselves: no sleeves, rings or long hair.",
    "Injection pressure goes through skin: "
    "a pinhole injury is an emergency even when it looks small.",
    "Follow local rules, and leave what needs a licence to licensed people.",
)
# what a check may not ask of the engine while a stop sign stands
BARS = {
    "run": frozenset({"crank", "idle", "rev", "drive"}),
    "drive": frozenset({"drive"}),
    "rev": frozenset({"rev", "drive"}),
}
FORBIDS = {
    "run": "Do not run the engine.",
    "drive": "Do not drive it.",
    "rev": "Do not rev it.",
}


CLEAR = 0.4  # a state is meant when no other has more likelihood than this
POSSIBLE = 0.3  # a state that may be meant raises a stop sign


def _holds(when: Mapping[str, tuple[str, ...]], said: Mapping[str, Iterable[str]]) -> bool:
    return all(set(said.get(name, ())) & set(states) for name, states in when.items())


def _said(
    knowledge: Knowledge, findings: Iterable[Finding], least: float
) -> dict[str, tuple[str, ...]]:
    """States of each finding that have at least this likelihood."""
    out = {}
    for finding in findings:
        states = knowledge.questions[finding.name].states
        pairs = zip(states, finding.likelihood, strict=True)
        out[finding.name] = tuple(state for state, x in pairs if x >= least)
    return out


def stop_signs(
    knowledge: Knowledge, findings: Iterable[Finding], engine: Mapping[str, str]
) -> tuple[Stop, ...]:
    """Stop signs that the findings raise, the gravest first."""
    said = _said(knowledge, findings, POSSIBLE)
    found = [
        stop
        for stop in knowledge.stops
        if _holds(stop.when, said)
        and (not stop.fuel or engine.get("fuel") is None or engine["fuel"] in stop.fuel)
    ]
    # one sign is enough where question and check say the same
    unique: dict[str, Stop] = {}
    for stop in found:
        unique.setdefault(stop.reason, stop)
    return tuple(sorted(unique.values(), key=lambda s: list(FORBIDS).index(s.forbids)))


def barred(stops: Iterable[Stop]) -> frozenset[str]:
    """Return what no check may ask of the engine."""
    return frozenset().union(*(BARS[stop.forbids] for stop in stops))


def contradictions(knowledge: Knowledge, findings: Iterable[Finding]) -> tuple[Contradiction, ...]:
    """Pairs of answers that do not fit together."""
    said = {
        name: states
        for name, states in _said(knowledge, findings, CLEAR).items()
        if len(states) == 1
    }
    return tuple(c for c in knowledge.contradictions if _holds(c.when, said))
