"""Long work in the background: in line, with progress, stopped, failed, and found again."""

import threading

import pytest
from fastapi import FastAPI
from starlette.testclient import TestClient

from smokecase.errors import ClipError
from smokecase.web.desk import Desk, close_all, desk_of
from smokecase.web.own_routes import OwnRoutes
from smokecase.web.shop import open_shop


@pytest.fixture
def desk():
    desk = Desk()
    yield desk
    desk.close()


class Gate:
    """Work that waits until it is let go, and tells its progress."""

    def __init__(self):
        self.began, self.go = threading.Event(), threading.Event()

    def __call__(self, tell):
        self.began.set()
        while not self.go.wait(0.01):
            tell(0.5, "half-way")
        tell(0.6, "going on")
        return "made"


def settle(job):
    """Wait until a job is over."""
    over = threading.Event()
    while job.is_open:
        over.wait(0.01)
    return job.state


def test_work_is_done_and_its_result_kept(desk):
    job = desk.submit(("report", "a"), lambda tell: 42, lane="paper", words="counting")

    assert settle(job) == "done"
    assert (job.result, job.share) == (42, 1.0)
    assert desk.find(("report", "a")) is job


def test_ten_pieces_at_once_all_finish_one_after_the_other(desk):
    order = []
    jobs = [
        desk.submit(("measure", "a", n), lambda tell, n=n: order.append(n), lane="measure",
                    words="measuring")
        for n in range(10)
    ]  # fmt: skip

    assert [settle(job) for job in jobs] == ["done"] * 10
    assert order == list(range(10))


def test_the_same_work_asked_for_twice_is_done_once(desk):
    gate = Gate()
    first = desk.submit(("measure", "a", 2), gate, lane="measure", words="measuring")
    second = desk.submit(("measure", "a", 2), gate, lane="measure", words="measuring")
    gate.go.set()

    assert first is second
    assert settle(first) == "done"


def test_work_in_line_says_how_many_come_before_it_and_can_be_taken_out(desk):
    gate = Gate()
    desk.submit(("measure", "a", 1), gate, lane="measure", words="measuring")
    gate.began.wait()
    second = desk.submit(("measure", "a", 2), gate, lane="measure", words="measuring")
    third = desk.submit(("measure", "b", 3), gate, lane="measure", words="measuring")

    assert (desk.before(second), desk.before(third)) == (1, 2)

    desk.stop(("measure", "a", 2))
    assert (second.state, desk.before(third)) == ("stopped", 1)
    gate.go.set()
    assert settle(third) == "done"


def test_running_work_stops_where_it_tells_its_progress(desk):
    gate = Gate()
    job = desk.submit(("measure", "a", 1), gate, lane="measure", words="measuring")
    gate.began.wait()

    desk.stop(("measure", "a", 1))

    assert settle(job) == "stopped"
    assert job.result is None


def test_an_error_becomes_its_sentence(desk):
    def work(tell):
        what = "it stops half-way"
        raise ClipError(what, where="a.mp4", remedy="copy it again")

    job = desk.submit(("measure", "a", 1), work, lane="measure", words="measuring")

    assert settle(job) == "failed"
    assert str(job.error) == "a.mp4: it stops half-way; copy it again."


def test_a_fault_of_the_program_itself_is_said_and_the_lane_goes_on(desk):
    broken = desk.submit(("report", "a"), lambda tell: 1 / 0, lane="paper", words="the report")
    after = desk.submit(("report", "b"), lambda tell: 1, lane="paper", words="the report")

    assert (settle(broken), settle(after)) == ("failed", "done")
    assert "ZeroDivisionError" in str(broken.error)


def test_no_time_is_promised_before_there_is_something_to_go_by(desk):
    gate = Gate()
    job = desk.submit(("measure", "a", 1), gate, lane="measure", words="measuring")
    gate.began.wait()
    assert job.left_s is None

    job.began -= 10.0  # as if it had run for ten seconds, half of the work
    while job.share < 0.5:
        gate.began.wait(0.01)
    assert job.left_s == pytest.approx(10.0, rel=0.1)
    gate.go.set()
    settle(job)


# -- how far it is, for the browser ---------------------------------------------------------------


@pytest.fixture
def asked(tmp_path):
    """A browser at the page's own addresses, and the desk behind it."""
    with open_shop(tmp_path / "cases", beside=tmp_path) as shop:
        app = FastAPI()
        OwnRoutes(shop, "http://127.0.0.1/", None, None).add_to(app)
        yield TestClient(app), desk_of(shop)
        close_all()


def test_a_browser_is_told_how_far_work_is_in_its_language(asked):
    browser, desk = asked
    gate = Gate()
    desk.submit(("measure", "c" * 32, 2), gate, lane="measure", words="measuring yard.mp4")
    assert gate.began.wait(20)

    told = browser.get(f"/progress/de/measure/{'c' * 32}/2?state=waiting").json()
    gate.go.set()

    assert told["state"] == "running"
    assert told["line"]
    assert 0 <= told["share"] <= 60


def test_a_browser_hears_of_the_end_as_it_comes(asked):
    browser, desk = asked
    gate = Gate()
    job = desk.submit(("report", "c" * 32), gate, lane="paper", words="making the report")
    assert gate.began.wait(20)
    threading.Timer(0.05, gate.go.set).start()

    states = {"running"}
    while states == {"running"}:
        states.add(browser.get(f"/progress/en/report/{'c' * 32}?state=running").json()["state"])

    assert states == {"running", "done"}
    assert job.state == "done"


def test_work_that_nobody_knows_is_gone(asked):
    assert asked[0].get("/progress/en/report/0?state=running").json() == {"state": "gone"}
