"""What was measured in one clip: the answer, the player with the plume, the timeline, the doubts."""

from smokecase.assembled import SENTENCE_ENDS
from smokecase.case.record import LIGHTS, LOADS, ROLES, Case, Entry
from smokecase.doubts import DOUBTS
from smokecase.languages import say, text
from smokecase.readings import Examination
from smokecase.report.story import tell_no_onset, tell_peak, tell_story
from smokecase.web.desk import Desk, Job
from smokecase.web.markup import (
    button,
    card,
    doubts_list,
    esc,
    fold,
    items,
    options,
    p,
    sentence,
    together,
)
from smokecase.web.views.clips import show_progress
from smokecase.web.views.frame import ahead, heading
from smokecase.web.views.timeline import COLOUR_WORDS, show_timeline, swatch

NUMBERS = (
    (text("Light blocked (opacity)"),
     text("Of all the light from behind, the share that does not come through the smoke, read in a "
          "square just beyond the end of the pipe. 0 % is clear air, 100 % lets nothing through. "
          "The numbers in brackets: the true value lies between them 95 times in 100.")),
    (text("Colour weights"),
     text("How sure it is that the smoke is black, blue or white; together 100 %. They are no "
          "shares of a mixture. Where no colour stands out, it is said to be open.")),
    (text("First smoke, densest, fall"),
     text("When smoke is first seen, when it blocks most light, and how fast it thins from there "
          "to half and to a tenth.")),
    (text("Sound"),
     text("How long the starter turns, how fast the engine idles, and how evenly it fires. "
          "Uneven firing points to a weak cylinder.")),
)  # fmt: skip
CIRCUMSTANCES = (  # field, question, kind, unit
    ("load", text("What does the clip show?"), LOADS),
    ("light", text("Where does the light come from, seen from the camera?"), LIGHTS),
    ("role", text("What is it for, if you will compare?"), ROLES),
)
AMOUNTS = (
    ("standing_h", text("Engine stood before"), "h"),
    ("ambient_degc", text("Air outside"), "°C"),
    ("humidity_pct", text("Humidity of the air"), "%"),
    ("coolant_degc", text("Coolant at the start"), "°C"),
    ("distance_m", text("Phone to pipe"), "m"),
    ("pipe_diameter_mm", text("Pipe, outside"), "mm"),
)
FURTHER = (
    ("engine", text("Another engine? Say which; empty: the engine of this case")),
    ("camera", text("Camera")),
    ("background", text("What lies behind the plume")),
    ("place", text("Place")),
    ("observer", text("Who watched")),
    ("words", text("Anything else")),
)
# words of the lists above, so that they are in the catalogue
LISTED = tuple(
    text(word) for word in (
        "cranking", "cold start", "idle", "fast idle", "acceleration", "under load", "sun behind",
        "sun from the side", "sun ahead", "overcast", "shade", "lamp", "suspect", "healthy",
        "before", "after",
    )
)  # fmt: skip


def show_smoke(  # noqa: PLR0913 - what one clip gave, each part by name
    case: Case,
    entry: Entry,
    *,
    watch: str | Job,
    outlines: str,
    still: str,
    desk: Desk,
    lang: str,
) -> str:
    """Show what one clip gave.

    Parameters
    ----------
    case : Case
    entry : Entry
        A clip that was measured.
    watch : str or Job
        Address to play it at, or the work that makes a copy to play.
    outlines : str
        JSON of the plume's outlines.
    still : str
        Address of its picture at the densest moment.
    desk : Desk
    lang : str
    """
    seen = case.examinations[entry.number]
    parts = [heading(say("The smoke", lang)), _choose(case, entry, lang), _answer(seen, lang)]
    if seen.source in ("clip", "animation"):
        parts += [_player(seen, watch, still, desk, lang), show_timeline(seen, outlines, lang)]
    else:
        parts.append(f'<img class="still" src="{still}" alt="{esc(seen.clip)}">')
    parts += [
        _right_place(seen, entry, lang),
        _sound(seen, lang),
        _doubts(seen, lang),
        fold(say("The whole story", lang), p(say(tell_story(seen), lang)), mark="story"),
        fold(say("When and how it was filmed", lang), _circumstances(entry, lang),
             mark="circumstances"),
        fold(say("What each number means", lang), _numbers(lang), mark="numbers"),
        ahead(say("Next: a few questions", lang), "tell"),
    ]  # fmt: skip
    return "".join(parts)


def _choose(case: Case, entry: Entry, lang: str) -> str:
    clips = [e for e in case.of_kind("clip") if e.number in case.examinations]
    if len(clips) < 2:
        return f'<p class="of-clip">{esc(entry.body["name"])}</p>'
    rows = "".join(
        f'<button type="button" class="b choice" data-do="go" data-step="look" '
        f'data-clip="{e.number}" aria-pressed="{str(e is entry).lower()}"><span>'
        f"{esc(e.body['name'])}</span></button>"
        for e in clips
    )
    return (
        f'<div class="row choose" role="group" aria-label="{esc(say("Clips", lang))}">{rows}</div>'
    )


def _answer(seen: Examination, lang: str) -> str:
    """Give the two numbers that matter, large, with what they rest on."""
    peak = tell_peak(seen)
    if seen.refused:
        head = say("No thickness is given for this clip.", lang)
        below = say("Why: {why}.", lang).format(why=say(seen.refused, lang))
        first = f'<div class="figure none"><strong>{esc(head)}</strong><p>{esc(below)}</p></div>'
    elif peak is None:
        none = (
            say(tell_no_onset(seen), lang)
            if seen.timing.onset_s is None
            else say("Smoke was seen, but its thickness could not be read.", lang)
        )
        first = f'<div class="figure none"><strong>{esc(none)}</strong></div>'
    else:
        value, _, bounds = peak.partition(" (")
        first = (
            f'<div class="figure"><strong>{esc(value)}</strong>'
            f"<p>{esc(say('of the light is blocked at the densest moment', lang))}<br>"
            f"<span>{esc(together(_reach(bounds, lang)))}</span></p>"
            f"{_gauge(seen)}</div>"
        )
    return f'<div class="answer">{first}{_colour(seen, lang)}</div>'


def _reach(bounds: str, lang: str) -> str:
    low, _, high = bounds.rstrip(")").partition(" to ")
    return say("95 times in 100 between {low} and {high} %", lang).format(
        low=say(low, lang), high=say(high, lang)
    )


def _gauge(seen: Examination) -> str:
    """Draw the reading on a scale from 0 to 100 % with its interval."""
    peak = seen.timing.peak_pct
    measured = seen._peak()
    if peak is None or measured is None:
        return ""
    low, high = (min(100.0, max(0.0, v)) for v in (measured.low, measured.high))
    return (
        f'<div class="gauge" aria-hidden="true"><i class="reach" style="left:{low:.1f}%;'
        f'width:{high - low:.1f}%"></i><i class="needle" style="left:{min(100, max(0, peak)):.1f}%">'
        "</i></div>"
    )


def _colour(seen: Examination, lang: str) -> str:
    colour = seen.colour
    if colour.none > 0.5:
        return ""
    word = say("not clear", lang) if colour.colour_open else say(colour.word, lang)
    rows = "".join(
        f'<li><span class="name">{swatch(name)}{esc(say(words, lang))}</span>'
        f'<span class="how-much"><i style="width:{100 * getattr(colour, name):.0f}%"></i></span>'
        f"<b>{100 * getattr(colour, name):.0f} %</b></li>"
        for name, words in COLOUR_WORDS.items()
        if name != "none"
    )
    note = (
        say("The colour cannot be told from this clip.", lang)
        if colour.colour_open
        else say("is the colour of the smoke; how sure, by weight:", lang)
    )
    return f'<div class="figure"><strong>{esc(word)}</strong><p>{esc(note)}</p><ul class="weights">{rows}</ul></div>'


def _player(seen: Examination, watch: str | Job, still: str, desk: Desk, lang: str) -> str:
    if isinstance(watch, Job):
        inside = (
            f'<img src="{still}" alt=""><div class="over">{show_progress(watch, desk, lang)}</div>'
        )
        return f'<div class="player waits">{inside}</div>'
    section, exit_px = "", ""
    if seen.section_px:
        x0, y0, x1, y1 = seen.section_px
        box = f'x="{x0:.1f}" y="{y0:.1f}" width="{x1 - x0:.1f}" height="{y1 - y0:.1f}"'
        section = f'<rect class="section under" {box}/><rect class="section" {box}/>'
    if seen.exit_px:
        (x, y), arm = seen.exit_px, 0.012 * max(seen.width, seen.height)
        cross = f'd="M{x - arm:.1f} {y:.1f}h{2 * arm:.1f}M{x:.1f} {y - arm:.1f}v{2 * arm:.1f}"'
        exit_px = f'<path class="exit under" {cross}/><path class="exit" {cross}/>'
    label = esc(say("The clip with the plume outlined", lang))
    play = esc(say("Play", lang))
    pause = esc(say("Pause", lang))
    outline = esc(say("Outline", lang))
    step_back, step_on = esc(say("One picture back", lang)), esc(say("One picture on", lang))
    peak = esc(say("Densest", lang))
    return (
        f'<div class="player"><div class="screen" style="aspect-ratio:{seen.width}/{seen.height}">'
        f'<video id="film" src="{esc(watch)}" poster="{still}" playsinline preload="auto" '
        f'aria-label="{label}"></video><svg viewBox="0 0 {seen.width} {seen.height}" '
        f'aria-hidden="true"><path class="plume under"/><path class="plume"/>{section}{exit_px}</svg></div>'
        f'<div class="row controls"><button type="button" class="b quiet" data-play '
        f'data-on="{pause}" data-off="{play}"><span>{play}</span></button>'
        f'<button type="button" class="b quiet small" data-step-by="-1" aria-label="{step_back}">'
        f"<span>◂</span></button>"
        f'<button type="button" class="b quiet small" data-step-by="1" aria-label="{step_on}">'
        f"<span>▸</span></button>"
        f'<button type="button" class="b quiet" data-peak><span>{peak}</span></button>'
        f'<button type="button" class="b choice" data-outline aria-pressed="true">'
        f"<span>{outline}</span></button></div></div>"
    )


def _right_place(seen: Examination, entry: Entry, lang: str) -> str:
    if seen.source not in ("clip", "animation"):
        return ""
    asked = (
        say("Is the cross on the end of the pipe, and the square in the smoke?", lang)
        if seen.exit_px
        else say("The end of the pipe was not found.", lang)
    )
    no = button(say("No, I show it", lang) if seen.exit_px else say("I show it", lang), "go",
                step="mark", clip=entry.number, mark="mark-again")  # fmt: skip
    return f'<div class="asked"><p>{esc(asked)}</p>{no}</div>'


def _sound(seen: Examination, lang: str) -> str:
    if seen.sound is None or not seen.sound.words:
        return ""
    lines = SENTENCE_ENDS.split(say(seen.sound.words, lang))
    return card(items(lines), title=say("What was heard", lang), kind="plain")


def _doubts(seen: Examination, lang: str) -> str:
    order = list(DOUBTS.values())
    doubts = sorted(seen.doubts, key=order.index)
    if not doubts:
        return ""
    return card(
        doubts_list(doubts, lang), title=say("What makes it less sure", lang), kind="plain",
        mark="doubts",
    )  # fmt: skip


def _numbers(lang: str) -> str:
    rows = "".join(
        f"<dt>{esc(say(name, lang))}</dt><dd>{esc(say(words, lang))}</dd>"
        for name, words in NUMBERS
    )
    return f'<dl class="numbers">{rows}</dl>'


def _circumstances(entry: Entry, lang: str) -> str:
    told = entry.circumstances
    parts = [p(say("Leave out what you do not know.", lang), "hint")]
    nothing = ("", say("don't know", lang))
    for field, question, words in CIRCUMSTANCES:
        pairs = [nothing, *((word, sentence(say(word, lang)).rstrip(".")) for word in words)]
        parts.append(
            f'<label class="field"><span>{esc(say(question, lang))}</span>'
            f'<select name="{field}">{options(pairs, getattr(told, field) or "")}</select></label>'
        )
    grid = []
    for field, question, unit in AMOUNTS:
        value = getattr(told, field)
        shown = "" if value is None else f"{value:g}"
        grid.append(
            f'<label class="field"><span>{esc(say(question, lang))}</span><span class="amount">'
            f'<input name="{field}" type="text" inputmode="decimal" value="{shown}"><b>{unit}</b>'
            "</span></label>"
        )
    parts.append(f'<div class="grid">{"".join(grid)}</div>')
    further = "".join(
        f'<label class="field"><span>{esc(say(question, lang))}</span>'
        f'<input name="{field}" type="text" value="{esc(getattr(told, field))}"></label>'
        for field, question in FURTHER
    )
    parts.append(fold(say("More, for a report", lang), further))
    parts.append(
        f'<div class="row">{button(say("Keep this", lang), "circumstances", look="main", mark="circumstances-keep", clip=entry.number)}</div>'
    )
    return f"<div data-form>{''.join(parts)}</div>"
