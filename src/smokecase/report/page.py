"""Sets a report as one HTML file that stands alone: no script, nothing from elsewhere."""

import base64
from html import escape

from smokecase.languages import say
from smokecase.report.contents import Bars, Block, Items, Picture, Report, Table, Text, tell_bar

STYLE = """
:root { --ink: #16202a; --soft: #56616a; --rule: #b9c1c6; --paper: #fff; }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 1.2rem; max-width: 50rem; color: var(--ink);
  background: var(--paper);
  font: 1rem/1.5 "DejaVu Sans", Verdana, "Segoe UI", sans-serif; overflow-wrap: break-word; }
h1 { font-size: 1.6rem; line-height: 1.2; margin: 0 0 .3rem; }
h2 { font-size: 1.2rem; margin: 2.2rem 0 .6rem; padding-top: .5rem;
  border-top: 2px solid var(--ink); }
p, ul, table, figure { margin: 0 0 .9rem; }
.sub, .small, figcaption, caption { color: var(--soft); font-size: .88rem; }
.lead { font-size: 1.1rem; font-weight: bold; }
.stop { border: 3px solid var(--ink); padding: .6rem .8rem; font-weight: bold; }
.note { border-left: 4px solid var(--rule); padding-left: .8rem; font-size: .92rem; }
.rests { color: var(--soft); font-size: .75em; white-space: nowrap; font-weight: normal; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; font-size: .92rem; }
caption { text-align: left; padding-bottom: .3rem; caption-side: top; }
th, td { text-align: left; vertical-align: top; padding: .3rem .6rem .3rem 0;
  border-bottom: 1px solid var(--rule); overflow-wrap: anywhere; }
th[scope=row] { font-weight: normal; }
thead th { border-bottom: 2px solid var(--ink); }
figure img { display: block; width: 100%; height: auto; }
.bar { display: grid; grid-template-columns: minmax(9rem, 17rem) 1fr; gap: .2rem .8rem;
  align-items: center; }
.bar svg { width: 100%; height: 1.5rem; }
.bars li { list-style: none; margin: 0 0 .4rem; } .bars { padding: 0; }
@media (max-width: 34rem) { body { padding: .8rem; } ul { padding-left: 1.2rem; }
  .bar { grid-template-columns: 1fr; }
  thead, colgroup { display: none; }
  table, tbody, caption { display: block; }
  tr { display: block; border-bottom: 1px solid var(--rule); padding: .3rem 0; }
  th[scope=row], td { display: block; border: 0; padding: .1rem 0; }
  th[scope=row] { font-weight: bold; }
  td[data-head]:not([data-head=""])::before { content: attr(data-head) ": "; color: var(--soft); } }
@media print { @page { size: A4; margin: 16mm; }
  body { max-width: none; padding: 0; font-size: 10pt; }
  figure, .stop, tr, .bars { break-inside: avoid; } h2 { break-after: avoid; }
  .new-page { break-before: page; border-top: 0; } }
"""
KEYS = {"plain": "", "lead": "lead", "small": "small", "stop": "stop", "note": "note"}


def to_html(report: Report) -> str:
    """Set a report as one HTML document."""
    parts = [
        "<!DOCTYPE html>",
        f'<html lang="{report.language}"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        # nothing may be loaded or run, whoever opens the file
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
        "img-src data:; style-src 'unsafe-inline'\">",
        f"<title>{escape(report.title)}</title><style>{STYLE}</style></head><body>",
        f"<header><h1>{escape(report.title)}</h1>",
        f'<p class="sub">{escape(report.subtitle)}; {escape(report.made)}</p>',
        f'<p class="note"><strong>{escape(report.note)}</strong> {escape(report.brackets)}</p>'
        "</header><main>",
    ]
    for section in report.sections:
        breaks = ' class="new-page"' if section.new_page else ""
        parts.append(f"<section><h2{breaks}>{escape(section.title)}</h2>")
        parts += [_block(block, report.language) for block in section.blocks]
        parts.append("</section>")
    parts.append(
        f'</main><footer><p class="note">{escape(report.note)}</p>'
        f'<p class="small">{escape(report.closing)}</p></footer></body></html>'
    )
    return "\n".join(parts) + "\n"


def _words(text: str) -> str:
    """Escape words; a number keeps its percent sign."""
    return escape(text).replace(" %", "&nbsp;%")


def _block(block: Block, lang: str) -> str:
    if isinstance(block, Text):
        role = ' role="alert"' if block.style == "stop" else ""
        kind = f' class="{KEYS[block.style]}"' if KEYS[block.style] else ""
        return f"<p{kind}{role}>{_words(block.text)}{_rests(block.entries, lang)}</p>"
    if isinstance(block, Items):
        lines = "".join(f"<li>{_words(line)}</li>" for line in block.lines)
        return f"<ul>{lines}</ul>"
    if isinstance(block, Table):
        return _table(block, lang)
    if isinstance(block, Picture):
        data = base64.b64encode(block.data).decode()
        return (
            f'<figure><div class="wide"><img src="data:image/{block.form};base64,{data}" '
            f'alt="{escape(block.alt)}"></div>'
            f"<figcaption>{escape(block.caption)}{_rests(block.entries, lang)}</figcaption>"
            "</figure>"
        )
    return _bars(block, lang)


def _rests(entries: tuple[int, ...], lang: str) -> str:
    if not entries:
        return ""
    shown = ", ".join(str(n) for n in entries)
    label = escape(say("rests on entries {numbers}", lang).format(numbers=shown))
    return f' <span class="rests" aria-label="{label}">[{shown}]</span>'


def _table(table: Table, lang: str) -> str:
    head = "".join(f'<th scope="col">{escape(cell)}</th>' for cell in table.head)
    columns = "".join(f'<col style="width:{100 * share:.0f}%">' for share in table.shares)
    rows = "".join(
        f'<tr><th scope="row">{escape(row[0])}</th>'
        + "".join(
            f'<td data-head="{escape(head)}">{_words(cell)}</td>'
            for head, cell in zip(table.head[1:], row[1:], strict=True)
        )
        + "</tr>"
        for row in table.rows
    )
    return (
        f'<div class="wide"><table>'
        f"<caption>{escape(table.caption)}{_rests(table.entries, lang)}</caption>"
        f"<colgroup>{columns}</colgroup><thead><tr>{head}</tr></thead><tbody>{rows}</tbody>"
        "</table></div>"
    )


def _bars(block: Bars, lang: str) -> str:
    rows = []
    for bar in block.bars:
        x, low, high = (100 * share for share in (bar.weight, bar.low, bar.high))
        rows.append(
            f'<li class="bar"><span>{escape(bar.label)}<br>'
            f"<strong>{tell_bar(bar, lang)}</strong></span>"
            '<svg viewBox="0 0 100 10" preserveAspectRatio="none" aria-hidden="true">'
            '<rect x="0" y="2" width="100" height="6" fill="none" stroke="#b9c1c6" '
            'stroke-width=".5"/>'
            f'<rect x="0" y="2" width="{x:.1f}" height="6" fill="#a3adb4"/>'
            f'<path d="M{low:.1f} 5H{high:.1f}M{low:.1f} 0V10M{high:.1f} 0V10" stroke="#000" '
            'stroke-width="1.6" vector-effect="non-scaling-stroke" fill="none"/></svg></li>'
        )
    caption = f"<p>{escape(block.caption)}{_rests(block.entries, lang)}</p>"
    return f'{caption}<ul class="bars">{"".join(rows)}</ul>'
