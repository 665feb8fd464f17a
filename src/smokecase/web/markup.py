"""Small pieces of markup that every part of the page uses; whatever comes in is escaped."""

from collections.abc import Iterable
from html import escape

from smokecase.doubts import Doubt
from smokecase.languages import say


def esc(text: object) -> str:
    """Make text safe to stand in markup and in attributes."""
    return escape(str(text), quote=True)


def button(words: str, do: str, *, look: str = "quiet", mark: str = "", **told: object) -> str:
    """Make a button that sends an event; `told` goes with it.

    Parameters
    ----------
    words : str
        What stands on it, already in the reader's language.
    do : str
        Name of the act.
    look : str
        main, quiet, plain, stop or choice.
    mark : str
        Its stable name in the page, after ``go-``.
    """
    name = f' id="go-{esc(mark)}"' if mark else ""
    sent = "".join(
        f' data-{key.replace("_", "-")}="{esc(value)}"' for key, value in told.items() if value
    )
    return (
        f'<button type="button" class="b {look}"{name} data-do="{esc(do)}"{sent}>'
        f"<span>{esc(words)}</span></button>"
    )


def chosen(words: str, do: str, on: bool, **told: str) -> str:
    """Make a choice that says whether it is taken."""
    made = button(words, do, look="choice", **told)
    return made.replace("<button", f'<button aria-pressed="{str(on).lower()}"', 1)


def card(*parts: str, title: str = "", kind: str = "", mark: str = "") -> str:
    """Lay parts on a sheet of its own."""
    name = f' id="{esc(mark)}"' if mark else ""
    head = f"<h2>{esc(title)}</h2>" if title else ""
    return f'<section class="card {kind}"{name}>{head}{"".join(parts)}</section>'


def fold(title: str, *parts: str, mark: str = "", is_open: bool = False) -> str:
    """Fold parts away under a title that opens them."""
    name = f' id="{esc(mark)}"' if mark else ""
    return (
        f'<details class="fold"{name}{" open" if is_open else ""}>'
        f"<summary>{esc(title)}</summary><div>{''.join(parts)}</div></details>"
    )


def p(text: str, kind: str = "") -> str:
    """Make a paragraph."""
    shown = esc(together(text))
    return f'<p class="{kind}">{shown}</p>' if kind else f"<p>{shown}</p>"


def together(text: str) -> str:
    """Keep a number and its percent sign on one line."""
    return text.replace(" %", "\N{NO-BREAK SPACE}%")


def items(lines: Iterable[str], kind: str = "") -> str:
    """Make a list; lines are text."""
    listed = "".join(f"<li>{esc(together(line))}</li>" for line in lines)
    name = f' class="{kind}"' if kind else ""
    return f"<ul{name}>{listed}</ul>" if listed else ""


def caution(text: str, lang: str) -> str:
    """Mark a danger, by a sign and a word, not by colour alone."""
    return (
        f'<p class="care"><span class="sign" aria-hidden="true">!</span>'
        f"<span><b>{esc(say('Care', lang))}:</b> {esc(text)}</span></p>"
    )


def doubts_list(doubts: Iterable[Doubt], lang: str) -> str:
    """Tell what is in doubt and what does better."""
    rows = "".join(
        f"<li><b>{esc(sentence(say(doubt.words, lang)))}</b> "
        f"<span>{esc(say('Better', lang))}: {esc(say(remedy_here(doubt), lang))}.</span></li>"
        for doubt in doubts
    )
    return f'<ul class="doubts">{rows}</ul>' if rows else ""


def remedy_here(doubt: Doubt) -> str:
    """Say what helps in the words of the page, where the command's words stand in the doubt."""
    return HERE.get(doubt.name, doubt.remedy)


# remedies that name options of the command, in what the page offers instead
HERE = {
    "exit_not_found": "show the end of the pipe in the picture",
    "exit_uncertain": "show the end of the pipe in the picture",
    "diameter_uncertain": "set the width of the ring to that of the pipe",
    "no_clean_plate": "film three smoke-free seconds first",
    "single_still": "film a clip from three seconds before the start",
}


def sentence(text: str) -> str:
    """Begin with a capital and end with a full stop."""
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "?", "!")) else f"{text}."


def options(pairs: Iterable[tuple[str, str]], now: str = "") -> str:
    """Make the lines of a choice: value and words."""
    return "".join(
        f'<option value="{esc(value)}"{" selected" if value == now else ""}>{esc(words)}</option>'
        for value, words in pairs
    )
