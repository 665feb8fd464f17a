"""The running page under attack: foreign names and pages, forged paths, rubbish, too much."""

import http.client
import http.server
import json
import socket
import threading
import uuid
from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np
import pytest
import uvicorn
from starlette.applications import Starlette
from starlette.responses import HTMLResponse
from starlette.routing import Route

from page_clips import another_copy
from page_rig import PHONE, Page, Visitor, axe_faults, until
from smokecase.case.store import open_cases
from smokecase.web.door import listen
from smokecase.web.guard import Guard, Rules
from smokecase.web.one_time_code import LENGTH, Codes
from smokecase.web.uploads import LARGEST_BYTES

SECRET = "root:"  # what stands in /etc/passwd


def ask(page, method, path, *, body=b"", **headers):
    """One request as it is written, with no browser in between that tidies it up."""
    line = http.client.HTTPConnection("127.0.0.1", page.port, timeout=60)
    line.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
    sent = {"Host": f"127.0.0.1:{page.port}", "Content-Length": str(len(body))}
    sent |= {name.replace("_", "-"): value for name, value in headers.items()}
    for name, value in sent.items():
        if value is not None:
            line.putheader(name, value)
    line.endheaders(body or None)
    answer = line.getresponse()
    content = answer.read()
    line.close()
    return answer.status, content.decode("utf-8", "replace")


def parcel(*files):
    """A form with files, as a browser sends it: body and type."""
    mark = uuid.uuid4().hex
    parts = b"".join(
        f'--{mark}\r\nContent-Disposition: form-data; name="files"; filename="{name}"\r\n'
        f"Content-Type: video/mp4\r\n\r\n".encode()
        + content
        + b"\r\n"
        for name, content in files
    )
    return parts + f"--{mark}--\r\n".encode(), f"multipart/form-data; boundary={mark}"


def upload(page, *files):
    body, kind = parcel(*files)
    return ask(page, "POST", "/en/gradio_api/upload", body=body, Content_Type=kind)


def entries_of(page):
    with open_cases(page.cases) as store:
        return [entry for case in store.list_cases() for entry in case.entries]


def send(visitor, told):
    """Send an event as the page's own script does, with whatever we like in it."""
    with visitor.tab.expect_request(lambda request: "/queue/join" in request.url) as sent:
        visitor.tap("#go-home", count=False)
    form = json.loads(sent.value.post_data)
    form["event_data"] = told
    form["session_hash"] = uuid.uuid4().hex[:11]
    return visitor.tab.evaluate(
        """async form => {
          await fetch("gradio_api/queue/join", {method: "POST", body: JSON.stringify(form),
            headers: {"content-type": "application/json"}});
          const answer = await fetch("gradio_api/queue/data?session_hash=" + form.session_hash);
          const reader = answer.body.getReader(), letters = new TextDecoder();
          let told = "";
          while (!(told.includes("process_completed") && told.endsWith("\\n\\n"))) {
            const part = await reader.read();
            if (part.done) break;
            told += letters.decode(part.value, {stream: true});
          }
          return told; }""",
        form,
    )


def test_another_name_for_this_machine_is_refused(page):
    for host in ("smoke.example", f"smoke.example:{page.port}", "127.0.0.1:1", None):
        status, words = ask(page, "GET", "/en/", Host=host)
        assert status in (400, 421)
        assert "sheet" not in words


@pytest.mark.parametrize(
    "path",
    [
        "/en/gradio_api/file=/etc/passwd",
        "/en/gradio_api/file=%2Fetc%2Fpasswd",
        "/en/gradio_api/file=../../../../../../etc/passwd",
        "/en/gradio_api/file=..%2f..%2f..%2f..%2fetc%2fpasswd",
        "/en/gradio_api/file=file:///etc/passwd",
        "/en/gradio_api/file/etc/passwd",
        "/en/file=/etc/passwd",
        "/en/static/../../../../../../../../etc/passwd",
        "/en/static/%2e%2e/%2e%2e/%2e%2e/%2e%2e/%2e%2e/%2e%2e/%2e%2e/etc/passwd",
        "/en/assets/..%2f..%2f..%2f..%2f..%2f..%2fetc%2fpasswd",
        "/en/svelte/../../../../../../../etc/passwd",
        "/clip/../../../../etc/passwd",
        "/clip/..%2f..%2f..%2fetc%2fpasswd",
        "/out/x/..%2f..%2f..%2fetc%2fpasswd",
        "/out/%2e%2e/%2e%2e/etc/passwd",
        "/out/..%5c..%5cetc/passwd",
        "//etc/passwd",
        "/%2e%2e/%2e%2e/etc/passwd",
    ],
)
def test_no_path_leads_out(page, path):
    status, words = ask(page, "GET", path)

    assert status >= 400
    assert SECRET not in words


def test_the_case_store_is_not_handed_out(page, visitors, clips, tmp_path):
    visitor = visitors().open()
    visitor.bring(another_copy(clips.tiny, tmp_path / "mine.mp4", 1))
    for file in page.cases.rglob("*"):
        status, _ = ask(page, "GET", f"/en/gradio_api/file={file.resolve()}")
        assert status == 404


def test_a_forged_path_of_an_upload_is_refused_in_a_sentence(page, visitors):
    visitor = visitors().open()
    before = len(entries_of(page))
    for path in (
        "/etc/passwd",
        "../cases/cases.sqlite",
        str(page.cases),
        "http://smoke.example/a.mp4",
    ):
        said = send(visitor, {"do": "bring", "files": [path]})
        assert "this file did not come from the browser" in said
        assert SECRET not in said
    assert len(entries_of(page)) == before


@pytest.mark.parametrize(
    "told",
    [
        {"do": "measure", "case": "0" * 32, "step": "mark", "clip": "1"},
        {"do": "answer", "case": "../../etc", "question": "fuel", "state": "diesel"},
        {"do": "note", "case": "' OR 1=1 --", "note": "x"},
        {"do": "result", "check": "<script>", "state": "<img src=x onerror=alert(1)>"},
        {"do": "__class__"},
        {"do": ["list"], "case": {"a": 1}, "clip": "9" * 400},
        {"do": "find", "words": "<script>window.caught = 1</script>"},
        {"do": "bring", "files": {"0": "/etc/passwd"}},
        {"do": "stop", "job": "/" * 1000},
        {"do": "backdrop", "case": "0" * 32, "sheets": "1e999", "distance_m": "nan"},
    ],
    ids=lambda told: str(told["do"]),
)
def test_an_event_that_makes_no_sense_ends_in_a_page_not_in_a_traceback(page, visitors, told):
    visitor = visitors().open()
    before = len(entries_of(page))

    said = send(visitor, told)

    assert "Traceback" not in said
    assert '"success":true' in said.replace(" ", "")
    assert "<script>window" not in said
    assert len(entries_of(page)) == before


def test_rubbish_beside_a_good_clip_is_told_and_the_clip_is_taken(page, visitors, clips, tmp_path):
    rubbish = tmp_path / "holiday.mp4"
    rubbish.write_bytes(b"this is no clip " * 500)
    spoken = tmp_path / "<img src=x onerror=alert(1)>.mp4"
    spoken.write_bytes(b"#EXTM3U\nfile:///etc/passwd\n")
    empty = tmp_path / "empty.mov"
    empty.touch()
    good = another_copy(clips.tiny, tmp_path / "good.txt", 2)
    visitor = visitors(size=PHONE).open()

    visitor.bring(rubbish, spoken, empty, good)

    words = visitor.text()
    assert "holiday.mp4: this is no clip or picture that can be read" in words
    assert "empty.mov: the file is empty (0 bytes)" in words
    assert "Traceback" not in words
    assert visitor.tab.locator("#said img").count() == 0
    assert visitor.step == "mark"
    assert visitor.complaints == []


def test_more_than_the_page_takes_is_refused_before_it_is_sent(page):
    status, words = ask(
        page, "POST", "/en/gradio_api/upload", Content_Length=str(LARGEST_BYTES + 1),
        Content_Type="multipart/form-data",
    )  # fmt: skip

    assert status == 413
    assert words == (
        f"smokecase: this is more than the {LARGEST_BYTES / 1e9:.1f} GB that the page takes at "
        "once; cut the clip to the minute around the start of the engine.\n"
    )


def test_names_that_would_lead_out_end_in_the_upload_folder(page):
    for name in (
        "../../../evil.mp4",
        "/etc/evil.mp4",
        "..\\\\evil.mp4",
        "%2e%2e%2fevil.mp4",
        ".",
        "..",
    ):
        status, words = upload(page, (name, b"x"))
        if status == 200:
            (path,) = json.loads(words)
            assert "/uploads/" in path
            assert ".." not in path.split("/")
        else:
            assert 400 <= status < 500


def test_ten_uploads_side_by_side_all_arrive_whole(page, clips, tmp_path):
    ten = [another_copy(clips.tiny, tmp_path / f"{n}.mp4", 1000 + n) for n in range(10)]
    with ThreadPoolExecutor(10) as people:
        answers = list(people.map(lambda clip: upload(page, (clip.name, clip.read_bytes())), ten))

    assert [status for status, _ in answers] == [200] * 10
    paths = [json.loads(words)[0] for _, words in answers]
    assert len(set(paths)) == 10
    for clip, path in zip(ten, paths, strict=True):
        with open(path, "rb") as arrived:  # noqa: PTH123 - the server's own words
            assert arrived.read() == clip.read_bytes()


# -- another page in the same browser -------------------------------------------------------------

TRAP = """<!doctype html><meta charset="utf-8"><title>another page</title>
<form id="f" method="post" action="{at}en/gradio_api/queue/join" enctype="text/plain"
 target="inner">
<input name='{{"a":"' value='"}}'></form><iframe id="inner" name="inner"></iframe>
<iframe id="framed" src="{at}en/"></iframe><img id="img" src="{at}favicon.ico">
<script>
window.told = {{}};
const tell = (name, work) => work().then(
  (r) => window.told[name] = "status " + r.status, () => window.told[name] = "refused");
window.all = Promise.all([
  tell("read", () => fetch("{at}en/config")),
  tell("send", () => fetch("{at}en/gradio_api/queue/join", {{method: "POST", body: "{{}}",
    headers: {{"content-type": "application/json"}}}})),
  tell("plain", () => fetch("{at}en/gradio_api/queue/join", {{method: "POST", body: "{{}}"}})),
  tell("file", () => {{ const f = new FormData(); f.append("files", new Blob(["x"]), "x.mp4");
    return fetch("{at}en/gradio_api/upload", {{method: "POST", body: f}}); }}),
]);
document.getElementById("f").submit();
</script>"""


@pytest.fixture
def trap(page):
    """A page of somebody else, on another port of this machine: the same site to a browser."""
    content = TRAP.format(at=page.address).encode()

    class Answers(http.server.BaseHTTPRequestHandler):
        def do_GET(self):
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.end_headers()
            self.wfile.write(content)

        def log_message(self, *_):
            pass

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Answers)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{server.server_port}/"
    server.shutdown()
    server.server_close()


def test_another_page_in_the_same_browser_gets_nothing_and_changes_nothing(page, visitors, trap):
    visitor = visitors()
    before, seen = len(entries_of(page)), len(page.lines_of_log())

    visitor.tab.goto(trap)
    visitor.tab.evaluate("window.all")
    visitor.tab.wait_for_load_state("networkidle")

    assert visitor.tab.evaluate("window.told") == dict.fromkeys(
        ("read", "send", "plain", "file"), "refused"
    )
    assert visitor.tab.evaluate("document.querySelector('#img').naturalWidth") == 0
    asked = [line for line in page.lines_of_log()[seen:] if line["what"] == "request"]
    assert asked
    assert {line["status"] for line in asked} == {403}
    assert len(entries_of(page)) == before


# -- the local network ----------------------------------------------------------------------------


def test_nobody_else_is_listened_to_unless_told(page):
    other = socket.gethostbyname(socket.gethostname())
    if other.startswith("127."):
        other = "127.0.0.2"  # this machine too, but not the address that is listened on
    with pytest.raises(OSError, match=r"refused|unreachable|timed out"):
        socket.create_connection((other, page.port), timeout=5)


@pytest.fixture
def strict_door(tmp_path, monkeypatch):
    """A guard that takes this machine's own browser for a phone; its code and its address."""
    monkeypatch.setattr("smokecase.web.guard.is_loopback", lambda host: False)
    listening = listen("127.0.0.1", 0)
    at = f"127.0.0.1:{listening.getsockname()[1]}"
    codes = Codes()
    rules = Rules(
        hosts=frozenset({at}), area=tmp_path, codes=codes, largest_upload_bytes=1000,
        free_bytes=lambda: 10**12, note=lambda line: None,
    )  # fmt: skip
    inside = Starlette(routes=[Route("/", lambda request: HTMLResponse("<h1>inside</h1>"))])
    config = uvicorn.Config(Guard(inside, rules, languages=("en", "de")), log_level="error",
                            ws="none", timeout_graceful_shutdown=1)  # fmt: skip
    server = uvicorn.Server(config)
    running = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
    running.start()
    yield codes, f"http://{at}/"
    server.should_exit = True
    running.join(30)
    listening.close()


def test_a_phone_comes_in_with_the_code_once_by_typing_or_by_the_picture(strict_door, chromium):
    codes, at = strict_door
    first, second, third = (chromium.new_context(viewport=PHONE).new_page() for _ in range(3))
    spent = codes.shown

    first.goto(f"{at}#{spent}")  # as the QR code leads
    first.wait_for_selector("h1:has-text('inside')")
    assert spent not in first.url

    second.goto(at)
    assert axe_faults(second) == []
    second.fill("#code", spent)
    second.click("button")
    second.wait_for_selector('[role="alert"]')
    assert "Each code works once" in second.inner_text("main")

    third.goto(at)
    third.fill("#code", codes.shown.lower())
    third.click("button")
    third.wait_for_selector("h1:has-text('inside')")
    for visitor in (first, second, third):
        visitor.context.close()


def test_opened_to_the_network_it_warns_and_shows_code_and_picture(tmp_path, chromium):
    page = Page(tmp_path / "cases", tmp_path / "log.jsonl", "--open-to-network")
    try:
        until(lambda: len(page.said) > 6, words="the warning")
        said = "".join(page.said)
        assert "not encrypted" in said
        assert "Code:" in said or "No network was found" in said

        visitor = Visitor(chromium, page)
        visitor.tab.goto(f"{page.address}phone")
        assert visitor.tab.locator("svg").count() == 1
        shown = visitor.text(".code")
        assert len(shown.replace("-", "")) == LENGTH
        drawn = np.frombuffer(visitor.tab.locator("svg").screenshot(), np.uint8)
        picture = cv2.imdecode(drawn, cv2.IMREAD_GRAYSCALE)  # an independent reader of QR codes
        read, *_ = cv2.QRCodeDetector().detectAndDecode(picture)
        assert read == f"{visitor.tab.inner_text('main a')}#{shown}"
        assert "not encrypted" in visitor.text("main")
        assert axe_faults(visitor.tab) == []
        visitor.close()
    finally:
        assert page.stop() == 0
