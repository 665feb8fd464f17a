"""The frame round every step: head, the steps of the work, what was just said, the foot."""

from smokecase.case.record import Case
from smokecase.languages import LANGUAGES, say, text
from smokecase.readings import SCREENING
from smokecase.web.markup import button, esc
from smokecase.web.place import Place

# step, its short name, what it is for
STEPS = (
    ("bring", text("Clips"), text("bring what was filmed")),
    ("mark", text("Pipe"), text("show it, then measure")),
    ("look", text("Smoke"), text("see what was measured")),
    ("tell", text("Questions"), text("tell what you know")),
    ("weigh", text("Causes"), text("what it may be")),
    ("check", text("Checks"), text("enter what you found")),
    ("compare", text("Compare"), text("two clips side by side")),
    ("case", text("Story"), text("all that was entered")),
    ("report", text("Report"), text("to read, print and send")),
)
MARK = (  # a pipe's end seen from the side and what comes out of it
    '<svg class="mark" viewBox="0 0 64 40" aria-hidden="true" focusable="false">'
    '<path d="M0 24h22v12H0z" class="pipe"/><path d="M22 22v16" class="rim"/>'
    '<path d="M28 30c8-10 10 4 18-6s8 2 16-10M28 36c10-4 14 4 22-4s6 0 12-6" class="puff"/></svg>'
)

# each colour has its own hatching, so that it can be told without seeing colours
PATTERNS = (
    "<defs>"
    '<pattern id="fill-black" width="16" height="16" patternUnits="userSpaceOnUse">'
    '<rect width="16" height="16" class="p-black"/></pattern>'
    '<pattern id="fill-blue" width="12" height="20" patternUnits="userSpaceOnUse">'
    '<rect width="12" height="20" class="p-blue"/><path d="M3 0V20" class="p-line"/></pattern>'
    '<pattern id="fill-white" width="14" height="26" patternUnits="userSpaceOnUse">'
    '<rect width="14" height="26" class="p-white"/><circle cx="4" cy="7" r="1.6" class="p-dot"/>'
    '<circle cx="11" cy="20" r="1.6" class="p-dot"/></pattern>'
    '<pattern id="fill-none" width="20" height="20" patternUnits="userSpaceOnUse">'
    '<rect width="20" height="20" class="p-none"/><path d="M0 20L20 0" class="p-hatch"/></pattern>'
    "</defs>"
)


def frame(  # noqa: PLR0913 - what stands around a step, each by name
    body: str, place: Place, lang: str, *, case: Case | None = None, said: str = "", turn: str = "",
    ask: str = "", own: bool = False,
) -> str:  # fmt: skip
    """Set a step in its frame.

    Parameters
    ----------
    body : str
        Markup of the step.
    place : Place
    lang : str
    case : Case, optional
        The open case.
    said : str
        Markup of what has to be said first: an error, or what was just done.
    turn : str
        Changes with every answer of the server, so that the browser notices each.
    ask : str
        The mark of the tap that this answers.
    own : bool
        Whether only the cases are listed that the browser says it has been to.
    """
    steps = _steps(place, lang) if case is not None else ""
    kind = "with-case" if case is not None else "no-case"
    return (
        f'<div id="sheet" class="{kind}" lang="{esc(lang)}" data-address="{esc(place.address)}" '
        f'data-turn="{esc(turn)}" data-ask="{esc(ask)}"{" data-own" * own}>'
        f'<svg class="patterns" aria-hidden="true">{PATTERNS}</svg><a class="skip" href="#stage">{esc(say("Skip to the work", lang))}</a>'
        f"{_head(place, lang, case)}"
        f'<div class="bench">{steps}<div id="stage" tabindex="-1" data-step="{esc(place.step)}">'
        f'<div id="said" aria-live="polite">{said}</div>{body}</div></div>{_foot(lang)}</div>'
    )


def _head(place: Place, lang: str, case: Case | None) -> str:
    home = esc(say("All cases", lang))
    name = f'<span class="case-name">{esc(case.name)}</span>' if case is not None else ""
    others = "".join(
        f'<a class="tongue" lang="{tag}" hreflang="{tag}" href="/{tag}/{esc(place.address)}">'
        f"{esc(own)}</a>"
        for tag, own in LANGUAGES.items()
        if tag != lang
    )
    return (
        f'<div class="top"><button type="button" class="home" id="go-home" data-do="go" '
        f'data-step="home" aria-label="smokecase: {home}">{MARK}<span>smokecase</span></button>'
        f"{name}{others}</div>"
    )


def _steps(place: Place, lang: str) -> str:
    rows = []
    at = 1
    for number, (step, short, purpose) in enumerate(STEPS, start=1):
        here = step == place.step
        at = number if here else at
        now = ' aria-current="step"' if here else ""
        rows.append(
            f'<li><button type="button" id="step-{step}" data-do="go" data-step="{step}"{now}>'
            f'<span class="no">{number}</span><span class="what"><b>{esc(say(short, lang))}</b>'
            f"<small>{esc(say(purpose, lang))}</small></span></button></li>"
        )
    short = say(STEPS[at - 1][1], lang)
    head = say("Step {n} of {all}: {name}", lang).format(n=at, all=len(STEPS), name=short)
    label = esc(say("Steps of the work", lang))
    return (
        f'<nav class="steps" aria-label="{label}"><button type="button" class="steps-head" '
        f'aria-expanded="false" aria-controls="steps-list" id="go-steps">{esc(head)}</button>'
        f'<ol id="steps-list">{"".join(rows)}</ol></nav>'
    )


def _foot(lang: str) -> str:
    return (
        f'<div class="foot"><p>{esc(say(SCREENING, lang))}</p>'
        f"<p>{esc(say('Everything stays on this machine; nothing is sent anywhere.', lang))}</p>"
        "</div>"
    )


def heading(words: str, lead: str = "") -> str:
    """Head a step: its title, and one sentence on what to do."""
    below = f'<p class="lead">{esc(lead)}</p>' if lead else ""
    return f"<h1>{esc(words)}</h1>{below}"


def ahead(words: str, step: str, *, mark: str = "next", more: str = "") -> str:
    """End a step: the way on, always at the same place."""
    return (
        f'<div class="ahead">{more}{button(words, "go", look="main", mark=mark, step=step)}</div>'
    )


def notice(words: str, *, kind: str = "done") -> str:
    """Say what was done, or what is wrong and what to do."""
    role = "alert" if kind == "wrong" else "status"
    sign = "!" if kind == "wrong" else "\N{CHECK MARK}"
    return (
        f'<div class="notice {kind}" role="{role}"><span class="sign" aria-hidden="true">{sign}'
        f"</span><p>{esc(words)}</p></div>"
    )
