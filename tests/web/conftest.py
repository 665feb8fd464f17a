"""Shared by the tests of the page: small clips, one running page, one browser."""

from types import SimpleNamespace

import pytest

from page_clips import HEALTHY, cut
from page_rig import FLAGS, Page, Visitor, find_browser


@pytest.fixture(scope="session")
def clips(tmp_path_factory):
    """Small clips: the bundled one cut short, its healthy sister, one in HEVC, a few seconds."""
    folder = tmp_path_factory.mktemp("clips")
    return SimpleNamespace(
        folder=folder,
        start=cut(folder / "start.mp4", size=(480, 270), every=3, seconds=8.0),
        sister=cut(folder / "sister.mp4", source=HEALTHY, size=(480, 270), every=3, seconds=8.0),
        hevc=cut(folder / "hevc.mov", codec="libx265", size=(320, 180), every=6, seconds=7.0),
        tiny=cut(folder / "tiny.mp4", size=(320, 180), every=6, seconds=7.0),
    )


@pytest.fixture(scope="session")
def chromium():
    """A browser without a screen."""
    from playwright.sync_api import sync_playwright

    path = find_browser()
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=path, args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    """The page, started as users start it."""
    folder = tmp_path_factory.mktemp("page")
    running = Page(folder / "cases", folder / "requests.jsonl")
    yield running
    if running.process.poll() is None:
        running.stop()


@pytest.fixture
def visitors(chromium, page):
    """Makes visitors, and sees them out; none of them may have heard a complaint of the browser."""
    inside = []

    def new(**options):
        inside.append(Visitor(chromium, page, **options))
        return inside[-1]

    yield new
    for visitor in inside:
        visitor.close()
