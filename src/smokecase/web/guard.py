"""Stands before the page: who may ask, from which page, for what, and how much may be sent.

Each request passes in this order: the name by which we are called (Host), the page that sends it
(Origin), the one-time code where the network is open, the list of addresses that the page needs,
the size of what is sent. Whatever is not named here is refused.
"""

import asyncio
import re
import shutil
import time
from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import parse_qs, unquote

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from smokecase.languages import pick_language
from smokecase.web.one_time_code import Codes
from smokecase.web.outgoing import Note, is_loopback

COOKIE = "smokecase_door"
SAFE_METHODS = {"GET", "HEAD"}

# what the page's framework needs, behind the language; all else that it offers stays closed
GET_PATHS = re.compile(
    r"/?|/config/?|/theme\.css|/(static|assets|svelte)/[\w./@-]+|/manifest\.json|/favicon\.ico"
    r"|/gradio_api/(startup-events|app_id/?|theme\.css|heartbeat/\w+|queue/data|upload_progress)"
    r"|/gradio_api/file=.+"
)
POST_PATHS = re.compile(r"/gradio_api/(upload|queue/join/?|cancel|reset/?|run/predict/?)")
OWN_PATHS = re.compile(
    r"/|/phone|/favicon\.ico|/clip/[0-9a-f]{64}|/out/[\w-]+/[^/\\]+|/(en|de)|/progress/(en|de)/[\w/]+"
)
UPLOAD = "/gradio_api/upload"
FILE = "/gradio_api/file="

JSON_BYTES = 4 * 1024**2  # a form of ours has a few thousand
RESERVE_BYTES = 512 * 1024**2  # stays free on the disk

# everything from this server alone; the framework writes styles and small scripts into the page
CONTENT_POLICY = (
    "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval'; "
    "style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; media-src 'self' data: blob:; "
    "font-src 'self' data:; connect-src 'self' data: blob:; worker-src 'self' blob:; "
    "object-src 'none'; base-uri 'self'; form-action 'self'; frame-src 'self'; "
    "frame-ancestors 'self'"
)
HEADERS = {
    "content-security-policy": CONTENT_POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",  # with none, a form of our own would be sent without origin
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "permissions-policy": "geolocation=(), microphone=(), camera=()",
}

Pause = Callable[[float], Awaitable[None]]


@dataclass(slots=True)
class Rules:
    """What the door lets through."""

    hosts: frozenset[str]  # names with port, lower case, by which a browser may call us
    area: Path  # the only folder that files are served from
    codes: Codes | None  # None: nobody but this machine can come in
    largest_upload_bytes: int
    free_bytes: Callable[[], int]
    note: Note
    on_code: Callable[[], None] = field(default=lambda: None)  # a code was spent, a new one holds
    pause: Pause = asyncio.sleep


class TooLargeError(Exception):
    """More is being sent than was announced or is taken."""


class Guard:
    """The outermost layer of the server."""

    def __init__(self, app: ASGIApp, rules: Rules, *, languages: Iterable[str]) -> None:
        self.app, self.rules = app, rules
        self._prefix = re.compile(rf"/({'|'.join(languages)})(?=/)")
        self._one_guess = asyncio.Lock()  # guesses wait for one another

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or let it through."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":  # the page uses no web sockets
            await send({"type": "websocket.close", "code": 1008})
            return
        headers = Headers(scope=scope)
        sent = _Sending(send, scope, headers, self.rules.note)
        answer = await self._refusal(scope, headers, receive)
        if answer is not None:
            await answer(scope, receive, sent)
            return
        counted = _Counting(receive, self._limit(scope))
        try:
            await self.app(scope, counted, sent)
        except TooLargeError:
            if not sent.begun:
                await self._too_large()(scope, receive, sent)

    # -- the five questions -------------------------------------------------------------------
    async def _refusal(self, scope: Scope, headers: Headers, receive: Receive) -> Response | None:
        host = headers.get("host", "").lower()
        if host not in self.rules.hosts:
            return _say(421, "this address is not known here; open the one that smokecase printed")
        if _foreign(scope["method"], headers, host):
            return _say(403, "another web page sent this; open smokecase in a tab of its own")
        path = scope["path"]
        if not self._is_let_in(scope, headers):
            if path == "/code" and scope["method"] == "POST":
                return await self._take_code(receive, headers)
            if path == "/favicon.ico":
                return _say(404, "there is nothing here")
            return _ask_for_code(pick_language(headers.get("accept-language", "")))
        if path == "/code":
            return RedirectResponse("/", status_code=303)
        if path == "/phone" and not _from_here(scope):
            return _say(403, "the code is shown on the machine that smokecase runs on")
        if not self._is_needed(scope["method"], path):
            return _say(404, "there is nothing here")
        return self._size_refusal(scope, headers)

    def _is_let_in(self, scope: Scope, headers: Headers) -> bool:
        if self.rules.codes is None or _from_here(scope):
            return True
        return any(self.rules.codes.knows(key) for key in _cookies(headers, COOKIE))

    async def _take_code(self, receive: Receive, headers: Headers) -> Response:
        body = b""
        while len(body) < 1000:
            message = await receive()
            body += message.get("body", b"")
            if not message.get("more_body"):
                break
        said = parse_qs(body[:1000].decode("utf-8", "replace")).get("code", [""])[0]
        async with self._one_guess:
            key = self.rules.codes.use(said) if self.rules.codes else None
            if key is None:
                await self.rules.pause(1.0)  # a second for each guess, whoever guesses
        if key is None:
            language = pick_language(headers.get("accept-language", ""))
            return _ask_for_code(language, wrong=True)
        self.rules.on_code()
        answer = RedirectResponse("/", status_code=303)
        answer.set_cookie(COOKIE, key, httponly=True, samesite="lax")
        return answer

    def _is_needed(self, method: str, path: str) -> bool:
        prefix = self._prefix.match(path)
        if prefix is None:
            return method in SAFE_METHODS and bool(OWN_PATHS.fullmatch(path))
        inner = path[prefix.end() :]
        if method == "POST":
            return bool(POST_PATHS.fullmatch(inner))
        if method not in SAFE_METHODS or not GET_PATHS.fullmatch(inner):
            return False
        return not inner.startswith(FILE) or self._is_ours(inner[len(FILE) :])

    def _is_ours(self, asked: str) -> bool:
        """Whether a file lies in the area, however the path is written."""
        if "\0" in asked or "://" in unquote(asked):
            return False
        try:
            path = Path(asked)
            return path.is_absolute() and path.resolve().is_relative_to(self.rules.area)
        except (OSError, ValueError, RuntimeError):
            return False

    # -- how much -----------------------------------------------------------------------------
    def _limit(self, scope: Scope) -> int:
        return self.rules.largest_upload_bytes if scope["path"].endswith(UPLOAD) else JSON_BYTES

    def _size_refusal(self, scope: Scope, headers: Headers) -> Response | None:
        if scope["method"] != "POST":
            return None
        try:
            length = int(headers["content-length"])
        except (KeyError, ValueError):
            return _say(411, "the browser did not say how much it sends; choose the file again")
        if length > self._limit(scope):
            return self._too_large()
        if scope["path"].endswith(UPLOAD) and length > self.rules.free_bytes() - RESERVE_BYTES:
            return _say(507, "the disk of this machine is too full for this file; free some space")
        return None

    def _too_large(self) -> Response:
        most = self.rules.largest_upload_bytes / 1e9
        return _say(
            413,
            f"this is more than the {most:.1f} GB that the page takes at once; "
            "cut the clip to the minute around the start of the engine",
        )


def free_bytes_of(folder: Path) -> int:
    """Free space on the disk that a folder lies on."""
    return shutil.disk_usage(folder).free


class _Counting:
    """Receives, and stops where more comes than is taken."""

    def __init__(self, receive: Receive, limit: int) -> None:
        self._receive, self._left = receive, limit

    async def __call__(self) -> Message:
        message = await self._receive()
        self._left -= len(message.get("body", b""))
        if self._left < 0:
            raise TooLargeError
        return message


class _Sending:
    """Sends, with our headers on every answer, and writes the request down."""

    def __init__(self, send: Send, scope: Scope, headers: Headers, note: Note) -> None:
        self._send, self._scope, self._headers, self._note = send, scope, headers, note
        self.begun = False

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.begun = True
            answer = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                answer[name] = value
            for leaky in ("server", "access-control-allow-origin"):
                if leaky in answer:
                    del answer[leaky]
            peer = (self._scope.get("client") or ("", 0))[0]
            self._note({
                "what": "request", "time_s": round(time.time(), 3), "from": peer,
                "host": self._headers.get("host", ""), "method": self._scope["method"],
                "path": self._scope["path"], "status": message["status"],
            })  # fmt: skip
        await self._send(message)


def _foreign(method: str, headers: Headers, host: str) -> bool:
    """Whether another site's page sends this.

    Source
    ------
    Fetch metadata (W3C) and the Origin header (RFC 6454, 7); no page can make a browser forge
    them.
    """
    origin = headers.get("origin")
    if origin is not None and origin.lower() not in (f"http://{host}", f"https://{host}"):
        return True
    site = headers.get("sec-fetch-site", "none")
    if site in ("same-origin", "none"):
        return False
    # another page may link to us, and no more: not send, not embed, not fetch
    opened = headers.get("sec-fetch-mode") == "navigate"
    alone = headers.get("sec-fetch-dest", "document") == "document"
    return not (method in SAFE_METHODS and opened and alone)


def _from_here(scope: Scope) -> bool:
    client = scope.get("client")
    return client is not None and is_loopback(client[0])


def _cookies(headers: Headers, name: str) -> list[str]:
    pairs = (part.strip().partition("=") for part in headers.get("cookie", "").split(";"))
    return [value for key, _, value in pairs if key == name]


def _say(status: int, words: str) -> Response:
    return PlainTextResponse(f"smokecase: {words}.\n", status_code=status)


def _ask_for_code(language: str, *, wrong: bool = False) -> Response:
    from smokecase.web.code_page import code_page

    return HTMLResponse(code_page(language, wrong=wrong), status_code=403 if wrong else 401)
