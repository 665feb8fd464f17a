"""The report of a case: what the first page says, and that page, PDF and reply hold it all."""

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser

import numpy as np
import pypdfium2
import pytest

from made_examinations import an_examination
from made_traces import make_examination, make_trace
from smokecase.case.record import Circumstances
from smokecase.case.store import open_cases
from smokecase.doubts import SMOKE_OPEN
from smokecase.readings import SCREENING, KeyFrame
from smokecase.report.assemble import compare_pairs, make_report
from smokecase.report.case_report import write_contents
from smokecase.report.contents import Bars, Items, Picture, Table, Text
from smokecase.report.course import follow_case, weighed_facts
from smokecase.report.first_page import Material
from smokecase.report.forum import write_reply
from smokecase.report.inspector import inspect_clip
from smokecase.report.key_pictures import key_pictures_to_json
from smokecase.report.page import to_html
from smokecase.report.standing import tell_standing

NOON = datetime(2031, 11, 3, 12, tzinfo=UTC)
TIME_S = np.arange(0, 24, 1 / 25)


def puff(top):
    after = TIME_S - 3.0
    return np.where(after > 0, top * np.exp(-after / 6.0), 0.0)


def key_pictures():
    grey, smoke = np.full((180, 320, 3), (120, 90, 60), np.uint8), np.zeros((180, 320), bool)
    smoke[80:100, 100:160] = True
    shown = KeyFrame(time_s=3.0, what="peak", picture=grey, plume=smoke,
                     section_px=(110.0, 80.0, 130.0, 100.0), exit_px=(100.0, 90.0))  # fmt: skip
    return key_pictures_to_json((shown,)).encode()


def add_clip(store, name, top, day, **told):
    black = (0.9, 0.05, 0.05, 0.0) if top > 5 else (0.0, 0.0, 0.0, 1.0)
    examination = make_examination(make_trace(TIME_S, puff(top), colour=black), clip=name,
                                   colour=black)  # fmt: skip
    body = {
        "name": name,
        "sha256": store.put_file("clips", name.encode(), ending="mp4"),
        "readings_sha256": store.put_examination(examination),
        "key_pictures_sha256": store.put_file("pictures", key_pictures(), ending="json"),
        "circumstances": Circumstances(**told).to_json(),
    }
    return store.add("Old mill", "clip", body, author="Ada", time=NOON + timedelta(days=day))


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    cold = {"load": "cold start", "standing_h": 12.0, "coolant_degc": 4.0, "ambient_degc": 3.0}
    with open_cases(tmp_path_factory.mktemp("cases")) as opened:
        opened.open_case("Old mill", engine={"fuel": "diesel"}, author="Ada", time=NOON)
        add_clip(opened, "first.mp4", 60, 0, words="<after> a month", **cold)
        opened.add("Old mill", "answer", {"question": "power", "answer": "down"}, author="Bo",
                   time=NOON + timedelta(days=1))  # fmt: skip
        opened.add("Old mill", "result", {"check": "air_filter_look", "result": "blocked"},
                   author="Ada", time=NOON + timedelta(days=2))  # fmt: skip
        opened.add("Old mill", "repair", {"text": "new air filter"}, author="Ada",
                   time=NOON + timedelta(days=9))  # fmt: skip
        add_clip(opened, "last.mp4", 3, 13, **cold)
        yield opened


@pytest.fixture(scope="module")
def case(store):
    return store.read_case("Old mill")


@pytest.fixture(scope="module")
def made(store, case):
    return make_report(store, case, made=NOON, versions={"smokecase": "0"})


@pytest.fixture(scope="module")
def course(case):
    return follow_case(case)


class Reader(HTMLParser):
    """Collects the words, the tags and what is asked for from elsewhere."""

    def __init__(self, html):
        super().__init__()
        self.words, self.tags, self.loads, self.alts = [], [], [], []
        self.feed(html)
        self.text = " ".join(" ".join(self.words).split())

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        for name, value in attrs:
            if name in ("src", "href"):
                self.loads.append(value)
            if name == "alt":
                self.alts.append(value)

    def handle_data(self, data):
        self.words.append(data)


def pdf_text(data):
    pages = pypdfium2.PdfDocument(data)
    return [" ".join(page.get_textpage().get_text_range().split()) for page in pages]


# -- weights over the entries -------------------------------------------------------------------


# words that stand in nearly every English sentence, and in no German one
ENGLISH = re.compile(
    r"\b(the|of|and|with|is|are|to|for|by|from|that|this|which|it|on|at|told|clip|entry)\b"
)


def texts_of(report):
    """Every text of a report, in order, words for pictures included."""
    yield from (report.title, report.subtitle, report.made, report.note, report.brackets)
    for section in report.sections:
        yield section.title
        for block in section.blocks:
            match block:
                case Text():
                    yield block.text
                case Items():
                    yield from block.lines
                case Table():
                    yield block.caption
                    for row in (block.head, *block.rows):
                        yield from row
                case Picture():
                    yield from (block.caption, block.alt)
                case Bars():
                    yield block.caption
                    yield from (bar.label for bar in block.bars)
    yield report.closing


def test_a_report_in_german_holds_no_english_sentence(store, case, monkeypatch):
    made = []
    monkeypatch.setattr(
        "smokecase.report.assemble.to_html", lambda report: made.append(report) or to_html(report)
    )

    found = make_report(store, case, made=NOON, versions={"smokecase": "1"}, language="de")

    told = [text for text in texts_of(made[0]) if "<after> a month" not in text]
    assert len(told) > 100
    assert [text for text in told if ENGLISH.search(text)] == []
    assert '<html lang="de">' in found.html
    assert "Camera readings" not in found.html
    assert [line for line in found.reply.splitlines() if ENGLISH.search(line)] == []
    pdf = " ".join(
        page.get_textpage().get_text_range() for page in pypdfium2.PdfDocument(found.pdf)
    )
    assert "Rauchbericht: Old mill" in pdf
    assert f"Seite 1 von {len(pypdfium2.PdfDocument(found.pdf))}" in pdf


def test_the_weights_rest_on_what_was_told_before_the_repair(case):
    facts, after_repair = weighed_facts(case)

    assert [e.number for e in facts] == [2, 3, 4]
    assert after_repair


def test_each_fact_moves_the_weights_and_the_last_step_is_the_diagnosis(course):
    assert [s.entry.number if s.entry else None for s in course.steps] == [None, 2, 3, 4]
    weights = [next(f.weight for f in s.families if f.name == "overfuelling") for s in course.steps]
    assert weights == sorted(weights)  # black smoke, less power, a blocked filter: all for it
    assert weights[-1] > weights[0] + 0.3
    assert course.steps[-1].families == course.diagnosis.families


def test_a_clip_after_the_repair_is_compared_with_the_one_before(case):
    [(comparison, entries)] = compare_pairs(case)

    assert entries == (2, 6)
    assert (comparison.first, comparison.second) == ("before", "after")
    assert comparison.verdict == "less"


def test_where_a_case_stands_fits_on_a_screen_and_names_the_units(case, course):
    text = tell_standing(case, course, [c for c, _ in compare_pairs(case)])

    assert all(len(line) <= 80 for line in text.splitlines())
    assert "The weights are those of before the repair." in text
    assert '"after" smokes less than "before"' in text
    assert SCREENING.split(":")[0] in text


# -- the page ------------------------------------------------------------------------------------


def test_the_page_stands_alone(made):
    page = Reader(made.html)

    assert page.loads
    assert all(load.startswith("data:image/") for load in page.loads)
    assert not {"script", "iframe", "link"} & set(page.tags)
    assert "default-src 'none'" in made.html
    assert "url(" not in made.html


def test_the_page_answers_first_and_names_its_limits(made):
    text = Reader(made.html).text

    short = text[text.index("In short") : text.index("Why these causes")]
    assert SCREENING in text[: text.index("In short")]
    assert '"after" smokes less than "before"' in short
    assert "Smoke is first seen" in short
    assert "too much fuel or too little air" in short
    assert "Next step: film it cold once more" in short
    assert "Exhaust gas holds carbon monoxide" in short
    assert "What this cannot tell:" in text


def test_the_page_shows_every_entry_in_plain_words(made):
    text = Reader(made.html).text

    for words in ("case opened: Old mill", "clip first.mp4", "repair: new air filter",
                  "Air filter and intake duct: how do they look?", "clip last.mp4"):  # fmt: skip
        assert words in text
    assert "air_filter_look" not in text


def test_every_picture_has_words_and_no_text_becomes_markup(made):
    page = Reader(made.html)

    assert len(page.alts) == page.tags.count("img") >= 6
    assert all(len(alt) > 20 for alt in page.alts)
    assert "after" not in page.tags  # "<after> a month" stayed text
    assert "<after> a month" in page.text


def test_sentences_name_the_entries_they_rest_on(made):
    assert re.search(r"less.*\[2, 6\]", Reader(made.html).text)


def test_a_damaged_case_says_so_on_its_first_page(case, course):
    broken = replace(case, damage=('case "Old mill": entry 3 was changed.',))

    text = Reader(to_html(write_contents(broken, Material(course=course), made=NOON))).text

    short = text[text.index("In short") : text.index("Why these causes")]
    assert 'Damaged: case "Old mill": entry 3 was changed.' in short
    assert "NOT whole" in text


def test_what_cannot_be_shown_is_named(made):
    # the clips of this test are no clips, so nothing can be laid side by side
    assert "Not shown:" in Reader(made.html).text


# -- PDF and reply ---------------------------------------------------------------------------------


def test_the_pdf_holds_the_same_words_on_pages_with_the_note(made):
    pages = pdf_text(made.pdf)

    assert '"after" smokes less than "before"' in pages[0]
    assert "Next step: film it cold once more" in pages[0]
    assert all(SCREENING in page for page in pages)
    assert pages[0].endswith(f"1 of {len(pages)}")


def test_the_pdf_carries_its_fonts(made):
    pages = pypdfium2.PdfDocument(made.pdf)
    names = set(re.findall(rb"/BaseFont /([\w+-]+)", made.pdf))

    assert len(pages) >= 6
    assert names
    assert all(re.match(rb"[A-Z0-9]{6}\+DejaVuSans", name) for name in names)
    assert made.pdf.count(b"/FontFile2") >= 2


def test_the_same_case_gives_the_same_bytes(store, case, made):
    again = make_report(store, case, made=NOON, versions={"smokecase": "0"})

    assert again.html == made.html
    assert again.pdf == made.pdf


def test_the_reply_is_short_and_has_its_parts(made):
    reply = write_reply([replace(an_examination(), clip="first.mp4")], made.course.diagnosis)

    lines = reply.splitlines()
    assert all(len(line) <= 78 for line in lines)
    assert len(lines) < 60
    for words in ("What first.mp4 shows:", "What it may be", "What cannot be told from it:",
                  "Questions worth asking:", "Careful: exhaust gas is poisonous"):  # fmt: skip
        assert words in reply
    assert [line[:2] for line in lines if re.match(r"\d\.", line)] == ["1.", "2.", "3."]


def test_after_a_repair_the_reply_begins_with_what_it_did(made):
    assert made.reply.startswith('"after" smokes less than "before":')
    assert "What follows is from before the repair." in made.reply.replace("\n", " ")
    assert "What it may have been" in made.reply
    assert "Questions worth asking" not in made.reply


# -- the inspector's record ------------------------------------------------------------------------


def words_of(section):
    parts = []
    for block in section.blocks:
        parts += [getattr(block, "text", ""), *getattr(block, "lines", ())]
        parts += [cell for row in getattr(block, "rows", ()) for cell in row]
    return " | ".join(parts)


def inspected(told, opacity, *, doubts=(), **more):
    trace = make_trace(np.arange(0, len(opacity) / 25, 1 / 25)[: len(opacity)], opacity)
    examination = replace(make_examination(trace), doubts=frozenset(doubts))
    with_told = {"circumstances": Circumstances(**told).to_json(), "name": "c", "sha256": "",
                 "readings_sha256": ""}  # fmt: skip
    from smokecase.case.record import Entry

    entry = Entry(case_id="c", number=2, time_utc="", author="", kind="clip", body=with_told)
    return words_of(inspect_clip(entry, examination, **more))


def test_the_record_reads_every_15_s_and_gives_no_average_of_a_short_clip():
    text = inspected({}, np.full(25 * 40, 22.0), levels_pct=(20.0,))

    assert "0 s | 20 % | 22 % (19 to 25)" in text
    assert "30 s | 20 % |" in text
    assert "it takes 24 readings without a gap (6 minutes), this clip gives 3" in text
    assert "Above 20 % opacity at the pipe: 40 s (0 to 40)." in text  # 19 to 25 % straddles 20 %
    assert "nothing here passes or fails a vehicle" in text


def test_the_record_says_where_its_readings_may_not_be_of_smoke():
    said = "These readings may not be of smoke: the view at the pipe changes"

    assert said in inspected({}, np.full(100, 22.0), doubts={SMOKE_OPEN})
    assert said not in inspected({}, np.full(100, 22.0))


def test_the_record_averages_six_minutes():
    text = inspected({}, np.full(25 * 360, 22.0))

    assert "Averages of 24 readings (6 minutes): 20.0 %" in text


def test_the_record_warns_of_a_sun_ahead():
    told = {"filmed_utc": "2025-10-03T12:00:00-05:00", "latitude_deg": 41.8781,
            "longitude_deg": -87.6298, "view_azimuth_deg": 180.0}  # fmt: skip

    assert "OUTSIDE the published sector" in inspected(told, np.full(100, 5.0))
    assert "Where the sun stood is not computed" in inspected({}, np.full(100, 5.0))


def test_the_record_reads_accelerations_where_they_were_told():
    opacity = np.full(25 * 140, 2.0)
    for n in range(7):
        opacity[25 * (8 + 18 * n) : 25 * (10 + 18 * n)] = 40.0

    text = inspected({"load": "acceleration"}, opacity)

    assert "7 | " in text
    assert "the last 3 lie within 5 % opacity of one another | met" in text
    assert "acceleration" not in inspected({"load": "idle"}, opacity)
