"""The bench checks: pick one, its caution first, then enter what it gave, with its unit."""

from collections.abc import Sequence

from smokecase.case.record import Case
from smokecase.causes.knowledge import Knowledge, Question
from smokecase.causes.next_check import Proposal
from smokecase.causes.units import UNITS
from smokecase.languages import say, text
from smokecase.web.markup import button, card, caution, esc, options, p
from smokecase.web.views.frame import ahead, heading
from smokecase.web.views.questions import capital

DANGERS = {
    2: text("This can hurt. Only if you have done it before."),
    3: text("Leave this to trained people."),
}


def show_checks(
    case: Case, proposals: Sequence[Proposal], knowledge: Knowledge, about: str, lang: str
) -> str:
    """Show the checks, or the one that is open.

    Parameters
    ----------
    case : Case
    proposals : sequence of Proposal
        Worth doing next, the best first.
    knowledge : Knowledge
    about : str
        The check that is open; empty: none.
    lang : str
    """
    question = knowledge.questions.get(about)
    lead = say("Enter what a check gave, as a number with its unit or in words.", lang)
    parts = [heading(say("Checks", lang), lead)]
    if question is not None and question.kind == "check":
        parts.append(_enter(question, lang))
    parts.append(_worth(proposals, about, lang))
    parts.append(_all(case, knowledge, about, lang))
    parts.append(_done(case, knowledge, lang))
    parts.append(ahead(say("See what it may be now", lang), "weigh", mark="weigh"))
    return "".join(parts)


def _enter(question: Question, lang: str) -> str:
    bench = question.bench
    parts = []
    if bench is not None:
        danger = DANGERS.get(bench.danger)
        words = say(bench.caution, lang)
        parts.append(caution(f"{words} {say(danger, lang)}" if danger else words, lang))
    parts.append(f"<p><b>{esc(say('How', lang))}:</b> {esc(say(question.how, lang))}</p>")
    quantity = bench.quantity if bench else None
    if quantity is not None:
        units = [(unit, unit) for unit in UNITS[quantity.dimension]]
        several = quantity.kind in ("per_cylinder", "ratio", "each")
        hint = (
            say("One number for each, with blanks between, such as 28 27 19 28", lang)
            if several
            else say("One number", lang)
        )
        unit = esc(say("Unit", lang))
        parts.append(
            f'<div class="amount-row" data-form><label class="field"><span>{esc(hint)}</span>'
            f'<input id="amount" name="amount" type="text" inputmode="{"text" if several else "decimal"}" '
            f'autocomplete="off" data-enter="go-result"></label>'
            f'<label class="field unit"><span>{unit}</span><select name="unit" id="unit">'
            f"{options(units, quantity.unit)}</select></label>"
            f"{button(say('Enter', lang), 'result', look='main', mark='result', check=question.name)}"
            "</div>"
        )
        parts.append(p(say("Or in words:", lang)))
    choices = "".join(
        button(capital(say(words, lang)), "result", look="choice", check=question.name, state=state)
        for state, words in zip(question.states, question.words, strict=True)
    )
    parts.append(f'<div class="choices" role="group">{choices}</div>')
    if question.why:
        parts.append(f'<p class="why">{esc(say(question.why, lang))}</p>')
    return card(*parts, title=say(question.question, lang), kind="ask", mark="check-open")


def _worth(proposals: Sequence[Proposal], about: str, lang: str) -> str:
    rows = "".join(
        f"<li>{button(say(x.question, lang), 'go', look='choice', step='check', about=x.check)}</li>"
        for x in proposals
        if x.check != about
    )
    if not rows:
        return ""
    return card(f'<ul class="pick">{rows}</ul>', title=say("Worth doing next", lang), kind="plain")


def _all(case: Case, knowledge: Knowledge, about: str, lang: str) -> str:
    checks = [
        q
        for q in knowledge.questions.values()
        if q.kind == "check" and knowledge.applies(q, case.engine)
    ]
    pairs = [("", say("choose", lang)), *((q.name, say(q.question, lang)) for q in checks)]
    label = esc(say("Any other check", lang))
    return (
        f'<label class="field"><span>{label}</span><select id="check-any" data-change="go" '
        f'data-step="check" data-as="about">{options(pairs, about)}</select></label>'
    )


def _done(case: Case, knowledge: Knowledge, lang: str) -> str:
    rows = []
    for entry in case.of_kind("result"):
        question = knowledge.questions.get(entry.body["check"])
        if question is None:
            continue
        given = str(entry.body["result"])
        words = dict(zip(question.states, question.words, strict=True)).get(given)
        shown = capital(say(words, lang)) if words else given
        undo = button(say("Undo", lang), "undo", look="plain", number=entry.number)
        rows.append(
            f"<li><span>{esc(say(question.question, lang))}</span><b>{esc(shown)}</b>{undo}</li>"
        )
    if not rows:
        return ""
    listed = f'<ul class="told">{"".join(rows)}</ul>'
    return card(listed, title=say("Done so far", lang), kind="plain", mark="results")
