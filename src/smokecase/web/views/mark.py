"""The picture in which the end of the pipe is shown, and the start of the measuring."""

from smokecase.case.record import Case, Entry
from smokecase.languages import say, say_error
from smokecase.web.desk import Desk
from smokecase.web.markup import button, esc, p
from smokecase.web.views.clips import job_of, show_fitness, show_progress
from smokecase.web.views.frame import heading, notice


def show_mark(case: Case, entry: Entry, picture: str, desk: Desk, lang: str) -> str:
    """Show the picture of a clip with a ring that can be laid on the end of the pipe.

    Parameters
    ----------
    case : Case
    entry : Entry
        A file that was brought, or a clip that is measured anew.
    picture : str
        Address of its picture.
    desk : Desk
    lang : str
    """
    job = job_of(case, entry, desk)
    if job is not None and job.is_open:
        lead = say("You can go on to the questions meanwhile; it works on by itself.", lang)
        on = button(say("Answer questions meanwhile", lang), "go", step="tell")
        return heading(say("Measuring {name}", lang).format(name=entry.body["name"]), lead) + (
            f'{show_progress(job, desk, lang)}<div class="row">{on}</div>'
        )
    parts = [heading(say("Where does the pipe end?", lang), _lead(entry, lang))]
    if job is not None and job.error is not None:
        parts.append(notice(say_error(job.error, lang), kind="wrong"))
    if job is not None and job.state == "stopped":
        parts.append(notice(say("Stopped. Nothing half-measured was kept.", lang)))
    parts.append(_picture(case, entry, picture, lang))
    parts.append(_buttons(entry, lang))
    if entry.kind == "brought":
        parts.append(show_fitness(entry, lang))
    return "".join(parts)


def _lead(entry: Entry, lang: str) -> str:
    if entry.kind == "clip":
        return say("This is the place that was measured. Tap the right one if it is wrong, then "
                   "measure again.", lang)  # fmt: skip
    return say("It is looked for by itself. If you see it, tap on it: that makes the reading "
               "surer.", lang)  # fmt: skip


def _picture(case: Case, entry: Entry, picture: str, lang: str) -> str:
    seen = case.examinations.get(entry.number)
    width = seen.width if seen else entry.body.get("width", 1280)
    height = seen.height if seen else entry.body.get("height", 720)
    exit_px = seen.exit_px if seen else None
    across = (seen.diameter_px if seen else None) or 0.05 * max(width, height)
    x, y = exit_px or (width / 2, height / 2)
    section = ""
    if seen and seen.section_px:
        x0, y0, x1, y1 = seen.section_px
        section = (
            f'<rect class="section" x="{x0:.1f}" y="{y0:.1f}" width="{x1 - x0:.1f}" '
            f'height="{y1 - y0:.1f}"/>'
        )
    shown = "" if exit_px else " hidden"
    label = esc(
        say("Picture of the clip. Arrow keys move the ring, plus and minus change its size, "
            "Enter lays it down.", lang)
    )  # fmt: skip
    end, box = esc(say("end of the pipe", lang)), esc(say("measuring section", lang))
    legend = f'<p class="legend"{shown}><span><i class="key ring"></i>{end}</span>'
    if section:
        legend += f'<span><i class="key box"></i>{box}</span>'
    slider = (
        f'<div class="width-row"{shown}><label for="ring-size">'
        f"{esc(say('Width of the pipe', lang))}</label>"
        f'<input id="ring-size" type="range" min="4" max="{0.3 * max(width, height):.0f}" step="1" '
        f'value="{across:.0f}"><output for="ring-size">{across:.0f} px</output></div>'
    )
    return (
        f'<div class="marking" data-key="{entry.number}" data-width="{width}" '
        f'data-height="{height}" data-set="{"found" if exit_px else ""}">'
        f'<div class="picture" tabindex="0" role="application" aria-label="{label}">'
        f'<img src="{picture}" alt="" draggable="false">'
        f'<svg viewBox="0 0 {width} {height}" aria-hidden="true">{section}'
        f'<g class="ring"{shown}><circle class="under" cx="{x:.1f}" cy="{y:.1f}" '
        f'r="{across / 2:.1f}"/><circle class="over" cx="{x:.1f}" cy="{y:.1f}" '
        f'r="{across / 2:.1f}"/></g></svg></div>{legend}</p>{slider}</div>'
    )


def _buttons(entry: Entry, lang: str) -> str:
    words = say("Measure", lang) if entry.kind == "brought" else say("Measure again", lang)
    back = (
        button(say("It is right: see the smoke", lang), "go", step="look", clip=entry.number)
        if entry.kind == "clip"
        else ""
    )
    return (
        '<div class="ahead">'
        + button(say("Take the ring away", lang), "unmark", look="plain", mark="unmark")
        + back
        + button(words, "measure", look="main", mark="measure", clip=entry.number)
        + "</div>"
        + p(say("Measuring takes a few times as long as the clip.", lang), "hint")
    )
