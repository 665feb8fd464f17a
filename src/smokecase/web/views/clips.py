"""The clips of a case: what was brought, how fit each is, and how the measuring goes."""

from collections.abc import Mapping

from smokecase.case.record import Case, Entry
from smokecase.doubts import DOUBTS
from smokecase.languages import say, say_error
from smokecase.report.story import tell_no_onset, tell_peak
from smokecase.web.desk import Desk, Job
from smokecase.web.markup import (
    button,
    card,
    doubts_list,
    esc,
    fold,
    p,
    together,
)
from smokecase.web.views.frame import ahead, heading
from smokecase.web.views.home import bring_box


def show_clips(case: Case, pictures: Mapping[int, str], desk: Desk, lang: str) -> str:
    """Show the clips of a case.

    Parameters
    ----------
    case : Case
    pictures : mapping of str
        Address of a small picture of each clip, by its entry.
    desk : Desk
    lang : str
    """
    brought = [e for e in case.of_kind("brought")]
    clips = [e for e in case.of_kind("clip")]
    rows = "".join(_clip(entry, case, pictures, desk, lang) for entry in [*brought, *clips])
    parts = [heading(say("Clips", lang), say("Bring what was filmed. Each clip is looked at once "
                     "it is here.", lang)), bring_box(lang)]  # fmt: skip
    waits = [e for e in brought if (job := job_of(case, e, desk)) is None or not job.is_open]
    if len(waits) > 1:
        parts.append(
            f'<div class="row">{button(say("Measure all", lang), "measure_all", look="main", mark="measure-all")}</div>'
        )
    if rows:
        parts.append(f'<ul class="clips">{rows}</ul>')
    if clips:
        parts.append(ahead(say("See the smoke", lang), "look"))
    elif not brought:
        parts.append(ahead(say("Go on without a clip", lang), "tell"))
    return "".join(parts)


def job_of(case: Case, entry: Entry, desk: Desk) -> Job | None:
    """Return the measuring of an entry, if it was asked for."""
    return desk.find(("measure", case.id, entry.number))


def _clip(
    entry: Entry, case: Case, pictures: Mapping[int, str], desk: Desk, lang: str
) -> str:  # fmt: skip
    shown = pictures.get(entry.number)
    alt = esc(say("First picture of {name}", lang).format(name=entry.body["name"]))
    picture = f'<img src="{shown}" alt="{alt}">' if shown else '<div class="no-picture"></div>'
    inside = _measured(entry, case, lang) if entry.kind == "clip" else _brought(
        entry, case, desk, lang
    )  # fmt: skip
    return (
        f'<li class="clip card">{picture}<div class="told"><h2>{esc(entry.body["name"])}</h2>'
        f"{inside}</div></li>"
    )


def _brought(entry: Entry, case: Case, desk: Desk, lang: str) -> str:
    job = job_of(case, entry, desk)
    if job is not None and job.is_open:
        return show_progress(job, desk, lang)
    doubts = [DOUBTS[name] for name in entry.body.get("doubts", ()) if name in DOUBTS]
    failed = p(say_error(job.error, lang), "wrong-line") if job is not None and job.error else ""
    return (
        f"{failed}{_fitness(entry, doubts, lang)}"
        + '<div class="row">'
        + button(say("Show the pipe and measure", lang), "go", look="main", step="mark",
                 clip=entry.number, mark=f"mark-{entry.number}")
        + button(say("Take away", lang), "undo", number=entry.number, look="plain")
        + "</div>"
    )  # fmt: skip


def _fitness(entry: Entry, doubts: list, lang: str) -> str:  # type: ignore[type-arg]
    size = _size(entry, lang)
    if not doubts:
        word = say("Looks fit", lang)
        return f'<p class="fit good"><b>{esc(word)}</b> {esc(size)}</p>'
    word = say("Can be tried", lang)
    return f'<p class="fit fair"><b>{esc(word)}</b> {esc(size)}</p>' + doubts_list(
        sorted(doubts, key=lambda d: list(DOUBTS).index(d.name)), lang
    )


def _size(entry: Entry, lang: str) -> str:
    body = entry.body
    if "duration_s" not in body:
        return ""
    across = f"{body['width']} × {body['height']}"
    if body.get("source") == "still":
        return say("picture, {across} pixels", lang).format(across=across)
    return say("{seconds} s, {across} pixels", lang).format(
        seconds=f"{body['duration_s']:.1f}", across=across
    )


def _measured(entry: Entry, case: Case, lang: str) -> str:
    examination = case.examinations.get(entry.number)
    if examination is None:
        return p(say("Its readings are damaged; measure it again.", lang)) + button(
            say("Measure again", lang), "go", step="mark", clip=entry.number
        )
    if examination.refused:
        told = say("Measured, but no thickness can be given: {why}.", lang).format(
            why=say(examination.refused, lang)
        )
    else:
        peak = tell_peak(examination)
        told = (
            say("At its densest it blocks {peak} of the light.", lang).format(peak=say(peak, lang))
            if peak
            else say("Measured.", lang) + " " + say(tell_no_onset(examination), lang)
            if examination.timing.onset_s is None
            else say("Smoke was seen, but its thickness could not be read.", lang)
        )
    role = entry.circumstances.role
    tag = f'<span class="tag">{esc(say(role, lang))}</span>' if role else ""
    return (
        f"<p>{tag}{esc(together(told))}</p>"
        + '<div class="row">'
        + button(say("See the smoke", lang), "go", step="look", clip=entry.number)
        + button(say("Show the pipe again", lang), "go", step="mark", clip=entry.number,
                 look="plain")
        + "</div>"
    )  # fmt: skip


def show_progress(job: Job, desk: Desk, lang: str) -> str:
    """Show how far a piece of work is, how long it will take, and how to stop it."""
    if not job.is_open:
        failed = say_error(job.error, lang) if job.error else say("Stopped.", lang)
        return f'<div class="work"><p class="wrong-line">{esc(failed)}</p></div>'
    share, line, left = how_far(job, desk, lang)
    name = "/".join(str(part) for part in job.name)
    last = f"-{job.name[-1]}" if job.state == "waiting" else ""  # one bar bears the plain name
    stop = button(say("Stop", lang), "stop", look="quiet", mark=f"cancel{last}", job=name)
    return (
        f'<div class="work" data-work="{esc(name)}" data-state="{job.state}"><p><b>{esc(line)}</b> '
        f'<span class="left">{esc(left)}</span></p>'
        f'<div class="bar" id="progress{last}" role="progressbar" aria-valuemin="0" aria-valuemax="100" '
        f'aria-valuenow="{share}" aria-label="{esc(line)}"><i style="width:{share}%"></i></div>'
        f"{stop}</div>"
    )


def how_far(job: Job, desk: Desk, lang: str) -> tuple[int, str, str]:
    """Tell how far open work is: percent done, what goes on, and the time left."""
    if job.state == "waiting":  # the one that is being done counts too
        line = say("In line: {n} before it", lang).format(n=max(1, desk.before(job)))
    elif job.stop.is_set():
        line = say("Stopping at the next picture", lang)
    else:
        line = say(job.words, lang)
    left = job.left_s
    time = ""
    if left is not None:
        time = (
            say("about {n} min left", lang).format(n=round(left / 60))
            if left > 90
            else say("about {n} s left", lang).format(n=max(1, round(left)))
        )
    return round(100 * job.share), line[:1].upper() + line[1:], time


def show_fitness(entry: Entry, lang: str) -> str:
    """Tell how fit a brought clip is, folded away where it is fit."""
    doubts = [DOUBTS[name] for name in entry.body.get("doubts", ()) if name in DOUBTS]
    if not doubts:
        return _fitness(entry, doubts, lang)
    return card(_fitness(entry, doubts, lang), kind="plain") if len(doubts) < 3 else fold(
        say("Can be tried; see what would do better", lang), _fitness(entry, doubts, lang)
    )  # fmt: skip
