"""Serves the page: to this machine alone, or with a one-time code to phones of the local network.

The page itself is `app.build_page`; here are the server around it, what it says when it starts, and
what it cleans up when it stops.
"""

import contextlib
import json
import os
import signal
import socket
import sys
import threading
import webbrowser
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from smokecase.errors import WriteError
from smokecase.languages import LANGUAGES
from smokecase.web.memory import give_back_large_blocks
from smokecase.web.outgoing import Note, stay_at_home
from smokecase.web.shop import Shop, open_shop

if TYPE_CHECKING:
    from smokecase.web.one_time_code import Codes

PORT = 8477
WARNING = """\
The page is open to the local network.
  Whoever is in this network can see that it runs, and could read along what a phone sends: it is
  not encrypted. Do this only in a network you trust, and stop smokecase when you are done.
  A browser comes in with a code that works once."""

# the page's framework: no reports home, no model hub, no server of its own for rendering
QUIET = {
    "GRADIO_ANALYTICS_ENABLED": "False",
    "GRADIO_SSR_MODE": "False",
    "GRADIO_SHARE": "False",
    "GRADIO_MCP_SERVER": "False",
    "GRADIO_RUN_HISTORY": "False",
    "HF_HUB_OFFLINE": "1",
    "HF_HUB_DISABLE_TELEMETRY": "1",
    "DO_NOT_TRACK": "1",
}


def serve(
    *,
    cases: Path,
    port: int = PORT,
    network: bool = False,
    language: str | None = None,
    open_browser: bool = False,
    log: Path | None = None,
) -> int:
    """Serve the page until it is stopped; returns the exit code.

    Parameters
    ----------
    cases : Path
        The folder of the cases.
    port : int
        Port to listen on; 0 takes one that is free.
    network : bool
        Let phones of the local network in, with a one-time code. Only this machine unless told.
    language : str, optional
        One of `LANGUAGES`; what the browser asks for unless told.
    open_browser : bool
        Open the page in this machine's browser.
    log : Path, optional
        File to add one line of JSON to for every request, and for every attempt of the server to
        ask another host.

    Raises
    ------
    WriteError
        If the port is taken, or nothing can be written.
    """
    give_back_large_blocks()
    listening = listen("" if network else "127.0.0.1", port)
    own_addresses = addresses_of_this_machine() if network else []
    with listening, _writing(log) as note, open_shop(cases, network=network) as shop:
        os.environ.update(QUIET, GRADIO_TEMP_DIR=str(shop.uploads))
        stay_at_home(note)
        port = listening.getsockname()[1]
        codes = _codes() if network else None
        app = make_app(shop, port=port, names=own_addresses, codes=codes, language=language,
                       note=note)  # fmt: skip
        from smokecase.web.desk import close_all, desk_of

        home = f"http://127.0.0.1:{port}/"

        def ready() -> None:
            _tell(f"The page is ready: {home}\nStop it with Ctrl-C.")
            if codes is not None:
                _tell(how_to_come_in(own_addresses, port, codes))
            if open_browser:
                webbrowser.open(home)
            desk_of(shop).warm_up()

        try:
            _run(app, listening, ready)
        finally:
            close_all()
    _tell("The page is closed; nothing is left in the folder for temporary files.")
    return 0


# -- the application ------------------------------------------------------------------------------


def make_app(
    shop: Shop,
    *,
    port: int,
    names: list[str] | None = None,
    codes: "Codes | None" = None,
    language: str | None = None,
    note: Note = lambda line: None,
) -> Any:
    """Build the page in every language, with the guard before it.

    Parameters
    ----------
    shop : Shop
    port : int
        Port that it will be reached at.
    names : list of str, optional
        Addresses of this machine in the local network.
    codes : Codes, optional
        Codes for browsers of other machines; without them, nobody else can come in.
    language : str, optional
        The language that the page opens in; what the browser asks for unless told.
    note : callable
        Told of every request.
    """
    import gradio
    from fastapi import FastAPI

    from smokecase.web.app import build_page
    from smokecase.web.early import EarlyScript
    from smokecase.web.guard import Guard, Rules, free_bytes_of
    from smokecase.web.own_routes import OwnRoutes
    from smokecase.web.theme import LOOK
    from smokecase.web.uploads import LARGEST_BYTES

    app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
    at = f"http://{names[0] if names else '127.0.0.1'}:{port}/"
    OwnRoutes(shop, at, codes, language).add_to(app)
    for tag in LANGUAGES:
        page = build_page(tag, shop)
        gradio.mount_gradio_app(
            app, page, path=f"/{tag}", footer_links=[], run_history=False, allowed_paths=[],
            show_error=True, max_file_size=LARGEST_BYTES, ssr_mode=False, enable_monitoring=False,
            pwa=False, mcp_server=False, **LOOK,
        )  # fmt: skip

    def new_code() -> None:
        if codes is not None:
            _tell(f"A browser has come in. The next code: {codes.shown}")

    hosts = {f"{name}:{port}" for name in ("127.0.0.1", "localhost", "[::1]", *(names or []))}
    rules = Rules(
        hosts=frozenset(hosts), area=shop.area, codes=codes, largest_upload_bytes=LARGEST_BYTES,
        free_bytes=lambda: free_bytes_of(shop.area), note=note, on_code=new_code,
    )  # fmt: skip
    pages = EarlyScript(app, [f"/{tag}/" for tag in LANGUAGES])
    return Guard(pages, rules, languages=LANGUAGES)


# -- the server -----------------------------------------------------------------------------------


def listen(host: str, port: int) -> socket.socket:
    """Take a port; an empty host means every address of this machine.

    Raises
    ------
    WriteError
        If something else listens there.
    """
    taken = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        taken.bind((host, port))
        taken.listen(128)
    except OSError as error:
        taken.close()
        what = f"this port cannot be listened on ({(error.strerror or str(error)).lower()})"
        remedy = "name another one with --port, or stop what runs there"
        raise WriteError(what, where=f"port {port}", remedy=remedy) from error
    return taken


def _run(app: Any, listening: socket.socket, ready: Callable[[], None]) -> None:
    import uvicorn

    class Server(uvicorn.Server):
        async def startup(self, sockets: list[socket.socket] | None = None) -> None:
            await super().startup(sockets=sockets)
            ready()

    config = uvicorn.Config(
        app, log_level="warning", access_log=False, server_header=False, date_header=False,
        ws="none", proxy_headers=False, timeout_graceful_shutdown=1,
    )  # fmt: skip
    with _stopped_by_signal(), contextlib.suppress(KeyboardInterrupt):
        Server(config).run(sockets=[listening])


@contextlib.contextmanager
def _stopped_by_signal() -> Iterator[None]:
    """Let the system's own "stop" clean up as Ctrl-C does."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def stop(number: int, frame: object) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


@contextlib.contextmanager
def _writing(log: Path | None) -> Iterator[Note]:
    if log is None:
        yield lambda line: None
        return
    try:
        file = log.open("a", encoding="utf-8", buffering=1)
    except OSError as error:
        what = f"this log cannot be written ({(error.strerror or str(error)).lower()})"
        raise WriteError(what, where=str(log), remedy="name another file") from error

    def note(line: dict[str, object]) -> None:
        file.write(json.dumps(line) + "\n")

    with file:
        yield note


# -- what it says ---------------------------------------------------------------------------------


def addresses_of_this_machine() -> list[str]:
    """Numbers that phones of the local network can reach this machine by, the likeliest first.

    Choosing a way to an address that nobody has (RFC 5737) sends nothing: the system only says
    which of its own addresses it would use.
    """
    found: list[str] = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as way, contextlib.suppress(OSError):
        way.connect(("192.0.2.1", 9))
        found.append(way.getsockname()[0])
    with contextlib.suppress(OSError):
        found += socket.gethostbyname_ex(socket.gethostname())[2]
    return [a for a in dict.fromkeys(found) if not a.startswith("127.") and a != "0.0.0.0"]


def how_to_come_in(addresses: list[str], port: int, codes: "Codes") -> str:
    """Tell the warning, the address, the code, and both as a QR code."""
    from smokecase.web.one_time_code import qr_for_terminal

    if not addresses:
        return f"{WARNING}\nNo network was found: join one and start the page again."
    at = f"http://{addresses[0]}:{port}/"
    others = "".join(f"\n           http://{a}:{port}/" for a in addresses[1:])
    return (
        f"{WARNING}\n  Address: {at}{others}\n  Code:    {codes.shown}\n"
        f"{qr_for_terminal(f'{at}#{codes.shown}')}"
    )


def _codes() -> "Codes":
    from smokecase.web.one_time_code import Codes

    return Codes()


def _tell(words: str) -> None:
    sys.stdout.write(f"{words}\n")
    sys.stdout.flush()
