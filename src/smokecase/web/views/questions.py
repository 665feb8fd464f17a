"""The questions worth asking, one at a time, with "don't know" one tap away; and what was told."""

from collections.abc import Sequence

from smokecase.case.record import Case
from smokecase.causes.knowledge import DONT_KNOW, Knowledge
from smokecase.causes.next_check import Ask
from smokecase.languages import say, text
from smokecase.report.course import engine_of
from smokecase.web.markup import button, card, chosen, esc, fold, p
from smokecase.web.views.frame import ahead, heading

YES_NO = (("yes", text("yes")), ("no", text("no")))
SKIPPED = "skipped"


def show_questions(  # noqa: PLR0913 - all that the step needs, each by name
    case: Case,
    asks: Sequence[Ask],
    knowledge: Knowledge,
    *,
    about: str,
    taken: frozenset[str],
    lead: str,
    lang: str,
) -> str:
    """Show the next question, and below it what was told.

    Parameters
    ----------
    case : Case
    asks : sequence of Ask
        What is worth asking, the most worth first.
    knowledge : Knowledge
    about : str
        A question that was opened to change its answer; empty: the next one.
    taken : frozenset of str
        States that are marked so far, where several may hold.
    lead : str
        What leads so far, in the reader's language.
    lang : str
    """
    told = told_names(case)
    parts = [heading(say("A few questions", lang), say("Each answer makes the causes clearer. "
                     "Nobody has to know everything.", lang))]  # fmt: skip
    ask = find_ask(about, asks, knowledge)
    if ask is not None:
        parts.append(_ask(ask, knowledge, taken, len(told) + 1, lang))
    else:
        parts.append(card(p(say("Nothing more is worth asking. See what it may be.", lang)),
                          kind="plain"))  # fmt: skip
    parts.append(ahead(say("See what it may be", lang), "weigh", mark="weigh",
                       more=f'<p class="so-far">{esc(lead)}</p>' if lead else ""))  # fmt: skip
    parts.append(_told(case, knowledge, lang))
    parts.append(_parts(case, knowledge, lang))
    return "".join(parts)


def told_names(case: Case) -> list[str]:
    """Name what was answered, the engine's facts included, latest last."""
    return list(dict.fromkeys([*case.engine, *case.answers]))


def find_ask(about: str, asks: Sequence[Ask], knowledge: Knowledge) -> Ask | None:
    """Find the question that is open: the one named, or the one most worth asking."""
    known = knowledge.questions.get(about) or knowledge.contexts.get(about)
    if known is None:
        return asks[0] if asks else None
    return Ask(
        question=known.name, words=known.question, why=getattr(known, "why", ""),
        how=getattr(known, "how", ""),
        states=tuple(zip(known.states, known.words, strict=True)), bits=0.0, value=0.0,
    )  # fmt: skip


def _ask(
    ask: Ask, knowledge: Knowledge, taken: frozenset[str], number: int, lang: str
) -> str:  # fmt: skip
    question = knowledge.questions.get(ask.question)
    several = question is not None and question.several
    choices = []
    for name, words in ask.states:
        label = capital(say(words, lang))
        if several:
            choices.append(chosen(label, "take", name in taken, question=ask.question, state=name))
        else:
            choices.append(
                button(label, "answer", look="choice", question=ask.question, state=name)
            )
    enough = ""
    if several:
        hint = say("Several may be right.", lang)
        enough = (
            f'<p class="hint">{esc(hint)}</p>'
            if not taken
            else button(say("That is it", lang), "answer", look="main", mark="answer",
                        question=ask.question, state=",".join(sorted(taken)))
        )  # fmt: skip
    unknown = button(say("Don't know", lang), "answer", look="quiet unknown", mark="dont-know",
                     question=ask.question, state=DONT_KNOW)  # fmt: skip
    why = f'<p class="why">{esc(say(ask.why, lang))}</p>' if ask.why else ""
    how = (
        f'<p class="how"><b>{esc(say("How to tell", lang))}:</b> {esc(say(ask.how, lang))}</p>'
        if ask.how
        else ""
    )
    counted = esc(say("Question {n}", lang).format(n=number))
    return (
        f'<section class="card ask" id="ask" data-question="{esc(ask.question)}">'
        f'<p class="count">{counted}</p><h2 id="ask-words">{esc(say(ask.words, lang))}</h2>'
        f'<div class="choices" role="group" aria-labelledby="ask-words">{"".join(choices)}</div>'
        f"{enough}{unknown}{how}{why}</section>"
    )


def capital(words: str) -> str:
    """Begin with a capital."""
    return words[:1].upper() + words[1:]


def _told(case: Case, knowledge: Knowledge, lang: str) -> str:
    rows = []
    for name, given in [*case.engine.items(), *case.answers.items()]:
        asked = knowledge.questions.get(name) or knowledge.contexts.get(name)
        if asked is None:
            continue
        change = button(say("Change", lang), "go", look="plain", step="tell", about=name)
        rows.append(
            f"<li><span>{esc(say(asked.question, lang))}</span>"
            f"<b>{esc(answer_words(name, given, knowledge, lang))}</b>{change}</li>"
        )
    if not rows:
        return ""
    listed = f'<ul class="told">{"".join(rows)}</ul>'
    return card(listed, title=say("What you told", lang), kind="plain", mark="told")


def answer_words(name: str, given: object, knowledge: Knowledge, lang: str) -> str:
    """Say an answer as a person would."""
    asked = knowledge.questions.get(name) or knowledge.contexts.get(name)
    states = given if isinstance(given, list) else [given]
    known = dict(zip(asked.states, asked.words, strict=True)) if asked else {}
    known |= (
        {DONT_KNOW: text("don't know"), "yes": text("yes"), "no": text("no")}
        if asked is None or given == DONT_KNOW
        else {}
    )
    return capital(", ".join(say(known.get(str(s), str(s)), lang) for s in states))


def _parts(case: Case, knowledge: Knowledge, lang: str) -> str:
    """Ask for the engine's parts: two taps at most, none needed."""
    engine = engine_of(case)
    rows = []
    for part in knowledge.parts.values():
        now = engine.get(part.name)
        choices = "".join(
            chosen(capital(say(words, lang)), "answer", now == state, question=part.name,
                   state=state)
            for state, words in YES_NO
        )  # fmt: skip
        choices += chosen(
            say("Don't know", lang), "answer", now is None and part.name in case.answers,
            question=part.name, state=DONT_KNOW,
        )  # fmt: skip
        rows.append(
            f'<div class="part" role="group" aria-label="{esc(say(part.question, lang))}">'
            f"<span>{esc(say(part.question, lang))}</span><div class=row>{choices}</div></div>"
        )
    return fold(say("What the engine has", lang), "".join(rows), mark="parts")
