"""One page over thousands of clips: which to look at first, and why; it stands alone.

The order is told on the page: stop signs, then how much light the smoke surely blocks (the lower
end of the interval at the densest moment). Rows arrive one by one; only what is shown is kept.
"""

import base64
import hashlib
import heapq
import io
import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from html import escape as escape_html
from pathlib import PurePosixPath

import numpy as np
from numpy.typing import NDArray

from smokecase.doubts import DOUBTS, SMOKE_OPEN
from smokecase.errors import printable
from smokecase.readings import SCREENING
from smokecase.report.batch_row import Row, bounds, colour_of, reasons, urgency
from smokecase.report.batch_style import SCRIPT, STYLE

FIRST = 24  # clips shown as cards
MOST_ROWS = 10_000  # in the table of the page; clips.parquet holds all
MOST_LISTED = 200  # names in a list of one reason
BINS = 20  # of 5 % opacity
TONES = {"black": "#33383d", "blue": "#4a78a8", "white": "#c3ccd3", "open": "#a58a5b"}


def escape(text: str) -> str:
    """Make text of any origin safe to stand in the page, attributes included."""
    return escape_html(printable(text))


def to_thumbnail(picture: NDArray[np.uint8]) -> bytes:
    """Make a picture (h, w, 3) of sRGB a small JPEG."""
    from PIL import Image

    out = io.BytesIO()
    Image.fromarray(picture).convert("RGB").save(out, "JPEG", quality=80)
    return out.getvalue()


@dataclass(slots=True, eq=False)
class BatchPage:
    """Takes rows and makes the page."""

    picture_of: Callable[[str], bytes | None]
    counts: Counter[str] = field(default_factory=Counter)
    bins: NDArray[np.int64] = field(default_factory=lambda: np.zeros((BINS, 4), np.int64))
    first: list[tuple[tuple[int, float], int, Row]] = field(default_factory=list)
    rows: list[tuple[tuple[int, float], int, Row]] = field(default_factory=list)
    again: dict[str, list[str]] = field(default_factory=dict)  # by why no opacity is given
    aside: list[tuple[str, str]] = field(default_factory=list)  # clip, reason
    remedies: dict[str, str] = field(default_factory=dict)

    def add(self, row: Row) -> None:
        """Take in one clip."""
        self.counts["clips"] += 1
        self.counts[row["state"]] += 1
        if row["state"] == "set_aside":
            self.aside.append((row["clip"], row["reason"] or ""))
        if row["state"] != "done":
            return
        if row.get("same_as"):
            self.counts["same"] += 1
            return
        rank, turn = urgency(row), -self.counts["clips"]
        self.counts["stop"] += rank[0]
        for kept, most in ((self.first, FIRST), (self.rows, MOST_ROWS)):
            (heapq.heappush if len(kept) < most else heapq.heappushpop)(kept, (rank, turn, row))
        if row.get("refused"):
            self.counts["refused"] += 1
            self.again.setdefault(row["refused"], []).append(row["clip"])
        elif row.get("peak_pct") is None and _smoke_is_open(row):
            self.counts["open"] += 1
            self.again.setdefault(SMOKE_OPEN.words, []).append(row["clip"])
        elif row.get("peak_pct") is None:
            self.counts["clear"] += 1
        else:
            self.counts["read"] += 1
            at = int(np.clip(row["peak_pct"] // (100 / BINS), 0, BINS - 1))
            self.bins[at, list(TONES).index(colour_of(row))] += 1

    def to_html(self) -> str:
        """Set the page."""
        run = base64.b64encode(hashlib.sha256(SCRIPT.encode()).digest()).decode()
        title = f"{_many(self.counts['clips'])}: which to look at first"
        return "".join(
            [
                '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">',
                '<meta name="viewport" content="width=device-width, initial-scale=1">',
                # only the script below may run, and nothing may be loaded
                '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
                f"img-src data:; style-src 'unsafe-inline'; script-src 'sha256-{run}'\">",
                f"<title>{escape(title)}</title><style>{STYLE}</style></head><body>",
                f"<header><h1>{escape(title)}</h1>{self._sentence()}",
                f'<p class="note">{escape(SCREENING)}</p></header><main>',
                self._cards(),
                self._spread(),
                self._film_again(),
                self._set_aside(),
                self._table(),
                f"</main><script>{SCRIPT}</script></body></html>\n",
            ]
        )

    # -- inside -----------------------------------------------------------------------------
    def _sentence(self) -> str:
        counts = self.counts
        same = counts["same"]
        parts = [
            f"{counts['read']} gave an opacity",
            f"{counts['clear']} show no smoke that could be read",
            *([f"{counts['open']} leave open if there is smoke"] if counts["open"] else []),
            f"{counts['refused']} gave none and say why",
            *([f"{same} are copies of another"] if same else []),
            f"{counts['set_aside']} were set aside",
            *([f"{counts['waiting']} still wait"] if counts["waiting"] else []),
        ]
        stop = (
            f"<strong>{_many(counts['stop'])} carry a stop sign.</strong> "
            if counts["stop"] > 1
            else "<strong>1 clip carries a stop sign.</strong> " * counts["stop"]
        )
        return f"<p>{stop}{escape('; '.join(parts))}.</p>"

    def _cards(self) -> str:
        if not self.first:
            return ""
        shown = sorted(self.first, key=lambda kept: kept[:2], reverse=True)
        cards = "".join(self._card(n, row) for n, (_, _, row) in enumerate(shown, start=1))
        return (
            "<h2>Look at these first</h2><p>Stop signs stand above all. Then the order is how much "
            "light the smoke surely blocks: the lower end of the 95 % interval of the densest "
            "moment. A clip that shows smoke but gave no opacity comes after all that did.</p>"
            f'<ol class="cards">{cards}</ol>'
        )

    def _card(self, number: int, row: Row) -> str:
        picture = self.picture_of(row["key"])
        image = '<div class="none">no picture</div>'
        if picture:
            data = base64.b64encode(picture).decode()
            image = f'<img src="data:image/jpeg;base64,{data}" alt="densest moment" loading="lazy">'
        lines = "".join(
            f"<li{' class=stop' if text.startswith('STOP') else ''}>{_kept_together(text)}</li>"
            for text in reasons(row)
        )
        notes = f'<p class="small">{escape(str(row["notes"]))}</p>' if row.get("notes") else ""
        kind = "card halt" if row.get("stop_signs") else "card"
        return (
            f'<li class="{kind}">{image}<div><h3>{number}. {escape(row["clip"])}</h3>'
            f'<ul>{lines}</ul><p class="small">{_breaking(row["url"])}</p>{notes}</div></li>'
        )

    def _spread(self) -> str:
        """How dense the clips are, stacked by colour, drawn."""
        most = int(self.bins.sum(axis=1).max())
        if most == 0:
            return ""
        wide, high = 30.0, 150.0
        bars, told = [], []
        for i, counts in enumerate(self.bins):
            y = high
            for tone, count in zip(TONES.values(), counts, strict=True):
                tall = high * float(count) / most
                y -= tall
                if count:
                    bars.append(
                        f'<rect x="{40 + i * wide:.0f}" y="{y + 18:.1f}" width="{wide - 3:.0f}" '
                        f'height="{tall:.1f}" fill="{tone}"/>'
                    )
            total = int(counts.sum())
            if total:
                told.append(f"{100 // BINS * i} to {100 // BINS * (i + 1)} %: {total}")
                bars.append(f'<text class="n" x="{40 + (i + 0.45) * wide:.0f}" y="{y + 14:.1f}" '
                            f'text-anchor="middle">{total}</text>')  # fmt: skip
        axis = "".join(
            f'<text x="{40 + k * wide * BINS / 5:.0f}" y="186" text-anchor="middle">{20 * k} %'
            "</text>"
            for k in range(6)
        )
        names = (*TONES,)
        keys = "".join(
            f'<span class="key"><i style="background:{TONES[n]}"></i>'
            f"{'colour open' if n == 'open' else n}</span>"
            for n in names
        )
        return (
            "<h2>How dense they are</h2><p>Clips by opacity at their densest moment; those below 0 "
            f"or above 100 % stand in the outer bars.</p><p>{keys}</p>"
            '<svg viewBox="0 0 680 192" role="img" '
            f'aria-label="clips by opacity: {"; ".join(told)}">'
            f'<path d="M40 168.5H640" stroke="#16202a"/>{"".join(bars)}{axis}</svg>'
        )

    def _film_again(self) -> str:
        if not self.again:
            return ""
        groups = sorted(self.again.items(), key=lambda item: -len(item[1]))
        remedies = {d.words: d.remedy for d in DOUBTS.values()}
        parts = [
            f"<details><summary>{_many(len(clips))}: {escape(why)}"
            + (f"; next time {escape(remedies[why])}" if why in remedies else "")
            + f"</summary><p>{_names(clips)}</p></details>"
            for why, clips in groups
        ]
        return f"<h2>No opacity: film these again</h2>{''.join(parts)}"

    def _set_aside(self) -> str:
        if not self.aside:
            return ""
        groups: dict[str, list[str]] = {}
        for clip, reason in self.aside:
            groups.setdefault(reason.removeprefix(f"{clip}: "), []).append(clip)
        shown = sorted(groups.items(), key=lambda item: -len(item[1]))
        parts = [
            f"<details><summary>{_many(len(clips))}: {escape(why)}</summary>"
            f"<p>{_names(clips)}</p></details>"
            for why, clips in shown[:MOST_LISTED]
        ]
        more = len(shown) - MOST_LISTED
        rest = f"<p>and {more} more reasons, in clips.parquet</p>" if more > 0 else ""
        return (
            f"<h2>Set aside</h2><p>{_many(len(self.aside))} could not be measured. Mend the "
            f"reason, then give the same command with --retry.</p>{''.join(parts)}{rest}"
        )

    def _table(self) -> str:
        if not self.rows:
            return ""
        rows = "".join(
            _cells(row) for _, _, row in sorted(self.rows, key=lambda k: k[:2], reverse=True)
        )
        left_out = self.counts["done"] - self.counts["same"] - len(self.rows)
        rest = f" The first {MOST_ROWS} are shown; clips.parquet holds all." * (left_out > 0)
        head = "".join(
            f'<th scope="col"><button type="button">{name}</button></th>'
            for name in ("clip", "densest [%]", "surely [%]", "seen [%]", "colour",
                         "leading family", "doubts")
        )  # fmt: skip
        return (
            "<h2>All clips</h2><p>In the same order; a click on a head sorts, the field keeps the "
            f"lines that hold its words.{rest}</p>"
            '<p><label>Keep lines with <input id="keep" type="search"></label> '
            '<span id="kept" aria-live="polite"></span></p>'
            f'<div class="wide"><table id="all"><thead><tr>{head}</tr></thead>'
            f"<tbody>{rows}</tbody></table></div>"
        )


def _cells(row: Row) -> str:
    low = row.get("peak_low_pct")
    share = row.get("visible_share")
    peak = row.get("peak_pct")
    family = row.get("family_title") or ""
    if family:
        family += f", {100 * row['family_weight']:.0f} %"
    colour = "open" if row.get("colour_open") else row.get("colour_word") or ""
    unread = "refused" if row.get("refused") else "open" if _smoke_is_open(row) else "none"
    cells = (
        (unread if peak is None else bounds(row), peak),
        ("" if low is None else f"{low:.0f}", low),
        ("" if share is None else f"{100 * share:.0f}", share),
        (colour, None),
        (family, None),
        (", ".join((row.get("doubts") or "").split()).replace("_", " "), None),
    )
    rest = "".join(
        f'<td data-n="{number:.3f}">{escape(text)}</td>' if number is not None
        else f"<td>{escape(text)}</td>"
        for text, number in cells
    )  # fmt: skip
    stop = " <strong>STOP</strong>" if row.get("stop_signs") else ""
    return (
        f'<tr><th scope="row" title="{escape(row["url"])}">{escape(row["clip"])}{stop}'
        f"<small>{escape(_folder(row['url']))}</small></th>"
        f"{rest}</tr>"
    )


def _smoke_is_open(row: Row) -> bool:
    return SMOKE_OPEN.name in (row.get("doubts") or "").split()


def _kept_together(text: str) -> str:
    """Words whose numbers stay on one line with their unit and interval."""
    return re.sub(r" (?=%)|(?<=%) (?=\()|(?<=[0-9]) (?=to [0-9])|(?<=[0-9] to) (?=[0-9])", "&nbsp;",
                  escape(text))  # fmt: skip


def _breaking(url: str) -> str:
    """Url that may break after a folder rather than inside a name."""
    return escape(url).replace("/", "/<wbr>")


def _folder(url: str) -> str:
    """Folder or archive that holds a clip: what tells two clips of one name apart."""
    inside, _, archive = url.partition("::")
    return PurePosixPath(archive).name or PurePosixPath(inside).parent.name


def _many(count: int) -> str:
    return "1 clip" if count == 1 else f"{count} clips"


def _names(clips: list[str]) -> str:
    shown = ", ".join(escape(name) for name in clips[:MOST_LISTED])
    more = len(clips) - MOST_LISTED
    return shown + (f" and {more} more, in clips.parquet" if more > 0 else "")
