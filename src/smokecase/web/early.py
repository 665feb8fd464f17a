"""Puts a small script before all others of the page, where the framework has no place for one."""

from collections.abc import Iterable

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

# The framework's client breaks off its stream at `beforeunload`, which also comes when the page is
# not left after all (a download, a "stay here"); an answer under way then ends as a fault on the
# screen. Listeners of a window run in the order in which they came, so ours has to come first.
# A page that is left for good is closed by the browser.
SCRIPT = (
    b'<script>addEventListener("beforeunload", (leaving) => leaving.stopImmediatePropagation());'
    b"</script>"
)
HEAD = b"<head>"


class EarlyScript:
    """Adds the script to the documents at given paths; everything else passes as it is.

    Parameters
    ----------
    app : ASGI application
        Its documents come in one piece and have a plain ``<head>``.
    paths : iterable of str
        Where the documents are.
    """

    def __init__(self, app: ASGIApp, paths: Iterable[str]) -> None:
        self.app, self._paths = app, frozenset(paths)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http" or scope["path"] not in self._paths:
            await self.app(scope, receive, send)
            return
        plain = [(key, value) for key, value in scope["headers"] if key != b"accept-encoding"]
        start: Message = {}

        async def add(message: Message) -> None:
            if message["type"] == "http.response.start":
                start.update(message)  # held back until the new length is known
                return
            if start:
                body = message.get("body", b"")
                message = {**message, "body": body.replace(HEAD, HEAD + SCRIPT, 1)}
                headers = MutableHeaders(scope=start)
                if HEAD in body and "content-length" in headers:
                    headers["content-length"] = str(int(headers["content-length"]) + len(SCRIPT))
                await send(dict(start))
                start.clear()
            await send(message)

        await self.app({**scope, "headers": plain}, receive, add)
