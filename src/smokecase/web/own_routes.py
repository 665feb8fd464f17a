"""The few addresses beside the page: its language, the phone's code, clips, files made, work."""

import asyncio
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

from starlette.requests import Request
from starlette.responses import (
    FileResponse,
    HTMLResponse,
    JSONResponse,
    PlainTextResponse,
    RedirectResponse,
    Response,
)

from smokecase.languages import LANGUAGES, pick_language
from smokecase.web.code_page import nothing_to_show, phone_page
from smokecase.web.desk import desk_of
from smokecase.web.shop import Shop
from smokecase.web.views.clips import how_far
from smokecase.web.watch import find_watchable

if TYPE_CHECKING:
    from fastapi import FastAPI

    from smokecase.web.one_time_code import Codes

LANGUAGE_COOKIE = "smokecase_language"
FAVICON = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 32 32">'
    '<rect width="32" height="32" rx="6" '
    'fill="#0b5c52"/><g stroke="#f6f4ee" stroke-width="3" fill="none" stroke-linecap="round">'
    '<path d="M3 24h11v-6H3"/><path d="M18 19c4-5 8 0 11-6M18 24c4-3 8 1 11-3"/></g></svg>'
)
# how long an answer on work waits for news of its state: the end is told at once, the rest seldom
NEWS_S, LOOK_S = 1.0, 0.02
MEDIA = {".webm": "video/webm", ".wav": "audio/wav", ".mp3": "audio/mpeg"}


@dataclass(frozen=True, slots=True)
class OwnRoutes:
    """What they answer."""

    shop: Shop
    address: str  # where a phone finds this machine
    codes: "Codes | None"  # None where nobody but this machine can come in
    language: str | None  # that the page opens in; what the browser asks for unless told

    def add_to(self, app: "FastAPI") -> None:
        """Add them to the server."""
        for place, answer in (
            ("/", self.home),
            ("/phone", self.phone),
            ("/favicon.ico", self.favicon),
            ("/clip/{sha256}", self.clip),
            ("/out/{folder}/{name}", self.made),
            ("/progress/{language}/{name:path}", self.work),
        ):
            app.add_route(place, answer, methods=["GET", "HEAD"])

    def language_of(self, request: Request) -> str:
        """Tell the language for one browser: chosen there, told at the start, or asked for."""
        chosen = request.cookies.get(LANGUAGE_COOKIE, "")
        if chosen in LANGUAGES:
            return chosen
        return self.language or pick_language(request.headers.get("accept-language", ""))

    def home(self, request: Request) -> Response:
        """Lead to the page in the reader's language."""
        query = f"?{request.url.query}" if request.url.query else ""
        return RedirectResponse(f"/{self.language_of(request)}/{query}", status_code=303)

    def phone(self, request: Request) -> Response:
        """Show the code that lets a phone in."""
        tag = self.language_of(request)
        if self.codes is None:
            return HTMLResponse(nothing_to_show(tag))
        return HTMLResponse(phone_page(tag, address=self.address, code=self.codes.shown))

    def favicon(self, request: Request) -> Response:
        """Give the small picture in the browser's tab: a pipe and its smoke."""
        return Response(FAVICON, media_type="image/svg+xml")

    def clip(self, request: Request) -> Response:
        """Play a clip, or the copy of it that browsers can play."""
        path = find_watchable(request.path_params["sha256"], self.shop)
        if path is None:
            return PlainTextResponse("The copy to watch is not made yet.\n", status_code=404)
        kind = MEDIA.get(path.suffix.lower(), "video/mp4")
        return FileResponse(path.resolve(), media_type=kind, content_disposition_type="inline")

    def made(self, request: Request) -> Response:
        """Hand out a report, a package or another file that was made to be kept."""
        out = self.shop.out.resolve()
        path = (out / request.path_params["folder"] / request.path_params["name"]).resolve()
        if not path.is_relative_to(out) or not path.is_file():
            return PlainTextResponse("This file is gone; make it again.\n", status_code=404)
        way = "inline" if request.query_params.get("show") else "attachment"
        return FileResponse(path, filename=path.name, content_disposition_type=way)

    async def work(self, request: Request) -> Response:
        """Tell how far a piece of work is, and as soon as its state is not the one told of."""
        desk = desk_of(self.shop)
        parts = request.path_params["name"].split("/")
        job = desk.find(tuple(int(part) if part.isdecimal() else part for part in parts))
        if job is None:
            return JSONResponse({"state": "gone"})
        until = time.monotonic() + NEWS_S
        while job.state == request.query_params.get("state") and time.monotonic() < until:
            await asyncio.sleep(LOOK_S)
        share, line, left = how_far(job, desk, request.path_params["language"])
        return JSONResponse({"state": job.state, "share": share, "line": line, "left": left})
