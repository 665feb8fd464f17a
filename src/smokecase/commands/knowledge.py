"""`smokecase knowledge`: lists causes, questions and checks, and explains any one of them."""

import argparse
import sys

from smokecase.causes.knowledge import Cause, Knowledge, Question, nearest
from smokecase.causes.knowledge_file import standard_knowledge
from smokecase.errors import AnswersError

KINDS = ("causes", "questions", "checks", "engine", "stops")


def add(parser: argparse.ArgumentParser) -> None:
    """Name the words of the command."""
    parser.add_argument(
        "name", nargs="?",
        help=f"explain this cause, question or check; or list one of {', '.join(KINDS)}",
    )  # fmt: skip


def run(args: argparse.Namespace) -> int:
    """List or explain."""
    knowledge = standard_knowledge()
    name = args.name
    if name is None or name in KINDS:
        lines = [line for kind in KINDS if name in (None, kind) for line in _list(knowledge, kind)]
    elif name in knowledge.causes:
        lines = _cause(knowledge, knowledge.causes[name])
    elif name in knowledge.families:
        family = knowledge.families[name]
        lines = [family.title, f"smoke: {family.smoke}", ""]
        lines += [f"  {c.name:24} {c.title}" for c in knowledge.causes.values() if c.family == name]
    elif name in knowledge.contexts or name in knowledge.parts:
        lines = [line for line in _list(knowledge, "engine") if line.startswith(f"  {name}")]
    else:
        lines = _question(knowledge, _found(knowledge, name))
    sys.stdout.write("\n".join(lines) + "\n")
    return 0


def _found(knowledge: Knowledge, name: str) -> Question:
    if name not in knowledge.questions:
        every = [*knowledge.questions, *knowledge.causes, *knowledge.families, *KINDS]
        remedy = nearest(name, every, "see smokecase knowledge")
        msg = f'nothing has the name "{name}"'
        raise AnswersError(msg, where="knowledge", remedy=remedy)
    return knowledge.questions[name]


def _list(knowledge: Knowledge, kind: str) -> list[str]:
    out = []
    if kind == "causes":
        for family in knowledge.families.values():
            out += ["", f"{family.name}: {family.title}"]
            out += [
                f"  {c.name:24} {c.title}"
                for c in knowledge.causes.values()
                if c.family == family.name
            ]
    elif kind in ("questions", "checks"):
        out += ["", f"{kind.upper()}: name, question, states (dont_know is always allowed)"]
        for question in knowledge.questions.values():
            if question.kind == kind[:-1]:
                out.append(f"  {question.name:24} {question.question}")
                out.append(f"  {'':24} {' | '.join(question.states)}{_unit(question)}")
    elif kind == "engine":
        out += ["", "ENGINE"]
        for context in knowledge.contexts.values():
            out.append(f"  {context.name:24} {context.question} {' | '.join(context.states)}")
        out += [f"  {part.name:24} {part.question} yes | no" for part in knowledge.parts.values()]
        out += ["  temperature              of the air outside, with unit, such as -3 degC"]
        out += ["  humidity                 of the air outside, such as 85 %"]
    else:
        out += ["", "STOP SIGNS"]
        for stop in knowledge.stops:
            when = ", ".join(f"{k} = {' or '.join(v)}" for k, v in stop.when.items())
            out.append(f"  {stop.name:24} {when}: {stop.words} [{stop.origin}]")
    return out


def _unit(question: Question) -> str:
    quantity = question.bench.quantity if question.bench else None
    return f", or a number such as 5 {quantity.unit}" if quantity else ""


def _cause(knowledge: Knowledge, cause: Cause) -> list[str]:
    priors = ", ".join(f"{fuel} {100 * p:.1f} %" for fuel, p in cause.prior.items())
    out = [
        f"{cause.name}: {cause.title}",
        f"family    {knowledge.families[cause.family].title}",
        f"usual     {priors}; may be off by a factor of {cause.spread:g} either way (95 %)",
        f"origin    {cause.origin}",
        f"cure      {cause.cure}",
    ]
    if cause.leads_to:
        chains = (
            f"{knowledge.causes[n].title} ({100 * p:.0f} %)" for n, p in cause.leads_to.items()
        )
        out.append(f"leads to  {'; '.join(chains)}")
    out += ["", "what it shows (chance of each state with this cause alone)"]
    for question in knowledge.questions.values():
        row = question.given.get(cause.name)
        if row is not None:
            shown = ", ".join(
                f"{s} {100 * p:.0f} %" for s, p in zip(question.states, row, strict=True)
            )
            out += [f"  {question.name:24} {shown}", f"  {'':24} [{question.origin_of(cause)}]"]
    return out


def _question(knowledge: Knowledge, question: Question) -> list[str]:
    out = [
        f"{question.name}: {question.question}",
        f"why       {question.why}",
        f"how       {question.how}",
        f"trust     {100 * question.reliable:.0f} % of answers mean what they say; "
        f"{100 * question.answerable:.0f} % of people can answer; "
        f"chances may be off by a factor of {question.spread:g} (95 %)",
        f"origin    {question.origin}",
    ]
    bench = question.bench
    if bench:
        wait = f" and {bench.wait_days:.0f} days' wait" if bench.wait_days else ""
        out += [
            f"cost      {bench.minutes:.0f} min{wait}, money {bench.money:.0f}, "
            f"danger {bench.danger} of 3, engine {bench.engine}",
            f"tools     {bench.tools}",
            f"care      {bench.caution}",
        ]
        if bench.after:
            out.append(f"after     {', '.join(bench.after)}")
    out += ["", "answers (dont_know is always allowed)"]
    pairs = zip(question.states, question.words, strict=True)
    out += [f"  {state:24} {words}" for state, words in pairs]
    if bench and bench.quantity:
        quantity = bench.quantity
        out.append(f"  or numbers in {quantity.unit} ({quantity.low:g} to {quantity.high:g})")
        for state, (low, high) in quantity.bands.items():
            out.append(f"  {state:24} {low:g} to {high:g} {quantity.unit}")
    out += ["", "chance of each answer"]
    base = ", ".join(f"{100 * p:.1f}" for p in question.base)
    out.append(f"  {'otherwise':24} {base} %")
    for name, row in question.given.items():
        cause = knowledge.causes[name]
        chances = ", ".join(f"{100 * p:.1f}" for p in row)
        out.append(f"  {name:24} {chances} %  [{question.origin_of(cause)}]")
    return out
