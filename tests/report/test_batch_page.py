"""The page over many clips: its order, its reasons, and that no clip's name can run in it."""

import base64
import hashlib
import re
from html.parser import HTMLParser

import pytest

from benchmarks.batch_page import invented_rows
from smokecase.readings import SCREENING
from smokecase.report.batch_page import BatchPage
from smokecase.report.batch_row import bounds, reasons, urgency

HOSTILE = '"><img src=x onerror=alert(1)><script>alert(2)</script>&#x27;\u202e\0`$(reboot)`'


def a_row(**changes):
    return {
        "clip": "start.mp4", "url": "/yard/start.mp4", "key": "k", "state": "done", "notes": None,
        "peak_pct": 62.0, "peak_low_pct": 54.0, "peak_high_pct": 70.0, "refused": None,
        "visible_share": 0.8, "longest_visible_s": 41.0, "black": 0.9, "blue": 0.05, "white": 0.05,
        "colour_open": False, "colour_word": "black", "weak_cylinder": 0.7, "hunting": 0.1,
        "doubts": "no_sound", "family_title": "burnt oil", "family_weight": 0.55,
        "family_low": 0.4, "family_high": 0.68, "stop_signs": "",
    } | changes  # fmt: skip


def page_of(*rows):
    page = BatchPage(picture_of=lambda key: None)
    for row in rows:
        page.add(row)
    return page.to_html()


class Tags(HTMLParser):
    """Every element with its attributes."""

    def __init__(self, text):
        super().__init__()
        self.found = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))


def test_the_reasons_are_told_in_words_with_their_intervals():
    assert reasons(a_row(stop_signs="Do not crank it.")) == [
        "STOP: Do not crank it.",
        "blocks 62 % (54 to 70) of the light at its densest, black",
        "smoke is seen 80 % of the time, at the longest 41 s without a break",
        "by its sound one cylinder is weak (weight 70 %)",
        "burnt oil leads with 55 % (40 to 68)",
    ]


def test_an_open_bound_is_told_as_open():
    assert bounds(a_row(peak_low_pct=None)) == "62 % (open to 70)"


def test_stop_signs_come_first_then_what_is_surely_blocked():
    sure, wide = a_row(clip="sure"), a_row(clip="wide", peak_pct=80.0, peak_low_pct=20.0)
    unread = a_row(clip="unread", peak_pct=None, peak_low_pct=None, refused="too even")
    stopped = a_row(clip="stopped", peak_low_pct=1.0, stop_signs="Do not crank it.")
    clear = a_row(clip="clear", peak_pct=None, peak_low_pct=None, visible_share=0.0)

    ranked = sorted([wide, clear, unread, stopped, sure], key=urgency, reverse=True)

    assert [r["clip"] for r in ranked] == ["stopped", "sure", "wide", "unread", "clear"]


def test_names_of_clips_never_become_markup():
    fields = ("clip", "url", "notes", "refused", "colour_word", "doubts", "family_title",
              "stop_signs")  # fmt: skip
    plain = Tags(page_of(a_row(), a_row(state="set_aside", reason="clip: no"))).found
    text = page_of(
        a_row(**dict.fromkeys(fields, HOSTILE)),
        a_row(state="set_aside", clip=HOSTILE, reason=f"{HOSTILE}: {HOSTILE}"),
    )

    assert not re.search("[\u202e\0]", text)
    found = Tags(text).found
    kinds = {tag for tag, _ in plain} | {"details", "summary", "strong"}
    assert {tag for tag, _ in found} <= kinds
    assert not [name for _, attrs in found for name in attrs if name.startswith("on")]
    assert sum(tag == "script" for tag, _ in found) == 1


def test_only_its_own_script_may_run_and_nothing_is_loaded():
    text = page_of(a_row())
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', text).group(1)
    script = re.search(r"<script>(.*?)</script>", text, re.S).group(1)

    sha = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert "default-src 'none'" in policy
    assert f"script-src 'sha256-{sha}'" in policy
    assert not re.search(r"(src|href)=\"(?!data:)", text)
    assert SCREENING in text


def test_thousands_of_clips_make_one_page_with_one_line_each():
    rows = list(invented_rows(5000))

    text = page_of(*rows)

    done = [row for row in rows if row["state"] == "done"]
    assert text.count('<tr><th scope="row"') == len(done)
    assert len(re.findall('<li class="card( halt)?">', text)) == 24
    assert f"{len(rows) - len(done)} were set aside" in text
    first = re.search(r"<h3>1\. (\S+)</h3>", text).group(1)
    assert first == max(done, key=urgency)["clip"]


@pytest.mark.parametrize("count", [0, 1])
def test_a_page_of_few_clips_is_whole(count):
    text = page_of(*[a_row()] * count)

    assert f"{'1 clip' if count else '0 clips'}: which to look at first" in text
    assert text.endswith("</html>\n")


def test_two_clips_of_one_name_are_told_apart_by_folder_or_archive():
    text = page_of(
        a_row(url="/yard/first/start.mp4"), a_row(url="zip://a/start.mp4::/old/spring.zip")
    )

    assert "start.mp4<small>first</small>" in text
    assert "start.mp4<small>spring.zip</small>" in text


def test_a_number_stays_on_one_line_with_its_unit_and_interval_and_doubts_are_listed():
    text = page_of(a_row(doubts="exit_uncertain no_sound", stop_signs="Do not crank it."))

    assert "blocks 62&nbsp;%&nbsp;(54&nbsp;to&nbsp;70) of the light" in text
    assert "<td>exit uncertain, no sound</td>" in text
    assert 'class="card halt"' in text
    assert 'aria-label="clips by opacity: 60 to 65 %: 1"' in text


def test_where_smoke_stays_open_the_clip_is_not_counted_as_clear():
    page = page_of(
        a_row(clip="clear.mp4", peak_pct=None, visible_share=0.0),
        a_row(clip="open.mp4", peak_pct=None, visible_share=None, colour_open=True,
              doubts="smoke_open veil_like_plate"),
    )  # fmt: skip

    assert "1 show no smoke that could be read; 1 leave open if there is smoke" in page
    assert [text in page for text in ("<td>none</td>", "<td>open</td>")] == [True, True]
