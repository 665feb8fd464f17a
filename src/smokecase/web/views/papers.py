"""What can be taken away: the report, the reply, the package, the printable backdrop."""

import re
from collections.abc import Mapping

from smokecase.case.record import Case
from smokecase.languages import say, say_error
from smokecase.web.desk import Desk, Job
from smokecase.web.markup import button, card, esc, options, p
from smokecase.web.views.clips import show_progress
from smokecase.web.views.frame import heading, notice

PAPERS = ("A4", "A3", "letter")


def show_papers(
    case: Case, made: Mapping[str, str], reply: str, jobs: Mapping[str, Job], desk: Desk, lang: str
) -> str:  # fmt: skip
    """Show what can be taken away.

    Parameters
    ----------
    case : Case
    made : mapping of str
        Address of each file that lies ready: report.html, report.pdf, reply.txt, package.zip,
        backdrop.pdf.
    reply : str
        The short reply, where it was made.
    jobs : mapping of Job
        Work on each: report, package, handed, backdrop.
    desk : Desk
    lang : str
    """
    lead = say("All of it is made on this machine and stays here until you hand it on.", lang)
    return "".join((
        heading(say("Report", lang), lead), _report(case, made, reply, jobs, desk, lang),
        _package(made, jobs, desk, lang), _backdrop(made, jobs, desk, lang),
    ))  # fmt: skip


def _state(name: str, jobs: Mapping[str, Job], desk: Desk, lang: str) -> str | None:
    """Show the work on a paper; None where nothing is under way."""
    job = jobs.get(name)
    if job is None:
        return None
    if job.is_open:
        return show_progress(job, desk, lang)
    if job.error is not None:
        return notice(say_error(job.error, lang), kind="wrong")
    return None


def _link(address: str, words: str, *, show: bool = False) -> str:
    if show:
        return (
            f'<a class="b quiet" href="{esc(address)}?show=1" target="_blank" rel="noopener">'
            f"<span>{esc(words)}</span></a>"
        )
    return f'<a class="b quiet" href="{esc(address)}" download><span>{esc(words)}</span></a>'


def _report(
    case: Case, made: Mapping[str, str], reply: str, jobs: Mapping[str, Job], desk: Desk, lang: str
) -> str:  # fmt: skip
    parts = [p(say("What was measured and how well, the causes, the next step, and the limits. "
                   "One page first, then the proofs.", lang))]  # fmt: skip
    busy = _state("report", jobs, desk, lang)
    if busy:
        parts.append(busy)
    if "report.html" in made:
        links = (
            _link(made["report.html"], say("Read it", lang), show=True)
            + _link(made["report.pdf"], say("PDF", lang))
            + _link(made["report.html"], say("Web page", lang))
        )
        parts.append(f'<div class="row" id="report-ready">{links}</div>')
    word = say("Make it again", lang) if "report.html" in made else say("Make the report", lang)
    look = "quiet" if "report.html" in made else "main"
    parts.append(f'<div class="row">{button(word, "report", look=look, mark="report")}</div>')
    if reply:
        copy = esc(say("Copy", lang))
        done = esc(say("Copied", lang))
        parts.append(
            f"<h3>{esc(say('Short reply, for a forum or a message', lang))}</h3>"
            f'<textarea id="reply" rows="9" readonly aria-label="{esc(say("Short reply", lang))}">'
            f'{esc(unwrapped(reply))}</textarea><div class="row"><button type="button" class="b quiet" '
            f'data-copy="reply" data-done="{done}" id="go-copy"><span>{copy}</span></button>'
            f"{_link(made['reply.txt'], say('Text file', lang)) if 'reply.txt' in made else ''}</div>"
        )
    return card(*parts, title=say("The report", lang), mark="paper-report")


def unwrapped(text: str) -> str:
    r"""Take out the line breaks within paragraphs and list items; a screen has its own width.

    >>> unwrapped("two lines of\nwords\n\n- and an item\n   of two")
    'two lines of words\n\n- and an item of two'
    """
    return re.sub(r"(?<=\S)\n(?!\n|- |\d+\. ) *", " ", text)


def _package(made: Mapping[str, str], jobs: Mapping[str, Job], desk: Desk, lang: str) -> str:
    parts = [p(say("Everything of the case in one folder that anyone can check for changes: "
                   "original clips, readings, entries, report.", lang))]  # fmt: skip
    parts += [busy for name in ("package", "handed") if (busy := _state(name, jobs, desk, lang))]
    for name, words in (
        ("package.zip", say("Download the package", lang)),
        ("handed.zip", say("Download the copy without places", lang)),
    ):
        if name in made:
            parts.append(f'<div class="row">{_link(made[name], words)}</div>')
    parts.append(
        '<div class="row">'
        + button(say("Pack everything", lang), "package", mark="package")
        + button(say("Pack a copy to hand on, without places and sound", lang), "hand_on",
                 mark="hand-on")
        + "</div>"
    )  # fmt: skip
    return card(*parts, title=say("Evidence package", lang), mark="paper-package")


def _backdrop(made: Mapping[str, str], jobs: Mapping[str, Job], desk: Desk, lang: str) -> str:
    parts = [p(say("A sheet of black and white patches to hang behind the smoke. Before a plain "
                   "wall or the sky nothing can be read without it.", lang))]  # fmt: skip
    busy = _state("backdrop", jobs, desk, lang)
    if busy:
        parts.append(busy)
    if "backdrop.pdf" in made:
        link = _link(made["backdrop.pdf"], say("Download the backdrop (PDF)", lang))
        parts.append(f'<div class="row">{link}</div>')
    paper = options([(name, name) for name in PAPERS], "A4")
    sheets = options([(str(n), str(n)) for n in range(1, 7)], "1")
    parts.append(
        f'<div class="grid three" data-form><label class="field"><span>{esc(say("Paper", lang))}</span>'
        f'<select name="paper" id="paper">{paper}</select></label><label class="field"><span>'
        f'{esc(say("Sheets side by side", lang))}</span><select name="sheets" id="sheets">{sheets}'
        f'</select></label><label class="field"><span>{esc(say("Phone to backdrop", lang))}</span>'
        '<span class="amount"><input name="distance_m" id="distance" type="text" '
        'inputmode="decimal" value="2"><b>m</b></span></label>'
        f"{button(say('Make the backdrop', lang), 'backdrop', mark='backdrop')}</div>"
    )
    return card(*parts, title=say("Backdrop to print", lang), mark="paper-backdrop")
