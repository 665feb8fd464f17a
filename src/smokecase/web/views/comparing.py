"""Two clips side by side: the verdict first, then whether it can be given, the numbers, the pictures."""

import json
import math

import numpy as np

from smokecase.case.compare import Comparison
from smokecase.case.conditions import Condition
from smokecase.case.record import Case, Entry
from smokecase.languages import say, text
from smokecase.web.desk import Desk, Job
from smokecase.web.markup import (
    button,
    card,
    esc,
    items,
    options,
    p,
    together,
)
from smokecase.web.views.clips import show_progress
from smokecase.web.views.frame import ahead, heading

MOST_POINTS = 400
VERDICTS = {
    "more": text("more smoke"),
    "less": text("less smoke"),
    "no difference": text("no difference"),
    "cannot tell": text("cannot be told"),
    "cannot be compared": text("cannot be compared"),
}


def show_choice(case: Case, first: int, second: int, lang: str) -> str:
    """Show which two clips are compared, or why there are not two yet."""
    clips = [e for e in case.of_kind("clip") if e.number in case.examinations]
    lead = say("The suspect and a healthy engine, or before and after a repair.", lang)
    head = heading(say("Compare two clips", lang), lead)
    if len(clips) < 2:
        need = p(say("This takes two measured clips in one case: bring another one, best filmed "
                     "from the same place at the same kind of start.", lang))  # fmt: skip
        return head + card(need, kind="plain") + ahead(say("Bring another clip", lang), "bring")
    rows = []
    for name, now, words in (
        ("clip", first, say("First: suspect, or before", lang)),
        ("other", second, say("Second: healthy, or after", lang)),
    ):
        pairs = [(str(e.number), f"{e.number} · {e.body['name']}") for e in clips]
        rows.append(
            f'<label class="field"><span>{esc(words)}</span><select id="compare-{name}" '
            f'data-change="go" data-step="compare" data-as="{name}">{options(pairs, str(now))}'
            "</select></label>"
        )
    return f'{head}<div class="grid two">{"".join(rows)}</div>'


def show_comparison(
    found: Comparison, entries: tuple[Entry, Entry], watch: tuple[str | Job, str | Job],
    stills: tuple[str, str], desk: Desk, lang: str,
) -> str:  # fmt: skip
    """Show what two clips say together."""
    parts = [
        f'<section class="card verdict" id="verdict"><p class="word">{esc(say(VERDICTS[found.verdict], lang))}</p>'
        f"<p>{esc(together(say(found.sentence, lang)))}</p></section>",
        _pair(found, entries, watch, stills, desk, lang),
        _curves(found, lang),
        _numbers(found, lang),
        _conditions(found, lang),
        ahead(say("Make the report", lang), "report"),
    ]
    return "".join(parts)


def _pair(
    found: Comparison, entries: tuple[Entry, Entry], watch: tuple[str | Job, str | Job],
    stills: tuple[str, str], desk: Desk, lang: str,
) -> str:  # fmt: skip
    halves = []
    for name, entry, where, still, shift in zip(
        (found.first, found.second), entries, watch, stills, found.shift_s, strict=True
    ):
        title = f"<h3>{esc(say(name, lang))} <small>{esc(entry.body['name'])}</small></h3>"
        if isinstance(where, Job):
            halves.append(f"<div>{title}{show_progress(where, desk, lang)}</div>")
        else:
            label = esc(f"{say(name, lang)}: {entry.body['name']}")
            halves.append(
                f'<div>{title}<video src="{esc(where)}" poster="{still}" data-shift="{shift:.3f}" playsinline '
                f'preload="auto" muted aria-label="{label}"></video></div>'
            )
    play, pause = esc(say("Play both", lang)), esc(say("Pause", lang))
    label = esc(say("Seconds from the start of the engine", lang))
    span = _span(found)
    at = _densest(found, span)
    return (
        f'<div class="pair"><div class="halves">{"".join(halves)}</div>'
        f'<div class="row controls"><button type="button" class="b quiet" data-play-both '
        f'data-on="{pause}" data-off="{play}" id="go-both"><span>{play}</span></button>'
        f'<label class="along"><span>{label}</span><input type="range" id="both-time" '
        f'min="{span[0]:.2f}" max="{span[1]:.2f}" step="0.04" value="{at:.2f}">'
        f"<output>{at:.1f} s</output></label></div></div>"
    )


def _span(found: Comparison) -> tuple[float, float]:
    if found.time_s.size:
        return float(found.time_s[0]), float(found.time_s[-1])
    return -min(*found.shift_s, 2.0), 20.0


def densest_s(found: Comparison) -> float:
    """Tell when to begin looking, on the clock that begins with the start. [s]."""
    return _densest(found, _span(found))


def _densest(found: Comparison, span: tuple[float, float]) -> float:
    """Tell when the first clip blocks most light: the moment to begin looking at."""
    known = np.isfinite(found.first_pct[:, 0]) if found.time_s.size else np.zeros(0, bool)
    if not known.any():
        return span[0]
    return float(found.time_s[known][np.argmax(found.first_pct[known, 0])])


def _curves(found: Comparison, lang: str) -> str:
    """Draw both opacities on one clock: the first dashed, the second full, each with its name."""
    if found.time_s.size < 2:
        return ""
    kept = np.unique(np.linspace(0, found.time_s.size - 1, MOST_POINTS).astype(int))
    x = 1000 * (found.time_s[kept] - found.time_s[0]) / (found.time_s[-1] - found.time_s[0])
    both = np.concatenate([found.first_pct[:, 0], found.second_pct[:, 0]])
    known = both[np.isfinite(both)]
    top = (
        min(100.0, max(10.0, 10 * math.ceil(1.15 * float(known.max()) / 10)))
        if known.size
        else 100.0
    )
    drawn = []
    for kind, column in (("first", found.first_pct), ("second", found.second_pct)):
        values = 100 - 100 * np.clip(column[kept], 0, top) / top
        good = np.isfinite(values).all(axis=1)
        if good.sum() > 1:
            edge = [f"{a:.1f},{b:.1f}" for a, b in zip(x[good], values[good, 2], strict=True)]
            back = [
                f"{a:.1f},{b:.1f}"
                for a, b in zip(x[good][::-1], values[good, 1][::-1], strict=True)
            ]
            drawn.append(f'<polygon class="band {kind}" points="{" ".join(edge + back)}"/>')
        good = np.isfinite(values[:, 0])
        line = " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x[good], values[good, 0], strict=True))
        drawn.append(f'<polyline class="line {kind}" points="{line}"/>')
    begin, end = found.time_s[0], found.time_s[-1]
    marks = "".join(f"<span>{begin + k * (end - begin) / 4:.1f} s</span>" for k in range(5))
    label = esc(say("Light blocked in both clips from the start of the engine", lang))
    key = "".join(
        f'<li><i class="key {kind}"></i>{esc(say(name, lang))}</li>'
        for kind, name in (("first", found.first), ("second", found.second))
    )
    return (
        f'<div class="timeline"><div class="lanes"><div class="lane opacity">'
        f"<h3>{esc(say('light blocked', lang))}</h3><div class=plot>"
        f'<svg viewBox="0 0 1000 100" preserveAspectRatio="none" role="img" aria-label="{label}">'
        f'{"".join(drawn)}</svg><span class="axis high">{top:.0f} %</span>'
        f'<span class="axis low">0 %</span></div></div></div>'
        f'<p class="clock" aria-hidden="true">{marks}</p><ul class="key-list">{key}</ul></div>'
    )


def _numbers(found: Comparison, lang: str) -> str:
    rows = "".join(
        f"<tr><th scope=row>{esc(say(w.name, lang))}</th>"
        f'<td data-head="{esc(say(found.first, lang))}">{esc(say(str(w.first), lang))}</td>'
        f'<td data-head="{esc(say(found.second, lang))}">{esc(say(str(w.second), lang))}</td>'
        f'<td data-head="{esc(say("difference", lang))}">{esc(say(str(w.difference), lang))}</td></tr>'
        for w in found.windows
    )
    table = ""
    if rows:
        caption = esc(say("Mean of the light blocked; in brackets the 95 % interval", lang))
        head = "".join(
            f"<th scope=col>{esc(say(word, lang))}</th>"
            for word in (found.first, found.second, text("difference"))
        )
        table = (
            f'<div class="wide"><table><caption>{caption}</caption><thead><tr><td></td>{head}</tr>'
            f"</thead><tbody>{rows}</tbody></table></div>"
        )
    lines = [say(line, lang) for line in (*found.clearing, found.colour, *found.sound) if line]
    if not (table or lines):
        return ""
    return card(table, items(lines), title=say("In numbers", lang), kind="plain")


def _conditions(found: Comparison, lang: str) -> str:
    """Tell what is alike and what differs, line by line; what nobody told, in one line."""
    words = {True: say("alike", lang), False: say("differs", lang), None: say("not told", lang)}
    signs = {True: "\N{CHECK MARK}", False: "\N{MULTIPLICATION SIGN}", None: "?"}
    known = [c for c in found.conditions if c.alike is not None or not _untold(c)]
    rows = "".join(
        f'<li class="is-{str(c.alike).lower()}"><span class="sign" aria-hidden="true">{signs[c.alike]}'
        f"</span><span><b>{esc(say(c.name, lang))}</b> {esc(_sides(c.first, c.second, c.words, lang))} "
        f"<em>{esc(words[c.alike])}</em></span></li>"
        for c in sorted(known, key=lambda c: {False: 0, True: 1, None: 2}[c.alike])
    )
    untold = [say(c.name, lang) for c in found.conditions if c.alike is None and _untold(c)]
    if untold:
        rows += (
            f'<li class="is-none"><span class="sign" aria-hidden="true">?</span><span>'
            f"<b>{esc(words[None])}</b> {esc(', '.join(untold))}</span></li>"
        )
    tell = button(say("Tell how they were filmed", lang), "go", step="look", mark="tell-filmed")
    return card(f'<ul class="conditions">{rows}</ul>{tell}', kind="plain",
                title=say("Can they be compared?", lang), mark="conditions")  # fmt: skip


def _untold(condition: Condition) -> bool:
    return condition.first == condition.second == "not told"


def _sides(first: str, second: str, words: str, lang: str) -> str:
    if first or second:
        return f"{say(first, lang)} / {say(second, lang)}"
    return say(words, lang)


def as_json(found: Comparison) -> str:
    """Plain values, for a download."""
    return json.dumps(found.to_json(), indent=2, ensure_ascii=False, allow_nan=False)
