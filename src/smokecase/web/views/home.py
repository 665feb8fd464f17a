"""The first page: bring a clip, start from words alone, or open a case."""

from collections.abc import Sequence

from smokecase.case.record import Case
from smokecase.languages import say, text
from smokecase.web.film_drawings import film_guide_html
from smokecase.web.markup import button, card, caution, esc, fold, p
from smokecase.web.views.frame import heading

OUTDOORS = text(
    "Exhaust gas is poisonous: film outdoors and stand upwind. Chock the wheels, keep clear of hot "
    "and turning parts, and never stand in the way of a vehicle that may move."
)
WAYS = (
    (text("Film"), text("three seconds before the key is turned, then a minute")),
    (text("Measure"), text("colour, thickness, timing and sound, with how sure it is")),
    (text("Answer"), text("a few plain questions; “don't know” is fine")),
    (text("Find out"), text("what it may be, and which check is worth doing next")),
)


# a pipe's end, its plume, the ring and the measuring section, and the curve that comes of them
DRAWING = (
    '<svg class="drawing" viewBox="0 0 440 340" aria-hidden="true" focusable="false">'
    '<path class="fog" d="M318 158C286 120 262 132 238 104C210 72 176 96 150 62C118 24 62 44 44 84'
    "C10 96 12 146 46 158C52 190 100 200 124 178C150 206 196 204 214 182C248 210 292 204 318 190Z"
    '"/><path class="thin" d="M318 166C288 146 262 152 236 130C208 108 180 124 158 104C132 84 96 92 '
    '82 116"/><path class="thin" d="M318 182C290 188 256 188 228 168C204 160 180 172 150 156"/>'
    '<path class="iron" d="M318 152H440V196H318Z"/><ellipse class="mouth" cx="318" cy="174" rx="9" '
    'ry="22"/><rect class="square" x="252" y="150" width="48" height="48"/>'
    '<circle class="loop" cx="318" cy="174" r="34"/>'
    '<path class="axis" d="M20 318H420M20 318v-8M120 318v-8M220 318v-8M320 318v-8M420 318v-8"/>'
    '<path class="reach" d="M20 314H112C120 314 124 232 138 226C156 222 170 262 200 276'
    'C250 294 320 300 420 302V316H20Z"/><path class="curve" d="M20 316H112C122 316 126 250 138 246'
    'C154 242 172 276 202 290C250 306 320 310 420 311"/></svg>'
)


def show_home(cases: Sequence[Case], lang: str, *, words: str = "") -> str:
    """Show the first page.

    Parameters
    ----------
    cases : sequence of Case
        Those to list, the latest first.
    lang : str
    words : str
        What was looked for.
    """
    lead = say("Film its tailpipe with your phone. smokecase measures the smoke and helps you "
               "find out why it smokes.", lang)  # fmt: skip
    other = card(
        p(say("No clip at hand? Answer questions only, or see how it goes on an example.", lang)),
        '<div class="row">',
        button(say("Start with questions", lang), "start", mark="start"),
        button(say("See the example", lang), "example", mark="example"),
        "</div>",
        kind="plain",
    )
    return "".join(
        (
            '<div class="hero">',
            heading(say("An engine smokes?", lang), lead),
            bring_box(lang),
            fold(say("Give the case a name first", lang), _name_field(lang), mark="name-it"),
            DRAWING,
            "</div>",
            caution(say(OUTDOORS, lang), lang),
            _ways(lang),
            other,
            show_cases(cases, lang, words=words),
            fold(say("How to film", lang), film_guide_html(lang), mark="film-guide"),
        )
    )


def _name_field(lang: str) -> str:
    label = esc(say("Name of the case, such as the owner or the machine", lang))
    return (
        f'<label class="field name-field" for="new-name"><span>{label}</span>'
        f'<input id="new-name" type="text" maxlength="80" autocomplete="off"></label>'
    )


def bring_box(lang: str) -> str:
    """Show the two ways to bring a clip: files, or the phone's own camera."""
    choose = esc(say("Choose clips", lang))
    film = esc(say("Film now", lang))
    hint = esc(say("A clip from the phone, best the original file; several at once are fine. "
                   "Single pictures work too.", lang))  # fmt: skip
    sending = esc(say("Sending {name}", lang))
    stop = esc(say("Stop sending", lang))
    failed = esc(say("{name} did not arrive: {why}. Choose it again.", lang))
    cut = esc(say("the connection was cut", lang))
    return (
        f'<div class="bring" data-sending="{sending}" data-failed="{failed}" data-cut="{cut}" '
        f'data-stop="{stop}">'
        f'<label class="b main big" for="file-choose"><span>{choose}</span></label>'
        '<input id="file-choose" class="file" type="file" accept="video/*,image/*,audio/*,.mov,'
        '.mp4,.mkv,.avi,.webm" multiple>'
        f'<label class="b quiet big film-now" for="file-film"><span>{film}</span></label>'
        '<input id="file-film" class="file film-now" type="file" accept="video/*" '
        'capture="environment">'
        f'<p class="hint">{hint}</p><div class="sending" role="status" hidden></div></div>'
    )


def _ways(lang: str) -> str:
    rows = "".join(
        f"<li><b>{esc(say(what, lang))}</b> <span>{esc(say(how, lang))}</span></li>"
        for what, how in WAYS
    )
    return f'<ol class="ways">{rows}</ol>'


def show_cases(cases: Sequence[Case], lang: str, *, words: str = "") -> str:
    """List cases, each a button that opens it."""
    rows = "".join(_case(case, lang) for case in cases)
    if not rows:
        none = say("No case holds these words.", lang) if words else ""
        rows = f"<li>{p(none)}</li>" if none else ""
    if not rows:
        return ""
    label = esc(say("Find a case by words in it", lang))
    find = (
        f'<div class="find" data-form><label for="find-words">{label}</label>'
        f'<div class="row"><input id="find-words" name="words" type="search" value="{esc(words)}" '
        f'data-enter="go-find">{button(say("Find", lang), "find", mark="find")}</div></div>'
    )
    return card(f'{find}<ul class="cases">{rows}</ul>', title=say("Cases", lang), mark="cases")


def _case(case: Case, lang: str) -> str:
    last = case.entries[-1].time_utc[:10] if case.entries else ""
    count = sum(1 for entry in case.in_force() if entry.kind in ("clip", "brought"))
    told = say("1 clip", lang) if count == 1 else say("{n} clips", lang).format(n=count)
    damaged = f" · {esc(say('damaged', lang))}" if case.damage else ""
    return (
        f'<li><button type="button" class="case" data-do="go" data-case="{esc(case.id)}" '
        f'data-step="case"><b>{esc(case.name)}</b><span>{esc(told)} · {esc(last)}{damaged}</span>'
        "</button></li>"
    )
