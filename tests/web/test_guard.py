"""The guard before the page: who may ask, from which page, for what, and how much may be sent."""

import asyncio
from concurrent.futures import ThreadPoolExecutor

import pytest
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.routing import Route
from starlette.testclient import TestClient

from smokecase.web.guard import Guard, Rules, TooLargeError, _Counting
from smokecase.web.one_time_code import LENGTH, LETTERS, Codes

HERE = "127.0.0.1:8477"
PHONE = ("192.168.7.20", 50000)
MACHINE = "192.168.7.5:8477"


async def _anything(request: Request) -> PlainTextResponse:
    body = await request.body()
    return PlainTextResponse(f"inside, {len(body)} bytes")


class Door:
    """A guard before an application that answers everything."""

    def __init__(self, tmp_path, *, codes=None, largest=1000, free=10**12):
        self.notes, self.pauses, self.spent = [], [], []
        self.codes = codes

        async def pause(seconds):
            self.pauses.append(seconds)

        rules = Rules(
            hosts=frozenset({HERE, "localhost:8477", MACHINE}), area=tmp_path.resolve(),
            codes=codes,
            largest_upload_bytes=largest, free_bytes=lambda: free, note=self.notes.append,
            on_code=lambda: self.spent.append(True), pause=pause,
        )  # fmt: skip
        methods = ["GET", "HEAD", "POST", "PUT", "DELETE", "OPTIONS", "PATCH"]
        inside = Starlette(routes=[Route("/{rest:path}", _anything, methods=methods)])
        self.guard = Guard(inside, rules, languages=("en", "de"))

    def browser(self, *, at=HERE, peer=("127.0.0.1", 50000)):
        return TestClient(self.guard, base_url=f"http://{at}", client=peer, follow_redirects=False)


@pytest.fixture
def door(tmp_path):
    return Door(tmp_path)


# -- by which name we are called ------------------------------------------------------------------


def test_our_own_address_is_answered(door):
    assert door.browser().get("/en/").text == "inside, 0 bytes"
    assert door.browser(at="localhost:8477").get("/en/").status_code == 200


@pytest.mark.parametrize(
    "host",
    ["smoke.example", "smoke.example:8477", "127.0.0.1", "127.0.0.1:80", "",
     "127.0.0.1.smoke.example:8477", "[::1]:8477", "127.0.0.1:8477, smoke.example"],
)  # fmt: skip
def test_a_foreign_name_is_refused_before_anything_else(door, host):
    answer = door.browser().get("/en/", headers={"host": host})

    assert answer.status_code == 421
    assert answer.text == (
        "smokecase: this address is not known here; open the one that smokecase printed.\n"
    )


# -- from which page ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://smoke.example"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:8000"},
        {"origin": f"http://{HERE}.smoke.example"},
        {"sec-fetch-site": "cross-site", "sec-fetch-mode": "no-cors"},
        {"sec-fetch-site": "same-site", "sec-fetch-mode": "cors"},
        {
            "sec-fetch-site": "cross-site",
            "sec-fetch-mode": "navigate",
            "sec-fetch-dest": "document",
        },
    ],
    ids=lambda h: " ".join(h.values()),
)
def test_another_page_cannot_send(door, headers):
    answer = door.browser().post("/en/gradio_api/queue/join", json={}, headers=headers)

    assert answer.status_code == 403
    assert "another web page sent this" in answer.text


@pytest.mark.parametrize("kind", ["image", "iframe", "script", "video", "empty"])
def test_another_page_cannot_embed_or_fetch(door, kind):
    headers = {"sec-fetch-site": "cross-site", "sec-fetch-dest": kind,
               "sec-fetch-mode": "navigate" if kind == "iframe" else "no-cors"}  # fmt: skip

    assert door.browser().get("/en/", headers=headers).status_code == 403


def test_another_page_may_link_to_us(door):
    headers = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate",
               "sec-fetch-dest": "document"}  # fmt: skip

    assert door.browser().get("/en/", headers=headers).status_code == 200


def test_our_own_page_can_send(door):
    headers = {"origin": f"http://{HERE}", "sec-fetch-site": "same-origin"}
    answer = door.browser().post("/en/gradio_api/queue/join", json={}, headers=headers)

    assert answer.text == "inside, 2 bytes"


# -- for what -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "path",
    ["info", "info/", "openapi.json", "deep_link", "proxy=http://smoke.example/", "vibe-code",
     "run-history/buckets", "runs", "queue/status", "component_server", "call/act/1",
     "stream/a/b/3/playlist.m3u8", "file/etc/passwd", "dev/reload", "token", "profiling/summary",
     "custom_component/a/b/c/d.js"],
)  # fmt: skip
def test_what_the_page_does_not_need_stays_closed(door, path):
    answer = door.browser().get(f"/en/gradio_api/{path}")

    assert answer.status_code == 404
    assert answer.text == "smokecase: there is nothing here.\n"


@pytest.mark.parametrize(
    "path",
    ["/docs", "/redoc", "/openapi.json", "/en/docs", "/en/monitoring", "/en/login", "/fr/",
     "/en/en/", "/en/custom_component/x", "/clip/../cases.sqlite", "/clip/abc", "/cases.sqlite",
     "/out/a/b/c", "/progress/fr/report/0", "/progress/en/../../x",
     "/en/static/../../etc/passwd", "/en/gradio_api/"],
)  # fmt: skip
def test_unknown_addresses_are_closed(door, path):
    assert door.browser().get(path).status_code == 404


@pytest.mark.parametrize(
    "path",
    ["component_server", "process_recording", "vibe-edit", "call/act", "api/act", "stream/x",
     "run-history/connect", "run/act"],
)  # fmt: skip
def test_nothing_else_can_be_sent_to(door, path):
    assert door.browser().post(f"/en/gradio_api/{path}", json={}).status_code == 404


@pytest.mark.parametrize("method", ["PUT", "DELETE", "OPTIONS", "PATCH", "POST"])
def test_other_ways_of_asking_are_closed(door, method):
    assert door.browser().request(method, "/en/").status_code == 404


def test_a_file_of_the_own_area_is_handed_out(door, tmp_path):
    (tmp_path / "report.pdf").write_bytes(b"x")

    assert door.browser().get(f"/en/gradio_api/file={tmp_path}/report.pdf").status_code == 200


@pytest.mark.parametrize(
    "asked",
    ["/etc/passwd", "{area}/../secret", "{area}/%2e%2e/secret", "{area}-beside/secret", "secret",
     "../secret", "{area}/out", "http://smoke.example/", "http%3A%2F%2Fsmoke.example/", "file:///etc/passwd",
     "//etc/passwd", "{area}/%00", "~/secret"],
)  # fmt: skip
def test_no_other_file_is(door, tmp_path, asked):
    beside = tmp_path.parent / f"{tmp_path.name}-beside"
    beside.mkdir()
    (beside / "secret").write_text("x")
    (tmp_path / "out").symlink_to("/etc/passwd")
    path = asked.replace("{area}", str(tmp_path))

    assert door.browser().get(f"/en/gradio_api/file={path}").status_code == 404


# -- how much -------------------------------------------------------------------------------------


def test_more_than_is_taken_is_refused_by_what_is_announced(door):
    answer = door.browser().post("/en/gradio_api/upload", content=b"x" * 1001)

    assert answer.status_code == 413
    assert "cut the clip to the minute around the start of the engine" in answer.text


def test_just_as_much_as_is_taken_comes_in(door):
    answer = door.browser().post("/en/gradio_api/upload", content=b"x" * 1000)

    assert answer.text == "inside, 1000 bytes"


def test_an_upload_of_unknown_length_is_refused(door):
    answer = door.browser().post("/en/gradio_api/upload", content=iter([b"x" * 10]))

    assert answer.status_code == 411


def test_a_full_disk_is_told_before_the_upload_begins(tmp_path):
    answer = Door(tmp_path, free=600 * 1024**2, largest=10**9).browser().post(
        "/en/gradio_api/upload", content=b"x", headers={"content-length": str(200 * 1024**2)}
    )  # fmt: skip

    assert answer.status_code == 507
    assert "free some space" in answer.text


def test_more_than_was_announced_is_cut_off():
    async def endless():
        return {"type": "http.request", "body": b"x" * 400, "more_body": True}

    async def read():
        receive = _Counting(endless, 1000)
        await receive()
        await receive()
        await receive()

    # a thread of its own: the browser's library keeps a loop running in this one
    with ThreadPoolExecutor(1) as thread, pytest.raises(TooLargeError):
        thread.submit(asyncio.run, read()).result()


# -- the one-time code ----------------------------------------------------------------------------


@pytest.fixture
def open_door(tmp_path):
    return Door(tmp_path, codes=Codes())


def test_a_phone_is_asked_for_the_code_whatever_it_wants(open_door):
    phone = open_door.browser(at=MACHINE, peer=PHONE)
    for path in (
        "/",
        "/en/",
        "/clip/" + "a" * 64,
        "/en/gradio_api/queue/data",
        "/phone",
        "/progress/en/report/0",
    ):
        answer = phone.get(path)
        assert answer.status_code == 401
        assert "Which code does smokecase show?" in answer.text
    assert phone.post("/en/gradio_api/upload", content=b"x").status_code == 401


def test_the_code_lets_one_browser_in_and_is_spent(open_door):
    code = open_door.codes.shown
    phone, other = (open_door.browser(at=MACHINE, peer=PHONE) for _ in range(2))

    first = phone.post("/code", data={"code": code.lower()})
    second = other.post("/code", data={"code": code})

    assert first.status_code == 303
    assert first.headers["location"] == "/"
    cookie = first.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=lax" in cookie
    assert phone.get("/en/").text == "inside, 0 bytes"
    assert second.status_code == 403
    assert "Each code works once" in second.text
    assert other.get("/en/").status_code == 401
    assert open_door.spent == [True]
    assert open_door.codes.shown != code


def test_each_wrong_guess_costs_a_second(open_door):
    phone = open_door.browser(at=MACHINE, peer=PHONE)
    for guess in ("", "AAAA-AAAA", "x" * 5000):
        assert phone.post("/code", data={"code": guess}).status_code == 403

    assert open_door.pauses == [1.0, 1.0, 1.0]


def test_a_made_up_key_does_not_open(open_door):
    phone = open_door.browser(at=MACHINE, peer=PHONE)

    assert phone.get("/en/", headers={"cookie": "smokecase_door=guess"}).status_code == 401


def test_the_machine_itself_needs_no_code_and_shows_it(open_door):
    assert open_door.browser().get("/en/").status_code == 200
    assert open_door.browser().get("/phone").status_code == 200


def test_a_phone_that_is_in_is_not_shown_the_next_code(open_door):
    phone = open_door.browser(at=MACHINE, peer=PHONE)
    phone.post("/code", data={"code": open_door.codes.shown})

    assert phone.get("/phone").status_code == 403


def test_another_page_cannot_send_the_code(open_door):
    phone = open_door.browser(at=MACHINE, peer=PHONE)
    answer = phone.post("/code", data={"code": open_door.codes.shown},
                        headers={"origin": "http://smoke.example"})  # fmt: skip

    assert answer.status_code == 403
    assert open_door.spent == []


def test_codes_are_long_and_hard_to_misread():
    codes = {Codes().code for _ in range(200)}

    assert len(codes) == 200
    assert all(len(code) == LENGTH for code in codes)
    assert not set("".join(codes)) & set("01IO")
    assert len(set(LETTERS)) ** LENGTH > 10**12


# -- what goes with every answer ------------------------------------------------------------------


@pytest.mark.parametrize("path", ["/en/", "/nothing"])
def test_every_answer_forbids_other_hosts(door, path):
    headers = door.browser().get(path).headers

    policy = headers["content-security-policy"]
    assert "default-src 'self'" in policy
    assert "http" not in policy
    assert "*" not in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"
    assert headers["cross-origin-resource-policy"] == "same-origin"


def test_every_request_is_written_down_without_what_it_asked_for(door):
    door.browser().get("/en/?case=secret")
    door.browser().get("/en/", headers={"host": "smoke.example"})

    kept = [{k: n[k] for k in ("from", "host", "method", "path", "status")} for n in door.notes]
    assert kept == [
        {"from": "127.0.0.1", "host": HERE, "method": "GET", "path": "/en/", "status": 200},
        {
            "from": "127.0.0.1",
            "host": "smoke.example",
            "method": "GET",
            "path": "/en/",
            "status": 421,
        },
    ]
