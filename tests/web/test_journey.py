"""The whole way in a browser: from a phone's clip to causes, checks, comparison and report."""

import re
import zipfile

import pytest

from page_clips import BUNDLED, another_copy
from page_rig import PHONE, axe_faults, until
from smokecase.case.package import verify_package
from smokecase.case.store import open_cases

PERCENT = re.compile(r"\d+ % \((?:0|\d+) to \d+\)|\d+ %")


def faults(visitor):
    """What the accessibility check finds serious at the step that is shown."""
    return [f"{visitor.step}: {fault}" for fault in axe_faults(visitor.tab)]


def case_of(page, visitor):
    """The case that the visitor's address names, as it stands on the disk."""
    case_id = re.search(r"case=([0-9a-f]{32})", visitor.tab.url).group(1)
    with open_cases(page.cases) as store:
        return store.read_case(case_id)


def held(page, visitor, kind):
    """Entries of a kind that hold in the visitor's case."""
    return list(case_of(page, visitor).of_kind(kind))


def answer(visitor, **told):
    """Answer questions by opening each from the address; not counted as taps."""
    for question, state in told.items():
        case = re.search(r"case=([0-9a-f]{32})", visitor.tab.url).group(1)
        visitor.open(f"en/?case={case}&step=tell&about={question}")
        visitor.tap(f'#ask [data-question="{question}"][data-state="{state}"]', count=False)


def test_a_first_time_user_comes_to_weighted_causes_in_eight_taps(page, visitors, clips):
    visitor = visitors(size=PHONE).open()
    wrong = faults(visitor)

    visitor.bring(clips.start)  # two taps: the button, and the clip in the phone's list
    assert visitor.step == "mark"
    wrong += faults(visitor)
    visitor.tap("#go-measure")
    visitor.wait_for_step("look")  # goes on by itself
    wrong += faults(visitor)
    assert "of the light is blocked at the densest moment" in visitor.text()
    visitor.tap("#go-next")
    assert visitor.step == "tell"
    wrong += faults(visitor)
    asked = visitor.tab.get_attribute("#ask", "data-question")
    visitor.tap("#go-dont-know", count=False)  # answering is not counted
    assert visitor.tab.get_attribute("#ask", "data-question") != asked
    visitor.tap("#go-weigh")
    assert visitor.step == "weigh"
    wrong += faults(visitor)

    assert PERCENT.search(visitor.text("#causes"))
    assert visitor.taps <= 8
    assert wrong == []
    assert visitor.complaints == []


def test_the_whole_journey_on_a_desktop(page, visitors, clips, tmp_path):
    visitor = visitors(dark=True).open()
    wrong = faults(visitor)

    # bring and measure, with the end of the pipe shown by hand
    visitor.bring(clips.start)
    picture = visitor.tab.locator(".marking .picture").bounding_box()
    visitor.tab.mouse.click(picture["x"] + 0.53 * picture["width"],
                            picture["y"] + 0.55 * picture["height"])  # fmt: skip
    wrong += faults(visitor)
    visitor.tap("#go-measure")
    visitor.wait_for_step("look")
    case = case_of(page, visitor)
    x, _ = case.examinations[next(case.of_kind("clip")).number].exit_px
    assert x == pytest.approx(0.53 * 480, abs=3)  # pixels; where it was tapped

    # a point on the timeline shows its picture
    visitor.tab.wait_for_function("document.querySelector('#film').readyState >= 2")
    visitor.tab.locator("#time").fill("4")
    visitor.tab.wait_for_function("Math.abs(document.querySelector('#film').currentTime - 4) < .05")
    assert visitor.text("#now").startswith("4.0 s")
    wrong += faults(visitor)

    # tell, weigh, try another answer
    answer(visitor, fuel="diesel", coolant_loss="fast")
    visitor.go("weigh")
    wrong += faults(visitor)
    assert "Do not drive until the leak is found." in visitor.text("#stops")
    told = visitor.text("#causes")
    assert PERCENT.search(told)

    # a check result with its unit
    visitor.go("check")
    visitor.tab.select_option("#check-any", "compression")
    visitor.wait_for("#amount")
    wrong += faults(visitor)
    visitor.tab.fill("#amount", "28 27 19 28")
    visitor.tab.select_option("#unit", "bar")
    visitor.tap("#go-result")
    assert case_of(page, visitor).results["compression"] == "28 27 19 28 bar"

    # a second clip beside the first
    visitor.go("bring")
    visitor.bring(clips.sister)
    visitor.tap("#go-measure")
    visitor.wait_for_step("look")
    visitor.go("compare")
    visitor.wait_for("#verdict")
    wrong += faults(visitor)
    assert re.search(r"\d", visitor.text("#verdict"))

    # the story, and what can be taken away
    visitor.go("case")
    wrong += faults(visitor)
    visitor.go("report")
    visitor.tap("#go-report")
    visitor.wait_for("#report-ready")
    wrong += faults(visitor)
    pdf = visitor.download('#report-ready a[href$="report.pdf"]', tmp_path)
    assert pdf.read_bytes().startswith(b"%PDF-")
    html = visitor.download('#report-ready a[download][href$="report.html"]', tmp_path)
    assert "screening" in html.read_text(encoding="utf-8")
    visitor.tap("#go-package")
    visitor.wait_for('a[href$="package.zip"]')
    package = visitor.download('a[href$="package.zip"]', tmp_path)
    assert zipfile.is_zipfile(package)
    with zipfile.ZipFile(package) as packed:
        packed.extractall(tmp_path)
    (inside,) = (path.parent for path in tmp_path.rglob("bagit.txt"))
    assert verify_package(inside).faults == ()

    assert wrong == []
    assert visitor.complaints == []

    # nobody but this machine was asked, by browser or server
    asked = {a.split("/")[2] for a in visitor.asked if not a.startswith(("data:", "blob:"))}
    assert asked == {f"127.0.0.1:{page.port}"}
    written = page.lines_of_log()
    assert {line["from"] for line in written if line["what"] == "request"} == {"127.0.0.1"}
    assert [
        line for line in written if line["what"] == "outgoing" and not line["let_through"]
    ] == []
    assert {line["host"] for line in written if line["what"] == "outgoing"} <= {"127.0.0.1"}


def test_measuring_can_be_stopped_and_begun_again(page, visitors):
    visitor = visitors().open()
    visitor.bring(BUNDLED)
    visitor.tap("#go-measure")
    visitor.wait_for("#progress")
    assert faults(visitor) == []

    visitor.tap("#go-cancel")
    visitor.wait_for("#go-measure")

    assert "Stopped. Nothing half-measured was kept." in visitor.text()
    assert held(page, visitor, "clip") == []
    assert len(held(page, visitor, "brought")) == 1


def test_what_was_opened_and_stood_on_stays_while_progress_comes_in(page, visitors):
    visitor = visitors(size=PHONE).open()
    visitor.bring(BUNDLED)
    visitor.tap("#go-measure")
    visitor.wait_for("#progress")

    visitor.tab.click("#go-steps")
    for _ in range(3):
        visitor.tab.wait_for_function(
            "share => document.querySelector('#progress').getAttribute('aria-valuenow') !== share",
            arg=visitor.tab.get_attribute("#progress", "aria-valuenow"),
        )

    assert visitor.tab.get_attribute("#go-steps", "aria-expanded") == "true"
    assert visitor.tab.evaluate("document.activeElement.id") == "go-steps"
    visitor.tap("#go-cancel")
    visitor.wait_for("#go-measure")


def test_a_reload_while_measuring_changes_nothing(page, visitors, clips):
    visitor = visitors(size=PHONE).open()
    visitor.bring(clips.start)
    visitor.tap("#go-measure")
    visitor.wait_for("#progress")

    visitor.tab.reload()
    visitor.wait_for_step("look")

    assert len(held(page, visitor, "clip")) == 1
    answer(visitor, fuel="petrol")
    visitor.tab.reload()
    visitor.wait_for("#stage")
    assert case_of(page, visitor).answers["fuel"] == "petrol"


def test_a_case_goes_on_after_the_server_died(page, visitors, clips):
    visitor = visitors().open()
    visitor.bring(clips.tiny)
    visitor.tap("#go-measure")
    visitor.wait_for_step("look")
    answer(visitor, fuel="diesel")
    before = [e.fingerprint for e in case_of(page, visitor).entries]

    page.kill()
    page.start()
    visitor.tab.reload()
    visitor.wait_for("#stage")

    assert [e.fingerprint for e in case_of(page, visitor).entries] == before
    answer(visitor, installation="tractor")
    visitor.go("look")
    visitor.tab.wait_for_function("document.querySelector('#film').readyState >= 2")
    assert case_of(page, visitor).answers == {"fuel": "diesel", "installation": "tractor"}


def test_a_clip_that_browsers_cannot_play_is_shown_as_a_copy_and_kept_as_it_is(
    page, visitors, clips
):
    visitor = visitors().open()
    visitor.bring(clips.hevc)
    visitor.tap("#go-measure")
    visitor.wait_for_step("look")
    visitor.tab.wait_for_function("document.querySelector('#film')?.readyState >= 2")

    assert visitor.tab.evaluate("document.querySelector('#film').videoWidth") == 320
    sha256 = held(page, visitor, "clip")[0].body["sha256"]
    with open_cases(page.cases) as store:
        assert store.read_file("clips", sha256) == clips.hevc.read_bytes()


def test_ten_clips_at_once_wait_in_line_and_all_finish(page, visitors, clips, tmp_path):
    ten = [another_copy(clips.tiny, tmp_path / f"clip{n}.mp4", n) for n in range(10)]
    visitor = visitors().open()

    visitor.bring(*ten)
    assert visitor.step == "bring"
    assert len(held(page, visitor, "brought")) == 10
    visitor.tap("#go-measure-all")

    until(lambda: len(held(page, visitor, "clip")) == 10, words="ten measured clips")
    visitor.tab.reload()
    visitor.wait_for(".clips")
    assert visitor.tab.locator(".clips .clip").count() == 10
    assert faults(visitor) == []


def test_a_page_that_is_not_left_after_all_goes_on_working(page, visitors):
    visitor = visitors().open()
    # a browser announces leaving for downloads too, here while an answer is under way
    visitor.tab.evaluate("""async () => {
        document.querySelector("#go-start").click();
        for (let i = 0; i < 20; i++) {
            window.dispatchEvent(new Event("beforeunload"));
            await new Promise((on) => setTimeout(on, 15));
        }
    }""")
    visitor.wait_for_step("tell")
    visitor.tap("#go-dont-know")
    assert visitor.complaints == []


def test_two_people_work_side_by_side_each_in_a_case_of_their_own(page, visitors, clips, tmp_path):
    first, second = visitors().open(), visitors(size=PHONE).open()
    first.bring(another_copy(clips.tiny, tmp_path / "mine.mp4", 101))
    second.bring(another_copy(clips.tiny, tmp_path / "yours.mp4", 102))
    answer(first, fuel="diesel")
    answer(second, fuel="petrol")

    assert case_of(page, first).id != case_of(page, second).id
    assert case_of(page, first).answers == {"fuel": "diesel"}
    assert case_of(page, second).answers == {"fuel": "petrol"}


def tab_to(visitor, what):
    """Press Tab until this has the focus; fails where it cannot be reached so."""
    keyboard = visitor.tab.keyboard
    for _ in range(90):
        if visitor.tab.evaluate("w => document.activeElement.matches(w)", what):
            return
        keyboard.press("Tab")
    pytest.fail(f"{what} cannot be reached with the Tab key")


def press(visitor, what, key="Enter"):
    """Go to a button with Tab, press it, and wait for the answer."""
    before = visitor.turn
    tab_to(visitor, what)
    visitor.tab.keyboard.press(key)
    visitor.after(before)


def test_the_whole_way_to_a_check_goes_by_keyboard_alone(page, visitors, clips):
    visitor = visitors().open()
    keyboard = visitor.tab.keyboard
    tab_to(visitor, "#file-choose")  # the system's own list of files opens from here
    visitor.bring(clips.tiny)

    # the ring on the end of the pipe: arrows move it, plus and minus size it
    tab_to(visitor, ".marking .picture")
    for key in ("ArrowRight", "ArrowDown", "+"):
        keyboard.press(key)
    press(visitor, "#go-measure")
    visitor.wait_for_step("look")

    # a point on the timeline
    tab_to(visitor, "#time")
    begun = visitor.text("#now")
    keyboard.press("ArrowRight")
    keyboard.press("End")
    assert visitor.text("#now") != begun

    # questions, causes, what-if, and the check that is worth most
    press(visitor, "#go-next")
    asked = visitor.tab.get_attribute("#ask", "data-question")
    press(visitor, "#ask .choices button", key="Space")
    assert visitor.tab.get_attribute("#ask", "data-question") != asked
    press(visitor, "#go-weigh")
    tab_to(visitor, "#what-if summary")
    keyboard.press("Enter")
    press(visitor, "#what-if details[open] button")
    assert visitor.tab.is_visible(".trying")
    press(visitor, "#go-trial-leave")
    press(visitor, "#go-check")
    assert visitor.step == "check"


def test_the_page_speaks_the_browsers_language_and_can_be_switched(page, visitors):
    visitor = visitors(language="de-DE").open()

    assert "/de/" in visitor.tab.url
    assert visitor.tab.inner_text("h1") == "Ein Motor raucht?"
    assert visitor.tab.get_attribute("#sheet", "lang") == "de"
    visitor.tab.click(".tongue")
    visitor.wait_for("h1:has-text('An engine smokes?')")
    assert faults(visitor) == []


def test_the_example_can_be_clicked_through(page, visitors):
    visitor = visitors(size=PHONE).open()
    visitor.tap("#go-example")
    visitor.wait_for(".clips")

    for step in ("look", "weigh", "compare", "case"):
        visitor.go(step)
        assert visitor.step == step
        assert "cannot be shown" not in visitor.text()
    assert faults(visitor) == []
