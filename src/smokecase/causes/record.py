"""The `Diagnosis`: all that was weighed, as one record that prints on one screen."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from smokecase.causes.explain import Rival, Sensitivity, Unexplained
from smokecase.causes.knowledge import Contradiction, Stop
from smokecase.causes.next_check import Ask, Outcome, Proposal
from smokecase.causes.search import LEAVE_ALONE
from smokecase.causes.verdict import CAUTIONS, FORBIDS
from smokecase.causes.weigh import Reason, Weight
from smokecase.causes.witness import Finding
from smokecase.causes.worth import Worth
from smokecase.condensation import FogForecast
from smokecase.readings import SCREENING

VERSION = 1  # of the JSON


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Diagnosis:
    """Weighted causes with reasons, the next check, and what stands above both."""

    engine: Mapping[str, str]
    families: tuple[Weight, ...]  # heaviest first
    causes: tuple[Weight, ...]
    findings: tuple[Finding, ...]
    set_aside: tuple[str, ...]  # findings replaced by a better one
    stops: tuple[Stop, ...]
    contradictions: tuple[Contradiction, ...]
    unexplained: tuple[Unexplained, ...]
    sensitivity: tuple[Sensitivity, ...]
    rival: Rival | None
    proposals: tuple[Proposal, ...]  # best first; the first carries a plan
    questions: tuple[Ask, ...]  # worth asking next
    forecast: FogForecast | None  # of harmless fog; None where no weather was told
    worth: Worth | None  # None where no costs were told
    notes: tuple[str, ...]
    knowledge: str  # fingerprint of the knowledge files

    def __str__(self) -> str:
        return self.text()

    def text(self, *, decibans: bool = False) -> str:
        """One screen of text; with weights of evidence as numbers where asked."""
        return "\n".join(_lines(self, decibans))

    def to_table(self) -> list[dict[str, str | float]]:
        """Families and causes as rows."""
        return [
            {"kind": kind, "name": w.name, "title": w.title, "family": w.family,
             "weight": w.weight, "low": w.low, "high": w.high}
            for kind, group in (("family", self.families), ("cause", self.causes))
            for w in group
        ]  # fmt: skip

    def to_json(self) -> dict[str, Any]:
        """Plain values, version 1."""
        return {
            "version": VERSION,
            "screening_note": SCREENING,
            "engine": dict(self.engine),
            "families": [_weight_json(w) for w in self.families],
            "causes": [_weight_json(w) for w in self.causes],
            "findings": [
                {
                    "name": f.name,
                    "source": f.source,
                    "told": f.told,
                    "likelihood": [float(x) for x in f.likelihood],
                }
                for f in self.findings
            ],
            "set_aside": list(self.set_aside),
            "stop_signs": [
                {k: getattr(s, k) for k in ("name", "forbids", "words", "reason", "remedy")}
                for s in self.stops
            ],
            "contradictions": [c.words for c in self.contradictions],
            "unexplained": [_plain(u) for u in self.unexplained],
            "sensitivity": [_plain(s) for s in self.sensitivity],
            "rival": _plain(self.rival) if self.rival else None,
            "next_checks": [_proposal_json(p) for p in self.proposals],
            "questions_first": [_plain(q) for q in self.questions],
            "fog_forecast": self.forecast.to_json() if self.forecast else None,
            "worth": _plain(self.worth) if self.worth else None,
            "notes": list(self.notes),
            "cautions": list(CAUTIONS),
            "knowledge": self.knowledge,
        }


def percent(weight: float) -> str:
    """Write a weight in percent, as shown everywhere."""
    return "<1 %" if weight < 0.01 else ">99 %" if weight > 0.99 else f"{100 * weight:.0f} %"


def _range(weight: Weight) -> str:
    return f"{percent(weight.weight):>5} ({100 * weight.low:.0f} to {100 * weight.high:.0f})"


def _reason(reason: Reason, decibans: bool) -> str:
    way = "for" if reason.decibans > 0 else "against"
    number = f" ({reason.decibans:+.1f} dB)" if decibans else ""
    return f"    {way} it, {reason.strength}{number}: {reason.question} {reason.told}"


def _lines(found: Diagnosis, decibans: bool) -> list[str]:
    return [
        *_above_all(found),
        *_weights(found),
        *_grounds(found, decibans),
        *_next(found),
        *found.notes,
        SCREENING,
    ]


def _above_all(found: Diagnosis) -> list[str]:
    out = []
    for stop in found.stops:
        out += [
            f"STOP. {FORBIDS[stop.forbids]} {stop.words}",
            f"  {stop.reason}",
            f"  {stop.remedy}",
        ]
    return out


def _weights(found: Diagnosis) -> list[str]:
    out = ["What it may be (weight, 95 % interval; several may be true at once)"]
    for family in found.families[:5]:
        if family.weight < 0.02:
            break
        out.append(f"  {_range(family):20} {family.title}")
        own = [c for c in found.causes if c.family == family.name and c.makes_smoke]
        for cause in own[:3]:
            if cause.weight >= 0.03:
                out.append(f"      {_range(cause):20} {cause.title}")
    for cause in found.causes:
        if not cause.makes_smoke and cause.weight >= 0.2:
            out.append(f"  Beside the smoke: {_range(cause).strip()} {cause.title}")
    return out


def _grounds(found: Diagnosis, decibans: bool) -> list[str]:
    family = found.families[0]
    cause = next(c for c in found.causes if c.makes_smoke)
    out = []
    for subject in (family, cause):
        reasons = subject.reasons[:4]
        if reasons:
            out.append(f"Why: {subject.title}")
            out += [_reason(reason, decibans) for reason in reasons]
    for turn in found.sensitivity[:1]:
        if turn.leading_without != family.name:
            title = next(f.title for f in found.families if f.name == turn.leading_without)
            out.append(f'Were "{turn.told}" wrong, this would lead: {title}')
        elif abs(turn.weight_without - family.weight) >= 0.1:
            without = percent(turn.weight_without)
            out.append(f'Hangs most on "{turn.told}": without it {without}')
    out += [f"Not explained by the leading causes: {item.told}" for item in found.unexplained]
    out += [f"Does not fit together: {pair.words}" for pair in found.contradictions]
    if found.rival and found.rival.fact:
        first, second = (
            next(c.title for c in found.causes if c.name == name)
            for name in (found.rival.first, found.rival.second)
        )
        out.append(f"What would tell the two leading causes apart ({first} / {second}):")
        out.append(f"    {found.rival.words}")
    return out


def _next(found: Diagnosis) -> list[str]:
    out = []
    if found.proposals:
        best = found.proposals[0]
        days = f" and {best.wait_days:.0f} days' wait" if best.wait_days else ""
        if not best.worth_its_cost:
            out.append("No check is worth its cost on what is known; to be surer all the same:")
        out.append(f"Next check ({best.minutes:.0f} min{days}): {best.question}")
        out += [f"    Why: {best.reason}", f"    How: {best.how}", f"    Care: {best.caution}"]
        for outcome in best.outcomes[:3]:
            out.append(f"    if {outcome.words}: {_follows(found, outcome)}")
    if found.questions:
        out.append("Worth asking first:")
        out += [f"    {q.words} ({q.question})" for q in found.questions]
    if found.worth:
        out.append(f"Worth saving? {found.worth.words}")
        out.append(f"    It hangs most on {found.worth.dominant}.")
    return out


def _follows(found: Diagnosis, outcome: Outcome) -> str:
    if outcome.then:
        return f"then {outcome.then.question[0].lower()}{outcome.then.question[1:]}"
    if outcome.leads == LEAVE_ALONE:
        return f"{outcome.act} ({percent(outcome.leads_weight)} that nothing is to be mended)"
    title = next((c.title for c in found.causes if c.name == outcome.leads), outcome.leads)
    return f"{percent(outcome.leads_weight)} {title}"


def _item(value: Any) -> Any:
    if isinstance(value, tuple):
        return list(value)
    return _plain(value) if hasattr(value, "__dataclass_fields__") else value


def _plain(record: Any) -> dict[str, Any]:
    out = {}
    for name in record.__dataclass_fields__:
        value = getattr(record, name)
        out[name] = [_item(v) for v in value] if isinstance(value, tuple) else value
    return out


def _weight_json(weight: Weight) -> dict[str, Any]:
    return {
        "name": weight.name, "title": weight.title, "family": weight.family,
        "makes_smoke": weight.makes_smoke,
        "weight": weight.weight, "low": weight.low, "high": weight.high,
        "reasons": [
            {
                "finding": r.finding,
                "question": r.question,
                "told": r.told,
                "decibans": r.decibans,
                "strength": r.strength,
            }
            for r in weight.reasons
        ],
    }  # fmt: skip


def _proposal_json(proposal: Proposal) -> dict[str, Any]:
    plain = {
        k: getattr(proposal, k)
        for k in ("check", "question", "how", "reason", "minutes", "wait_days", "money", "danger",
                  "tools", "caution", "value", "cost")
    }  # fmt: skip
    plain["outcomes"] = [_outcome_json(o) for o in proposal.outcomes]
    return plain


def _outcome_json(outcome: Outcome) -> dict[str, Any]:
    keys = ("state", "words", "chance", "leads", "leads_weight", "act")
    plain = {k: getattr(outcome, k) for k in keys}
    plain["then"] = _proposal_json(outcome.then) if outcome.then else None
    return plain
