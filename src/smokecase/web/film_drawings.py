"""The drawn film guide: six small drawings with captions, in the reader's language.

Lines take the ink of the page around them (`currentColor`), so they read in light and dark; what is
right carries a tick, what is wrong a cross, never a colour alone.
"""

from dataclasses import dataclass
from html import escape

from smokecase.languages import say, text

WIDTH, HEIGHT = 320, 200


@dataclass(frozen=True, slots=True)
class Drawing:
    """One step of filming."""

    name: str
    caption: str  # English; what to do
    seen: str  # English; what the drawing shows, for those who cannot see it
    lines: str  # SVG inside a box of 320 by 200


# -- parts that come back -------------------------------------------------------------------------


def _phone(x: float, y: float, turn: float = 0.0) -> str:
    """Draw a phone from its narrow side, with its lens to the right; turned about its middle."""
    return (
        f'<g transform="translate({x} {y}) rotate({turn})"><rect class="full" x="-4" y="-16" '
        'width="8" height="32" rx="2.5"/><path class="line" d="M5-9h4v7H5"/></g>'
    )


def _stand(x: float, y: float, ground: float) -> str:
    """Draw three legs from under a phone down to the ground."""
    return f'<path class="line" d="M{x} {y}v10M{x} {y + 10}L{x - 20} {ground}M{x} {y + 10}L{x + 20} {ground}M{x} {y + 10}V{ground}"/>'  # noqa: E501


def _rear(x: float, ground: float) -> str:
    """Draw the rear of a vehicle seen from behind, its pipe's end low on the left."""
    top, low = ground - 104, ground - 24
    return (
        f'<path class="line" d="M{x + 18} {top}h76q8 0 10 8l8 34v38H{x}v-38l8-34q2-8 10-8z"/>'
        f'<path class="soft" d="M{x + 22} {top + 9}h68l6 26h-80z"/>'
        f'<path class="line" d="M{x + 8} {top + 48}h14v9H{x + 8}zM{x + 90} {top + 48}h14v9h-14z"/>'
        f'<path class="line" d="M{x} {low}v24h18v-24M{x + 94} {low}v24h18v-24"/>'
        f'<circle class="paper" cx="{x + 33}" cy="{low + 4}" r="7"/>'
        f'<circle class="pipe-end" cx="{x + 33}" cy="{low + 4}" r="7"/>'
    )


def _cloud(x: float, y: float, size: float = 1.0) -> str:
    """Draw smoke that comes out towards the one who looks, about (x, y)."""
    return (
        f'<g transform="translate({x} {y}) scale({size})"><path class="smoke" '
        'd="M-30 12C-42 10-42-6-30-8C-32-22-12-28-4-18'
        'C4-28 24-22 22-8C36-8 38 10 26 13C18 22 4 20-2 15C-10 22-24 20-30 12Z"/></g>'
    )


def _person(x: float, ground: float) -> str:
    """Draw someone who holds a phone out to the right."""
    return (
        f'<circle class="line" cx="{x}" cy="{ground - 86}" r="9"/>'
        f'<path class="line" d="M{x} {ground - 77}v40l-12 37M{x} {ground - 37}l12 37'
        f'M{x} {ground - 64}h22"/>'
    )


def _puff(x: float, y: float, size: float = 1.0) -> str:
    """Draw smoke that drifts to the left from (x, y)."""
    return (
        f'<g transform="translate({x} {y}) scale({size})"><path class="smoke" '
        'd="M0-3C-14-12-20-2-30-8'
        "C-42-22-58-18-62-8C-76-14-88-6-86 4"
        'C-84 16-68 18-60 12C-50 22-36 18-30 10C-20 14-10 10 0 3Z"/>'
        "</g>"
    )


def _tick(x: float, y: float) -> str:
    return (
        f'<circle class="good" cx="{x}" cy="{y}" r="11"/>'
        f'<path class="mark" d="M{x - 5} {y}l4 4 7-8"/>'
    )


def _cross(x: float, y: float) -> str:
    return (
        f'<circle class="bad" cx="{x}" cy="{y}" r="11"/>'
        f'<path class="mark" d="M{x - 4} {y - 4}l8 8m0-8l-8 8"/>'
    )


def _ground(y: float) -> str:
    return f'<path class="faint" d="M8 {y}H312"/>'


def _bricks(x: float, y: float, columns: int, rows: int) -> str:
    """Draw a wall of bricks, 20 by 10 each."""
    wide, high = columns * 20, rows * 10
    lines = [f"M{x} {y + 10 * row}h{wide}" for row in range(rows + 1)]
    for row in range(rows):
        shift = 10 if row % 2 else 0
        lines += [
            f"M{x + shift + 20 * c} {y + 10 * row}v10"
            for c in range(columns + 1)
            if 0 <= shift + 20 * c <= wide
        ]
    return f'<path class="faint" d="{"".join(lines)}"/><path class="line" d="M{x} {y}h{wide}v{high}h-{wide}z"/>'  # noqa: E501


def _eye(x: float, y: float, to_x: float, half: float) -> str:
    """Draw what the lens sees: two dashed lines that open towards `to_x`."""
    return f'<path class="sight" d="M{x} {y}L{to_x} {y - half}M{x} {y}L{to_x} {y + half}"/>'


# -- the six drawings -----------------------------------------------------------------------------


def _distance() -> str:
    return (
        _ground(166) + _stand(40, 118, 166) + _phone(40, 102) + _rear(190, 166)
        + _cloud(218, 140, 0.8)
        + '<path class="line" d="M40 184H223M40 178v12M223 178v12"/>'
        '<rect class="paper" x="112" y="174" width="40" height="20"/>'
        '<text x="132" y="189" text-anchor="middle">2 m</text>'
    )  # fmt: skip


def _from_the_side() -> str:
    """Draw it from above: the vehicle above, its smoke to the left, the phone below the smoke."""
    car = (
        '<rect class="line" x="196" y="18" width="112" height="58" rx="16"/>'
        '<rect class="soft" x="222" y="26" width="44" height="42" rx="7"/>'
        '<path class="pipe" d="M200 62H176"/>'
    )
    good = (
        '<path class="sight" d="M116 166L66 44M116 166L190 44"/>'
        + _phone(116, 172, -90)
        + _tick(148, 174)
    )
    bad = _phone(24, 60, 0) + _cross(24, 30)
    return car + _puff(174, 62, 1.1) + good + bad


def _three_seconds() -> str:
    """Draw a strip of pictures: three without smoke, then the key, then smoke."""
    boxes = ""
    for i in range(5):
        x = 12 + 60 * i
        boxes += f'<rect class="line" x="{x}" y="42" width="54" height="74" rx="4"/>'
        boxes += f'<path class="pipe thin" d="M{x + 52} 92h-16"/>'
        boxes += f'<path class="faint" d="M{x + 4} 104h46"/>'
        if i >= 3:
            boxes += _puff(x + 36, 91, 0.36)
        if i == 4:
            boxes += _puff(x + 40, 74, 0.4)
    clock = "".join(
        f'<text x="{39 + 60 * i}" y="34" text-anchor="middle">{i + 1} s</text>' for i in range(3)
    )
    key = (
        '<path class="line" d="M189 124v16M183 134l6 7 6-7"/>'
        '<circle class="line" cx="176" cy="164" r="10"/>'
        '<path class="line" d="M186 164h30v8M206 164v6"/>'
    )
    return boxes + clock + _tick(99, 140) + key


def _firm() -> str:
    post = (
        '<path class="line" d="M112 172V96h64v76M112 112h64"/>' + _phone(150, 79) + _tick(144, 146)
    )
    stand = _stand(50, 96, 172) + _phone(50, 80) + _tick(50, 40)
    hand = (
        _person(244, 172)
        + _phone(270, 104, 14)
        + '<path class="line" d="M284 84q9 8 9 22M294 76q13 12 13 34"/>'
        + _cross(244, 40)
    )
    return _ground(172) + stand + post + hand


def _background() -> str:
    patches = "".join(
        f"M{36 + 12 * column} {72 + 12 * row}h12v12h-12z"
        for row in range(6)
        for column in range(6)
        if (row + column) % 2 == 0
    )
    board = (
        '<rect class="paper" x="36" y="72" width="72" height="72"/>'
        f'<path class="full" d="{patches}"/>'
        '<rect class="line" x="36" y="72" width="72" height="72"/>'
    )
    return (
        _bricks(14, 34, 7, 11) + board + _puff(136, 108, 0.98) + _tick(26, 166)
        + '<rect class="line" x="176" y="34" width="130" height="110"/>'
        + _puff(294, 108, 0.98)
        + _cross(188, 166)
    )  # fmt: skip


def _sun() -> str:
    rays = "".join(
        f'<path class="line" d="M0-22V-30" transform="translate(44 44) rotate({45 * i})"/>'
        for i in range(8)
    )
    return (
        _ground(172)
        + '<circle class="sun" cx="44" cy="44" r="15"/>'
        + rays
        + '<path class="sight" d="M60 54L206 134"/>'
        + _person(84, 172)
        + _phone(112, 104)
        + _rear(196, 172)
        + _cloud(222, 146, 0.8)
    )


DRAWINGS = (
    Drawing(
        "distance",
        text("Stand about two metres from the tailpipe."),
        text("A phone on a stand beside a vehicle, two metres from the end of its tailpipe."),
        _distance(),
    ),
    Drawing(
        "side",
        text("Look at the smoke from the side, and leave room where it drifts to."),
        text(
            "Seen from above: the phone looks across the smoke, with a tick; a phone that stands "
            "in the smoke's way has a cross."
        ),
        _from_the_side(),
    ),
    Drawing(
        "clear_first",
        text("Film three seconds without smoke first, then turn the key and go on for a minute."),
        text("A strip of five pictures: three seconds without smoke, then the key, then smoke."),
        _three_seconds(),
    ),
    Drawing(
        "firm",
        text("Put the phone on a stand or lean it on something firm. Do not walk, do not zoom."),
        text(
            "A phone on a stand and one leaning on a box have a tick, one held in a hand a cross."
        ),
        _firm(),
    ),
    Drawing(
        "behind",
        text(
            "Behind the smoke: brick, gravel, a fence, or the printed backdrop. Not a plain wall, "
            "not the sky."
        ),
        text(
            "Smoke before bricks and the printed backdrop has a tick, before a plain wall a cross."
        ),
        _background(),
    ),
    Drawing(
        "sun",
        text(
            "Have the sun behind you. Tap the smoke on the screen, so that nothing is too bright."
        ),
        text("Someone films a tailpipe with the sun at their back."),
        _sun(),
    ),
)

STYLE = """
.film-guide { display: grid; gap: 1.25rem; padding: 0; margin: 0; list-style: none;
  grid-template-columns: repeat(auto-fit, minmax(min(100%, 15rem), 1fr)); }
.film-guide li { margin: 0; }
.film-guide svg { display: block; width: 100%; height: auto; color: inherit; }
.film-guide p { margin: .4rem 0 0; }
.film-guide svg * { vector-effect: none; }
.film-guide .line { fill: none; stroke: currentColor; stroke-width: 2.5; stroke-linecap: round;
  stroke-linejoin: round; }
.film-guide .faint { fill: none; stroke: currentColor; stroke-width: 1.2; opacity: .55; }
.film-guide .sight { fill: none; stroke: currentColor; stroke-width: 1.5; stroke-dasharray: 5 5; }
.film-guide .pipe { fill: none; stroke: currentColor; stroke-width: 9; }
.film-guide .pipe-end { fill: none; stroke: currentColor; stroke-width: 4; }
.film-guide .pipe.thin { stroke-width: 6; }
.film-guide .full { fill: currentColor; }
.film-guide .soft { fill: currentColor; opacity: .12; }
.film-guide .paper { fill: var(--smk-paper, #fff); }
.film-guide .smoke { fill: var(--smk-paper, #fff); fill-opacity: .72; stroke: currentColor;
  stroke-width: 2; stroke-linejoin: round; }
.film-guide .sun { fill: var(--smk-sun, #e0a100); stroke: currentColor; stroke-width: 2; }
.film-guide .good { fill: var(--smk-good, #0b6b4f); }
.film-guide .bad { fill: var(--smk-bad, #a3271f); }
.film-guide .mark { fill: none; stroke: #fff; stroke-width: 2.6; stroke-linecap: round;
  stroke-linejoin: round; }
.film-guide text { fill: currentColor; font: 600 15px system-ui, sans-serif; }
"""


def film_guide_html(language: str) -> str:
    """Draw the guide as a numbered list of drawings with captions, with its own styles.

    Parameters
    ----------
    language : str
        One of `languages.LANGUAGES`.
    """
    items = []
    for i, drawing in enumerate(DRAWINGS, start=1):
        seen = escape(say(drawing.seen, language), quote=True)
        caption = escape(say(drawing.caption, language))
        items.append(
            f'<li><svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{seen}">'
            f"{drawing.lines}</svg><p><strong>{i}.</strong> {caption}</p></li>"
        )
    return f'<style>{STYLE}</style><ol class="film-guide">{"".join(items)}</ol>'
