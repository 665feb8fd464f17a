"""The script before all others: in the page's documents, and nowhere else."""

import pytest
from starlette.applications import Starlette
from starlette.responses import HTMLResponse, PlainTextResponse
from starlette.routing import Route
from starlette.testclient import TestClient

from smokecase.web.early import HEAD, SCRIPT, EarlyScript

PAGE = "<html><head><title>a page with an umlaut: \u00e4</title></head></html>"


@pytest.fixture
def visitor():
    app = Starlette(routes=[
        Route("/en/", lambda request: HTMLResponse(PAGE)),
        Route("/en/other", lambda request: HTMLResponse(PAGE)),
        Route("/bare/", lambda request: PlainTextResponse("no head here")),
    ])  # fmt: skip
    return TestClient(EarlyScript(app, ["/en/", "/bare/"]))


def test_the_script_comes_first_and_the_length_is_right(visitor):
    answer = visitor.get("/en/", headers={"accept-encoding": "gzip, br"})

    assert answer.content == PAGE.encode().replace(HEAD, HEAD + SCRIPT)
    assert int(answer.headers["content-length"]) == len(answer.content)


@pytest.mark.parametrize("path", ["/en/other", "/bare/"])
def test_everything_else_passes_as_it_is(visitor, path):
    answer = visitor.get(path)

    assert SCRIPT not in answer.content
    assert int(answer.headers["content-length"]) == len(answer.content)
