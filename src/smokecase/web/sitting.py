"""What the parts of the page share while one server runs: cases, weights, pictures, long work."""

import base64
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future
from pathlib import Path
from typing import TypeVar

from smokecase.case.record import Case, Entry
from smokecase.case.store import CaseStore
from smokecase.errors import SmokecaseError
from smokecase.report.course import Course, weigh_case
from smokecase.report.small_picture import small_jpeg
from smokecase.video.playable import plays_in_browsers
from smokecase.web.desk import Desk, Job, desk_of
from smokecase.web.shop import Shop
from smokecase.web.watch import find_watchable, make_watchable

T = TypeVar("T")
MOST_KEPT = 80
MOST_ANSWERS = 24
THUMB_PX, HALF_PX, MARK_PX = 360, 640, 1280


class Kept:
    """The last few things made, so that looking again costs nothing."""

    def __init__(self) -> None:
        self._things: OrderedDict[Hashable, object] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, key: Hashable, make: Callable[[], T]) -> T:
        """Give what was made for this key, or make it."""
        with self._lock:
            if key in self._things:
                self._things.move_to_end(key)
                return self._things[key]  # type: ignore[return-value]
        made = make()
        with self._lock:
            self._things[key] = made
            while len(self._things) > MOST_KEPT:
                self._things.popitem(last=False)
        return made


class Once:
    """Answers by the mark of their question, so that one that is asked twice is done once."""

    def __init__(self) -> None:
        self._made: OrderedDict[str, Future[str]] = OrderedDict()
        self._lock = threading.Lock()

    def __call__(self, mark: str, make: Callable[[], str]) -> str:
        """Give the answer with this mark, or make it; one that is being made is waited for."""
        if not mark:
            return make()
        with self._lock:
            before = self._made.get(mark)
            if before is None:
                mine = self._made[mark] = Future[str]()
                while len(self._made) > MOST_ANSWERS:
                    self._made.popitem(last=False)
        if before is not None:
            return before.result()
        try:
            mine.set_result(make())
        except BaseException as error:
            with self._lock:  # whoever asks again shall not be told of a fault that has passed
                self._made.pop(mark, None)
            mine.set_exception(error)
            raise
        return mine.result()


class Sitting:
    """One page in one language; holds nothing that is not on the disk too."""

    def __init__(self, shop: Shop, language: str) -> None:
        self.shop, self.language = shop, language
        self.desk: Desk = desk_of(shop)
        self._kept = Kept()
        self.once = Once()

    def weigh(self, case: Case) -> Course:
        """Weigh a case as it stands."""
        last = case.entries[-1].fingerprint if case.entries else ""
        return self._kept.get(("course", case.id, last), lambda: weigh_case(case))

    def picture(self, store: CaseStore, entry: Entry, at_s: float, long_side: int) -> str:
        """Give the address of a picture of a clip, the picture itself in it."""
        sha256 = entry.body["sha256"]

        def make() -> str:
            path = store.find_file("clips", sha256)
            jpeg = small_jpeg(self.desk.looks.first_picture(path, at_s), long_side)
            return f"data:image/jpeg;base64,{base64.b64encode(jpeg).decode()}"

        return self._kept.get(("picture", sha256, round(at_s, 2), long_side), make)

    def thumbs(self, store: CaseStore, case: Case) -> dict[int, str]:
        """Give a small picture of each clip that can be read."""
        made = {}
        for kind in ("brought", "clip"):
            for entry in case.of_kind(kind):
                try:
                    made[entry.number] = self.picture(store, entry, 0.0, THUMB_PX)
                except SmokecaseError:
                    continue  # the list shows the clip without a picture; opening it tells why
        return made

    def watch(self, store: CaseStore, entry: Entry) -> str | Job:
        """Give the address to play a clip at, or the work that makes a copy to play."""
        sha256, shop = entry.body["sha256"], self.shop
        if find_watchable(sha256, shop) is not None:
            return f"/clip/{sha256}"
        path: Path = store.find_file("clips", sha256)
        if plays_in_browsers(path):
            return make_watchable(path, sha256, shop)
        before = self.desk.find(("watch", sha256))
        if before is not None and before.state in ("failed", "stopped"):
            return before
        return self.desk.submit(
            ("watch", sha256), lambda tell: make_watchable(path, sha256, shop, tell=tell),
            lane="paper", words="making a copy to watch",
        )  # fmt: skip
