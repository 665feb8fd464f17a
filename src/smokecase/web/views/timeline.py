"""The timeline under the player: light blocked, colour and sound over time, and its data."""

import json
import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smokecase.doubts import SMOKE_OPEN
from smokecase.languages import say, text
from smokecase.readings import Examination
from smokecase.trace import COLOURS
from smokecase.web.markup import esc

Floats = NDArray[np.float64]

MOST_POINTS = 700  # of the drawn line; a screen has hardly more
# smoke colours as words; the patterns stand in page.css under the same names
COLOUR_WORDS = {
    "black": text("black"),
    "blue": text("blue"),
    "white": text("white"),
    "none": text("no smoke"),
}


def show_timeline(examination: Examination, outlines: str, lang: str) -> str:
    """Draw the timeline of a clip; the player beside it is moved by it, and moves it.

    Parameters
    ----------
    examination : Examination
    outlines : str
        JSON of the plume's outlines; empty where there are none.
    lang : str
    """
    trace = examination.trace
    begin = float(trace.time_s[0]) if len(trace) else 0.0
    end = max(float(trace.time_s[-1]) if len(trace) else 0.0, begin + 0.04)
    kept = np.unique(np.linspace(0, max(len(trace) - 1, 0), MOST_POINTS).astype(int))
    kept = kept[kept < len(trace)]
    top = _top(trace.opacity_pct, trace.opacity_high_pct)
    data = _data(examination, kept, outlines, begin, end, lang)
    label = esc(say("Time in the clip", lang))
    hint = esc(say("Move along the line: the picture follows.", lang))
    return (
        '<div class="timeline">'
        f'<p class="now" id="now" role="status" aria-live="off">{hint}</p>'
        f'<div class="lanes">{_opacity_lane(examination, kept, top, begin, end, lang)}'
        f"{_colour_lane(examination, kept, begin, end, lang)}"
        f"{_sound_lane(examination, begin, end, lang)}"
        f'<div class="track">{_events(examination, begin, end, lang)}<i class="cursor"></i>'
        f'<input type="range" id="time" min="{begin:.2f}" max="{end:.2f}" step="0.04" '
        f'value="{begin:.2f}" aria-label="{label}"></div></div>'
        f"{_clock(begin, end)}{_key(examination, lang)}"
        f'<div class="data" hidden>{esc(data)}</div></div>'
    )


def _top(values: Floats, highs: Floats) -> float:
    known = values[np.isfinite(values)]
    upper = highs[np.isfinite(highs)]
    most = max(
        1.15 * float(np.percentile(known, 99.5)) if known.size else 10.0,
        float(np.percentile(upper, 95)) if upper.size else 0.0,
    )
    return float(min(100.0, max(10.0, 10.0 * math.ceil(most / 10.0))))


def _opacity_lane(
    examination: Examination, kept: NDArray[Any], top: float, begin: float, end: float, lang: str
) -> str:
    trace = examination.trace
    if not np.isfinite(trace.opacity_pct).any():
        none = esc(say("no reading of the thickness", lang))
        return f'<div class="lane opacity empty"><h3>{_lane_name(lang)}</h3><p>{none}</p></div>'
    x = 1000.0 * (trace.time_s[kept] - begin) / (end - begin)
    y, low, high = (
        100.0 - 100.0 * np.clip(column[kept], 0.0, top) / top
        for column in (trace.opacity_pct, trace.opacity_low_pct, trace.opacity_high_pct)
    )
    known = np.isfinite(trace.opacity_pct[kept])
    bands, lines = [], []
    for part in _spells(known):
        lower = np.where(np.isnan(low[part]), 100.0, low[part])
        upper = np.where(np.isnan(high[part]), 0.0, high[part])
        edge = [f"{a:.1f},{b:.1f}" for a, b in zip(x[part], upper, strict=True)]
        back = [f"{a:.1f},{b:.1f}" for a, b in zip(x[part][::-1], lower[::-1], strict=True)]
        bands.append(f'<polygon points="{" ".join(edge + back)}"/>')
        points = " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x[part], y[part], strict=True))
        lines.append(f'<polyline points="{points}"/>')
    label = esc(say("Light blocked over time, up to {top} %", lang).format(top=round(top)))
    return (
        f'<div class="lane opacity"><h3>{_lane_name(lang)}</h3><div class="plot">'
        f'<svg viewBox="0 0 1000 100" preserveAspectRatio="none" role="img" aria-label="{label}">'
        f'<g class="grid"><path d="M0 50H1000"/><path d="M0 0H1000"/></g>'
        f'<g class="band">{"".join(bands)}</g><g class="line">{"".join(lines)}</g></svg>'
        f'<span class="axis high">{top:.0f} %</span><span class="axis mid">{top / 2:.0f} %</span>'
        '<span class="axis low">0 %</span></div></div>'
    )


def _lane_name(lang: str) -> str:
    return esc(say("light blocked", lang))


def _spells(known: NDArray[np.bool_]) -> list[NDArray[Any]]:
    places = np.flatnonzero(known)
    return [s for s in np.split(places, np.flatnonzero(np.diff(places) > 1) + 1) if s.size > 1]


def _colour_lane(
    examination: Examination, kept: NDArray[Any], begin: float, end: float, lang: str
) -> str:
    """Draw the colour weights as bands on top of one another, with pattern and word each."""
    trace = examination.trace
    weights = trace.colour[kept]
    if not np.isfinite(weights).all() or not len(weights):
        none = esc(say("no colour was read", lang))
        name = esc(say("colour", lang))
        return f'<div class="lane colour empty"><h3>{name}</h3><p>{none}</p></div>'
    x = 1000.0 * (trace.time_s[kept] - begin) / (end - begin)
    edges = 100.0 * (1.0 - np.cumsum(weights, axis=1))
    above = np.full(len(x), 100.0)
    bands = []
    for column, name in enumerate(COLOURS):
        below = edges[:, column]
        if weights[:, column].max() > 0.005:
            there = [f"{a:.1f},{b:.1f}" for a, b in zip(x, below, strict=True)]
            back = [f"{a:.1f},{b:.1f}" for a, b in zip(x[::-1], above[::-1], strict=True)]
            bands.append(
                f'<polygon class="c-{name}" style="fill:url(#fill-{name})" '
                f'points="{" ".join(there + back)}"/>'
            )
        above = below
    label = esc(say("Colour of the smoke over time", lang))
    return (
        f'<div class="lane colour"><h3>{esc(say("colour", lang))}</h3>'
        f'<svg viewBox="0 0 1000 100" preserveAspectRatio="none" role="img" aria-label="{label}">'
        f"{''.join(bands)}</svg></div>"
    )


def swatch(name: str) -> str:
    """Show a smoke colour's pattern, to stand beside its word."""
    return (
        f'<svg class="swatch" viewBox="0 0 40 40" aria-hidden="true">'
        f'<rect width="40" height="40" style="fill:url(#fill-{name})"/></svg>'
    )


def _key(examination: Examination, lang: str) -> str:
    rows = "".join(
        f"<li>{swatch(name)}{esc(say(words, lang))}</li>" for name, words in COLOUR_WORDS.items()
    )
    sound = examination.sound
    heard = (
        ("crank", say("starter turns", lang), sound is not None and sound.cranking_starts_s),
        ("runs", say("runs", lang), sound is not None and sound.runs_s),
    )
    rows += "".join(
        f'<li><i class="key s-{kind}"></i>{esc(words)}</li>'
        for kind, words, at_s in heard
        if at_s is not None and at_s is not False
    )
    band = esc(say("band: between these lies the true value, 95 times in 100", lang))
    return f'<ul class="key-list">{rows}<li><i class="key band"></i>{band}</li></ul>'


def _sound_lane(examination: Examination, begin: float, end: float, lang: str) -> str:
    """Draw what was heard: starter, run-up, running; words in each piece."""
    sound = examination.sound
    name = esc(say("sound", lang))
    if sound is None or (sound.runs_s is None and sound.cranking_starts_s is None):
        none = esc(say("no start was heard", lang))
        return f'<div class="lane sound empty"><h3>{name}</h3><p>{none}</p></div>'
    cuts: list[tuple[float, str, str]] = [(begin, "quiet", say("quiet", lang))]
    if sound.cranking_starts_s is not None:
        cuts.append((sound.cranking_starts_s, "crank", say("starter turns", lang)))
    if sound.first_firing_s is not None and sound.runs_s != sound.first_firing_s:
        cuts.append((sound.first_firing_s, "fire", say("first firing", lang)))
    if sound.runs_s is not None:
        cuts.append((sound.runs_s, "runs", say("runs", lang)))
    pieces = []
    for (at, kind, words), following in zip(cuts, [*cuts[1:], None], strict=True):
        until = following[0] if following else end
        if until - at <= 0.01:
            continue
        left = 100 * (at - begin) / (end - begin)
        wide = 100 * (until - at) / (end - begin)
        pieces.append(
            f'<i class="s-{kind}" style="left:{left:.2f}%;width:{wide:.2f}%" '
            f'title="{esc(words)}"><span>{esc(words)}</span></i>'
        )
    said = ", ".join(f"{words} {at:.1f} s" for at, _, words in cuts)
    return (
        f'<div class="lane sound"><h3>{name}</h3><div class="pieces" role="img" '
        f'aria-label="{esc(said)}">{"".join(pieces)}</div></div>'
    )


def _events(examination: Examination, begin: float, end: float, lang: str) -> str:
    timing = examination.timing
    named = (
        (timing.onset_s, say("first smoke", lang), "onset"),
        (timing.peak_s, say("densest", lang), "peak"),
    )
    made = []
    for at, words, kind in named:
        if at is not None and begin <= at <= end:
            left = 100 * (at - begin) / (end - begin)
            side = " flip" if left > 60 else ""
            made.append(
                f'<i class="event {kind}{side}" style="left:{left:.2f}%">'
                f"<span>{esc(words)} {at:.1f} s</span></i>"
            )
    return "".join(made)


def _clock(begin: float, end: float) -> str:
    marks = "".join(f"<span>{begin + k * (end - begin) / 4:.1f} s</span>" for k in range(5))
    return f'<p class="clock" aria-hidden="true">{marks}</p>'


def _data(
    examination: Examination, kept: NDArray[Any], outlines: str, begin: float, end: float, lang: str
) -> str:
    trace = examination.trace

    def rounded(column: Floats) -> list[float | None]:
        return [round(float(v), 1) if math.isfinite(v) else None for v in column[kept]]

    told = np.isfinite(trace.colour[kept]).all(axis=1) & (SMOKE_OPEN not in examination.doubts)
    main = [
        COLOURS[int(np.argmax(row))] if known else ""
        for row, known in zip(trace.colour[kept], told, strict=True)
    ]
    shares = [
        round(100 * float(np.max(row))) if np.isfinite(row).all() else 0
        for row in trace.colour[kept]
    ]
    plain = {
        "t": [round(float(v), 3) for v in trace.time_s[kept]],
        "o": rounded(trace.opacity_pct),
        "lo": rounded(trace.opacity_low_pct),
        "hi": rounded(trace.opacity_high_pct),
        "c": main,
        "w": shares,
        "begin": begin,
        "end": end,
        "peak": examination.timing.peak_s,
        "width": examination.width,
        "height": examination.height,
        "words": {
            "read": say("{t} s: {value} % of the light is blocked ({low} to {high})", lang),
            "blank": say("{t} s: no reading here", lang),
            "colour": say("{colour}, weight {weight} %", lang),
            "open": say("open", lang),
            **{name: say(words, lang) for name, words in COLOUR_WORDS.items()},
        },
        "outlines": json.loads(outlines) if outlines else [],
    }
    return json.dumps(plain, ensure_ascii=False, separators=(",", ":"))
