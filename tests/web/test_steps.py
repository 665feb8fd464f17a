"""Every step of the page without a browser: what is shown, what a tap does, what is refused."""

import html
import re
import shutil
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import pytest

from smokecase import languages
from smokecase.apart.looks import Looks
from smokecase.assembled import Templates
from smokecase.case.store import open_cases
from smokecase.casework import add_answer
from smokecase.report.course import weigh_case
from smokecase.web.desk import close_all
from smokecase.web.shop import open_shop
from smokecase.web.show import answer_tap
from smokecase.web.sitting import Sitting

WHO = {"author": "Ina", "time": datetime(2031, 11, 3, 8, 5, tzinfo=UTC)}


@pytest.fixture(scope="module")
def sitting(tmp_path_factory):
    folder = tmp_path_factory.mktemp("steps")
    with open_shop(folder / "cases", beside=folder) as shop:
        yield Sitting(shop, "en")
        close_all()


def tap(sitting, **told):
    """Tap; returns the page, with its address taken apart."""
    page = answer_tap(sitting, told)
    address = html.unescape(re.search(r'data-address="([^"]*)"', page).group(1))
    return page, dict(part.split("=") for part in address.lstrip("?").split("&") if part)


def words(page):
    """What can be read of a page, in one line."""
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page)).split())


@pytest.fixture(scope="module")
def measured(sitting, clips):
    """A case with one measured clip, by the taps of a visitor."""
    path = sitting.shop.uploads / "one" / "start.mp4"
    path.parent.mkdir()
    shutil.copy(clips.start, path)
    _, at = tap(sitting, do="bring", files=[str(path)], called="Press engine")
    _, at = tap(sitting, do="measure", **at)
    job = sitting.desk.find(("measure", at["case"], int(at["clip"])))
    while job.is_open:
        job.stop.wait(0.05)
    return at


def case_of(sitting, at):
    with open_cases(sitting.shop.cases) as store:
        return store.read_case(at["case"])


def test_a_file_that_kills_its_decoder_leaves_the_page_alive(sitting, clips, monkeypatch):
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parents[1]))
    looks = Looks("apart_tasks:look")
    monkeypatch.setattr(sitting.desk, "looks", looks)
    sent = [sitting.shop.uploads / "odd" / name for name in ("kills.mp4", "good.mp4")]
    sent[0].parent.mkdir()
    for path in sent:
        shutil.copy(clips.tiny, path)
    try:
        page, at = tap(sitting, do="bring", files=[str(path) for path in sent])
    finally:
        looks.close()

    assert "kills.mp4: the decoder broke down on it (signal 11, SIGSEGV)" in words(page)
    assert "convert it to H.264" in words(page)
    assert [e.body["name"] for e in case_of(sitting, at).of_kind("brought")] == ["good.mp4"]
    assert at["step"] == "mark"


def test_the_first_page_offers_clip_words_and_example(sitting):
    page, at = tap(sitting, do="go")

    assert at == {}
    for part in ("file-choose", "file-film", "go-start", "go-example", "film-guide"):
        assert f'id="{part}"' in page
    assert "Exhaust gas is poisonous" in page


def test_a_file_that_did_not_come_through_the_browser_is_refused(sitting, tmp_path):
    stolen = tmp_path / "elsewhere.mp4"
    stolen.write_bytes(b"0" * 100)

    page, at = tap(sitting, do="bring", files=[str(stolen)])

    assert at == {}
    assert "this file did not come from the browser" in words(page)


def test_rubbish_is_said_in_one_sentence_and_opens_no_case(sitting):
    path = sitting.shop.uploads / "rubbish.mp4"
    path.write_bytes(b"rubbish" * 100)
    with open_cases(sitting.shop.cases) as store:
        before = len(store.list_cases())

    page, _ = tap(sitting, do="bring", files=[str(path)])

    assert 'role="alert"' in page
    assert "rubbish.mp4: this is no clip or picture that can be read" in words(page)
    with open_cases(sitting.shop.cases) as store:
        assert len(store.list_cases()) == before


def test_a_brought_clip_is_kept_under_its_name_and_goes_on_to_the_smoke(sitting, measured, clips):
    case = case_of(sitting, measured)
    (entry,) = case.of_kind("clip")

    assert case.name == "Press engine"
    assert entry.body["name"] == "start.mp4"
    assert entry.author == "at the page"
    with open_cases(sitting.shop.cases) as store:
        kept = store.find_file("clips", entry.body["sha256"])
        assert kept.read_bytes() == clips.start.read_bytes()
    page, at = tap(sitting, do="poll", **measured)  # still at the step of the pipe
    assert at["step"] == "look"
    assert "of the light is blocked at the densest moment" in words(page)
    assert 'id="film"' in page
    assert 'id="time"' in page


def test_the_reading_on_the_page_is_that_of_the_case(sitting, measured):
    examination = next(iter(case_of(sitting, measured).examinations.values()))
    from smokecase.report.story import tell_peak

    value, _, bounds = tell_peak(examination).partition(" (")
    low, high = bounds.rstrip(")").split(" to ")
    page, _ = tap(sitting, do="go", case=measured["case"], step="look")

    assert f"<strong>{value}</strong>" in page
    assert f"95 times in 100 between {low} and {high} %" in words(page)


def test_the_weights_on_the_page_are_those_of_the_case(sitting, measured):
    page, _ = tap(sitting, do="go", case=measured["case"], step="weigh")
    best = weigh_case(case_of(sitting, measured)).diagnosis.families[0]

    shown = words(page)
    assert best.title[1:] in shown
    assert f"{100 * best.weight:.0f} % ({100 * best.low:.0f} – {100 * best.high:.0f} %)" in shown  # noqa: RUF001


def test_an_answer_is_entered_and_the_next_question_comes(sitting):
    page, at = tap(sitting, do="start", called="Words alone", by="Odo")
    assert at["step"] == "tell"
    assert 'data-question="fuel"' in page

    page, at = tap(sitting, do="answer", question="fuel", state="diesel", by="Odo", **at)

    (entry,) = case_of(sitting, at).of_kind("answer")
    assert (entry.body["answer"], entry.author) == ("diesel", "Odo")
    assert '<section class="card ask" id="ask" data-question="installation">' in page
    page, at = tap(sitting, do="answer", question="installation", state="dont_know", **at)
    assert 'data-question="installation">' not in page.split('id="told"')[0]


def test_an_answer_that_cannot_be_is_one_sentence_and_enters_nothing(sitting):
    _, at = tap(sitting, do="start", called="Slips")

    page, _ = tap(sitting, do="answer", question="smell", state="<b>roses</b>", **at)

    assert "&lt;b&gt;roses&lt;/b&gt;" in page
    assert "<b>roses" not in page
    assert list(case_of(sitting, at).of_kind("answer")) == []


def test_a_stop_sign_stands_above_everything_else(sitting):
    _, at = tap(sitting, do="start", called="Leak")
    for question, state in (("fuel", "diesel"), ("coolant_loss", "fast")):
        tap(sitting, do="answer", question=question, state=state, **at)

    page, _ = tap(sitting, do="go", case=at["case"], step="weigh")

    assert 'id="stops" role="alert"' in page
    assert page.index('id="stops"') < page.index('id="causes"')


def test_what_if_shows_another_weight_and_enters_nothing(sitting):
    _, at = tap(sitting, do="start", called="What if")
    tap(sitting, do="answer", question="fuel", state="diesel", **at)
    tap(sitting, do="answer", question="smell", state="fuel", **at)
    before = len(case_of(sitting, at).entries)

    page, tried = tap(sitting, do="try", question="smell", state="sweet", case=at["case"],
                      step="weigh")  # fmt: skip

    assert (tried["about"], tried["trial"]) == ("smell", "sweet")
    assert "Trying: What does it smell of? Sweet. Nothing is entered yet." in words(page)
    assert page.count('class="then"') >= 3
    assert len(case_of(sitting, at).entries) == before
    page, _ = tap(sitting, do="answer", question="smell", state="sweet", back="weigh", **tried)
    assert case_of(sitting, at).answers["smell"] == "sweet"


def test_a_result_with_the_wrong_unit_is_told_and_not_entered(sitting):
    _, at = tap(sitting, do="start", called="Units")
    tap(sitting, do="answer", question="fuel", state="diesel", **at)

    page, _ = tap(sitting, do="result", check="compression", amount="280", unit="bar", **at)
    assert "check the unit" in words(page)
    assert case_of(sitting, at).results == {}

    page, _ = tap(sitting, do="result", check="compression", amount="28 27 19 28", unit="bar", **at)
    assert case_of(sitting, at).results == {"compression": "28 27 19 28 bar"}


def test_a_check_shows_its_caution_before_its_fields(sitting):
    _, at = tap(sitting, do="start", called="Caution")

    page, _ = tap(sitting, do="go", case=at["case"], step="check", about="compression")

    assert page.index('class="care"') < page.index('id="amount"')


def test_undoing_keeps_the_entry_readable(sitting):
    _, at = tap(sitting, do="start", called="Undo")
    tap(sitting, do="answer", question="smell", state="fuel", **at)

    page, _ = tap(sitting, do="undo", number="2", case=at["case"], step="case")

    assert case_of(sitting, at).answers == {}
    assert "no longer holds" in words(page)
    assert "fuel, it bites the eyes" in words(page)


def test_a_note_and_a_repair_stand_in_the_story(sitting):
    _, at = tap(sitting, do="start", called="Notes")

    tap(sitting, do="note", note="starts badly", **at)
    page, _ = tap(sitting, do="repair", repair="new glow plug", case=at["case"], step="case")

    assert [e.kind for e in case_of(sitting, at).in_force()] == ["opened", "note", "repair"]
    assert "new glow plug" in words(page)
    page, _ = tap(sitting, do="note", note="  ", case=at["case"], step="case")
    assert "nothing is written yet" in words(page)


def test_how_a_clip_was_filmed_is_kept_and_wrong_units_are_told(sitting, measured):
    (clip,) = case_of(sitting, measured).of_kind("clip")
    told = {"do": "circumstances", "clip": str(clip.number), "case": measured["case"],
            "step": "look", "load": "cold start", "ambient_degc": "7,5"}  # fmt: skip

    page, _ = tap(sitting, **told)
    (now,) = case_of(sitting, measured).of_kind("clip")
    assert (now.circumstances.load, now.circumstances.ambient_degc) == ("cold start", 7.5)

    page, _ = tap(sitting, **{**told, "clip": str(now.number), "ambient_degc": "300"})
    assert "300 °C lies outside -60 to 60 °C" in words(page)


def test_nobody_stops_the_work_of_another_case(sitting):
    _, at = tap(sitting, do="start", called="Mine")
    other = sitting.desk.submit(
        ("measure", "f" * 32, 2), lambda tell: [tell(0.1, "on") for _ in range(3)], lane="measure",
        words="measuring",
    )  # fmt: skip

    tap(sitting, do="stop", job=f"measure/{'f' * 32}/2", **at)

    while other.is_open:
        other.stop.wait(0.01)
    assert other.state == "done"


def test_the_backdrop_is_drawn_and_can_be_taken(sitting):
    _, at = tap(sitting, do="start", called="Sheet")
    tap(sitting, do="backdrop", paper="A4", sheets="1", distance_m="2", **at)
    job = sitting.desk.find(("backdrop", at["case"]))
    while job.is_open:
        job.stop.wait(0.02)

    page, _ = tap(sitting, do="go", case=at["case"], step="report")

    folder, name = re.search(r'href="/out/([^/]+)/(backdrop\.pdf)"', page).groups()
    assert (sitting.shop.out / folder / name).read_bytes().startswith(b"%PDF")
    page, _ = tap(sitting, do="backdrop", paper="A9", sheets="1", distance_m="2", **at)
    assert "cannot be drawn" in words(page)


def test_a_case_that_is_not_there_leads_home_with_a_sentence(sitting):
    page, at = tap(sitting, do="go", case="e" * 32, step="weigh")

    assert at == {}
    assert "there is no case of this name" in words(page)


def test_two_visitors_see_only_the_case_they_opened(sitting):
    _, mine = tap(sitting, do="start", called="Mine alone")
    tap(sitting, do="note", note="secret of the first", **mine)
    _, theirs = tap(sitting, do="start", called="Theirs")

    for step in ("bring", "look", "tell", "weigh", "check", "compare", "case", "report"):
        page, _ = tap(sitting, do="go", case=theirs["case"], step=step)
        assert "secret of the first" not in page
        assert mine["case"] not in page


def test_the_other_language_is_set_throughout(sitting):
    german = Sitting(sitting.shop, "de")

    page, _ = tap(german, do="go")

    assert 'lang="de"' in page
    assert 'href="/en/"' in page.replace("?", "")
    assert "An engine smokes?" not in page


def test_names_of_files_and_cases_are_shown_not_obeyed(sitting):
    page, at = tap(sitting, do="start", called="<script>alert(1)</script>")
    assert "<script>" not in page

    with open_cases(sitting.shop.cases) as store:
        add_answer(store, store.read_case(at["case"]), "smell", "fuel", **WHO)
    page, _ = tap(sitting, do="go", case=at["case"], step="case")
    assert "<script>" not in page


def test_elsewhere_only_the_cases_that_the_browser_knows_are_listed(sitting, measured):
    mine, yours = (tap(sitting, do="start", called=name)[1]["case"] for name in ("Mine", "Yours"))

    def listed(**told):
        page = answer_tap(sitting, {"do": "go", **told}, here=False)
        return set(re.findall(r'class="case" data-do="go" data-case="(\w+)"', page))

    assert listed() == set()
    assert listed(mine=[mine, "not a number"]) == {mine}
    assert listed(do="find", words="Yours", mine=[mine]) == set()
    assert listed(do="find", words="Yours", mine=[mine, yours]) == {yours}
    # at the machine itself, whoever sits there sees all
    page, _ = tap(sitting, do="go")
    assert page.count('class="case" data-do="go"') >= 3


def test_a_tap_that_is_asked_again_is_done_once(sitting, measured):
    told = {"do": "note", "note": "loud at idle", "ask": "once-1", **measured}

    first, again = answer_tap(sitting, told), answer_tap(sitting, told)

    assert first == again
    assert 'data-ask="once-1"' in first
    notes = [e for e in case_of(sitting, measured).of_kind("note") if "loud" in e.body["text"]]
    assert len(notes) == 1


def test_the_page_in_german_leaves_nothing_in_english(sitting, measured, monkeypatch):
    """Every text that is said has words, those put together from parts included."""
    unknown = []
    german = languages._templates("de")

    def spy(english):
        said = Templates.say(german, english)
        if said is None and re.search(r"[a-z]{3} ", english):
            unknown.append(english)
        return said

    listening = SimpleNamespace(say=spy)
    monkeypatch.setattr(languages, "_templates", lambda language: listening)
    languages._said.cache_clear()
    for step in ("bring", "mark", "look", "tell", "weigh", "check", "compare", "case", "report"):
        answer_tap(
            Sitting(sitting.shop, "de"), {"do": "go", "case": measured["case"], "step": step}
        )
    languages._said.cache_clear()

    assert unknown == []
