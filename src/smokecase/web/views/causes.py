"""What it may be: stop signs first, then causes with what speaks for and against, the next check."""

from collections.abc import Mapping

from smokecase.causes.knowledge import DONT_KNOW, Knowledge
from smokecase.causes.next_check import Outcome, Proposal
from smokecase.causes.record import Diagnosis, percent
from smokecase.causes.verdict import CAUTIONS, FORBIDS
from smokecase.causes.weigh import Reason, Weight
from smokecase.languages import say
from smokecase.web.markup import button, card, caution, chosen, esc, fold, items, p, sentence
from smokecase.web.views.frame import ahead, heading
from smokecase.web.views.questions import answer_words, capital

LEAST, MOST_ROWS = 0.02, 6


def show_causes(  # noqa: PLR0913 - all that the step needs, each by name
    found: Diagnosis,
    knowledge: Knowledge,
    *,
    answers: Mapping[str, object],
    about: str,
    tried: Mapping[str, float],
    trial: str,
    after_repair: bool,
    lang: str,
) -> str:
    """Show the weighted causes.

    Parameters
    ----------
    found : Diagnosis
    knowledge : Knowledge
    answers : mapping
        What was answered, by question.
    about, trial : str
        The answer that is tried another way, and the state that is tried; empty: none.
    tried : mapping of float
        Weight of every family and cause if it were so.
    after_repair : bool
        Whether later entries speak of a repair and do not count here.
    lang : str
    """
    parts = [heading(say("What it may be", lang))]
    if found.stops:
        parts.append(_stops(found, lang))
    if after_repair:
        parts.append(p(say("This is how it stood before the repair.", lang), "note"))
    if tried:
        parts.append(_trying(about, trial, knowledge, lang))
    parts += [_bars(found, tried, lang), _next_check(found, lang), _loose_ends(found, lang)]
    parts.append(_what_if(answers, knowledge, about, trial, lang))
    more = button(say("More questions", lang), "go", step="tell", mark="more-questions")
    parts.append(ahead(say("Enter what a check gave", lang), "check", mark="check", more=more))
    parts.append(fold(say("What the percentages mean", lang), p(say(
        "Each is the chance that this cause is there, by all that was measured, told and checked. "
        "Several can be there at once, so they need not add up to 100 %. The numbers in brackets "
        "say how far the chance itself may be off.", lang)), mark="numbers"))  # fmt: skip
    parts.append(fold(say("Cautions for any work on it", lang),
                      items((say(c, lang) for c in CAUTIONS), "cautions")))  # fmt: skip
    return "".join(parts)


def _stops(found: Diagnosis, lang: str) -> str:
    rows = "".join(
        f'<div class="stop"><span class="sign" aria-hidden="true">STOP</span><div>'
        f"<h2>{esc(say(FORBIDS[stop.forbids], lang))}</h2>"
        f"<p><b>{esc(say(stop.words, lang))}</b> {esc(say(stop.reason, lang))}</p>"
        f"<p>{esc(say(stop.remedy, lang))}</p></div></div>"
        for stop in found.stops
    )
    return f'<section id="stops" role="alert">{rows}</section>'


def _bars(found: Diagnosis, tried: Mapping[str, float], lang: str) -> str:
    rows = []
    for place, family in enumerate(found.families[:MOST_ROWS]):
        if family.weight < LEAST and tried.get(family.name, 0.0) < LEAST and place > 1:
            continue
        own = [c for c in found.causes if c.family == family.name and c.makes_smoke]
        inner = "".join(
            _cause(c, tried, lang) for c in own[:4] if c.weight >= LEAST or place == 0
        )  # fmt: skip
        rows.append(
            f'<li class="family"><details{" open" if place == 0 else ""}><summary>'
            f"{_bar(family, tried, lang)}</summary>{_reasons(family, lang)}"
            f'<ul class="inner">{inner}</ul></details></li>'
        )
    beside = [c for c in found.causes if not c.makes_smoke and c.weight >= 0.2]
    extra = ""
    if beside:
        listed = items(
            f"{capital(say(c.title, lang))}: {percent(c.weight)} "
            f"({100 * c.low:.0f} – {100 * c.high:.0f} %)" for c in beside
        )  # fmt: skip
        extra = f"<h3>{esc(say('Beside the smoke', lang))}</h3>{listed}"
    return f'<ul class="families" id="causes">{"".join(rows)}</ul>{extra}'


def _bar(weight: Weight, tried: Mapping[str, float], lang: str) -> str:
    """Draw a weight as a bar with its interval; a second mark where another answer is tried."""
    low, high, now = 100 * weight.low, 100 * weight.high, 100 * weight.weight
    mark, words = "", ""
    if tried:
        then = 100 * tried.get(weight.name, 0.0)
        mark = f'<i class="then" style="left:{then:.1f}%"></i>'
        arrow = "▲" if then > now + 0.5 else "▼" if then < now - 0.5 else "="
        words = f"<em>{arrow} {esc(say('then {n}', lang).format(n=percent(then / 100)))}</em>"
    return (
        f'<span class="title">{esc(capital(say(weight.title, lang)))}</span>'
        f'<span class="amount"><b>{percent(weight.weight)}</b> '
        f"<small>({low:.0f} – {high:.0f} %)</small>{words}</span>"
        f'<span class="scale" aria-hidden="true"><i class="fill" style="width:{now:.1f}%"></i>'
        f'<i class="reach" style="left:{low:.1f}%;width:{max(high - low, 0.5):.1f}%"></i>{mark}'
        "</span>"
    )


def _cause(cause: Weight, tried: Mapping[str, float], lang: str) -> str:
    reasons = _reasons(cause, lang)
    body = f"<summary>{_bar(cause, tried, lang)}</summary>{reasons}"
    if not reasons:
        return f'<li class="cause"><div class="flat">{_bar(cause, tried, lang)}</div></li>'
    return f'<li class="cause"><details>{body}</details></li>'


def _reasons(weight: Weight, lang: str) -> str:
    columns = (
        (say("For it", lang), "for", "+", weight.speaks_for[:4]),
        (say("Against it", lang), "against", "−", weight.speaks_against[:4]),
    )
    made = "".join(
        f'<div class="{kind}"><h3><span aria-hidden="true">{sign}</span> {esc(title)}</h3>'
        f"<ul>{''.join(_reason(r, lang) for r in reasons)}</ul></div>"
        for title, kind, sign, reasons in columns
        if reasons
    )
    return f'<div class="reasons">{made}</div>' if made else ""


def _reason(reason: Reason, lang: str) -> str:
    return (
        f"<li><span>{esc(say(reason.question, lang))}</span> <b>{esc(say(reason.told, lang))}</b> "
        f"<small>{esc(say(reason.strength, lang))}</small></li>"
    )


def _trying(about: str, trial: str, knowledge: Knowledge, lang: str) -> str:
    question = knowledge.questions.get(about) or knowledge.contexts.get(about)
    if question is None:
        return ""
    words = say("Trying: {question} {answer}. Nothing is entered yet.", lang).format(
        question=say(question.question, lang), answer=answer_words(about, trial, knowledge, lang)
    )
    keep = button(say("It is so: enter it", lang), "answer", look="main", question=about,
                  state=trial, back="weigh", mark="trial-keep")  # fmt: skip
    leave = button(say("Back to what was told", lang), "go", step="weigh", mark="trial-leave")
    return f'<div class="trying" role="status"><p>{esc(words)}</p><div class="row">{keep}{leave}</div></div>'


def _loose_ends(found: Diagnosis, lang: str) -> str:
    lines = [
        say("These two do not fit together: {what}", lang).format(what=say(pair.words, lang))
        for pair in found.contradictions
    ]
    leading = found.families[0]
    for turn in found.sensitivity[:1]:
        if turn.leading_without != leading.name:
            title = next(f.title for f in found.families if f.name == turn.leading_without)
            lines.append(
                say("If “{told}” were wrong, this would lead: {cause}.", lang).format(
                    told=say(turn.told, lang), cause=say(title, lang)
                )
            )
        elif abs(turn.weight_without - leading.weight) >= 0.1:
            lines.append(
                say("It hangs most on “{told}”: without it {weight}.", lang).format(
                    told=say(turn.told, lang), weight=percent(turn.weight_without)
                )
            )
    lines += [
        say("Not explained by the leading causes: {told}.", lang).format(told=say(u.told, lang))
        for u in found.unexplained
    ]
    if found.rival is not None and found.rival.fact:
        titles = {c.name: c.title for c in found.causes}
        lines.append(
            say("To tell “{first}” from “{second}”: {fact}", lang).format(
                first=say(titles[found.rival.first], lang),
                second=say(titles[found.rival.second], lang), fact=say(found.rival.words, lang),
            )
        )  # fmt: skip
    lines += [say(note, lang) for note in found.notes]
    if not lines:
        return ""
    return card(items(lines), title=say("How firm it is", lang), kind="plain")


def _next_check(found: Diagnosis, lang: str) -> str:
    if not found.proposals:
        return ""
    rows = [show_proposal(found.proposals[0], lang, first=True)]
    rows += [
        fold(say(other.question, lang), show_proposal(other, lang)) for other in found.proposals[1:]
    ]
    if not found.proposals[0].worth_its_cost:
        words = say("No check is worth its cost on what is known. To be surer all the same:", lang)
        rows.insert(0, p(words, "note"))
    return card(*rows, title=say("Next check", lang), kind="next-check", mark="next-check")


def show_proposal(proposal: Proposal, lang: str, *, first: bool = False) -> str:
    """Show a check: its cautions before anything else, what it costs, how it is done."""
    head = f'<h3 class="question">{esc(say(proposal.question, lang))}</h3>' if first else ""
    enter = button(say("Enter what it gave", lang), "go", step="check", about=proposal.check,
                   look="main" if first else "quiet", mark="enter" if first else "")  # fmt: skip
    how = esc(say("How", lang))
    why = esc(say("Why", lang))
    ways = "".join(_outcome(o, lang) for o in proposal.outcomes[:4])
    after = (
        fold(say("What its results would mean", lang), f'<ul class="outcomes">{ways}</ul>')
        if ways
        else ""
    )
    return (
        f"{head}{caution(say(proposal.caution, lang), lang)}{cost_line(proposal, lang)}"
        f"<p><b>{how}:</b> {esc(say(proposal.how, lang))}</p>"
        f"<p><b>{why}:</b> {esc(say(proposal.reason, lang))}</p>"
        f'{after}<div class="row">{enter}</div>'
    )


def cost_line(proposal: Proposal, lang: str) -> str:
    """Say what a check costs in time and what it takes."""
    bits = [say("{n} min", lang).format(n=f"{proposal.minutes:.0f}")]
    if proposal.wait_days:
        bits.append(say("{n} days of waiting", lang).format(n=f"{proposal.wait_days:.0f}"))
    if proposal.tools:
        bits.append(say("needs: {what}", lang).format(what=say(proposal.tools, lang)))
    tags = "".join(f"<span>{esc(bit)}</span>" for bit in bits)
    return f'<p class="tags">{tags}<small>{esc(say("(estimated)", lang))}</small></p>'


def _outcome(outcome: Outcome, lang: str) -> str:
    if outcome.then is not None:
        follows = say("then: {check}", lang).format(check=say(outcome.then.question, lang))
    else:
        follows = say("then: {act}", lang).format(act=say(outcome.act, lang))
    return f"<li><b>{esc(capital(say(outcome.words, lang)))}</b> {esc(sentence(follows))}</li>"


def _what_if(
    answers: Mapping[str, object], knowledge: Knowledge, about: str, trial: str, lang: str
) -> str:
    rows = []
    for name, given in answers.items():
        question = knowledge.questions.get(name) or knowledge.contexts.get(name)
        if question is None:
            continue
        choices = "".join(
            chosen(capital(say(words, lang)), "try", about == name and trial == state,
                   question=name, state=state)
            for state, words in zip(question.states, question.words, strict=True)
            if state != given
        )  # fmt: skip
        if given != DONT_KNOW:
            choices += chosen(say("Not told", lang), "try", about == name and trial == DONT_KNOW,
                              question=name, state=DONT_KNOW)  # fmt: skip
        rows.append(
            f'<details class="fold"{" open" if about == name else ""}><summary>'
            f"<span>{esc(say(question.question, lang))} <b>{esc(answer_words(name, given, knowledge, lang))}"
            f'</b></span></summary><div class="choices tight">{choices}</div></details>'
        )
    if not rows:
        return ""
    lead = p(say("Try another answer and see at once what would change.", lang), "hint")
    return card(lead, *rows, title=say("What if?", lang), kind="plain", mark="what-if")
