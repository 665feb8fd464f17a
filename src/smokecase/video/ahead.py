"""Works out the next items on a second thread while one is being used."""

import queue
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TypeVar

Item = TypeVar("Item")

DEPTH = 3  # items that may wait; each holds a picture


@contextmanager
def ahead(items: Iterator[Item]) -> Iterator[Iterator[Item]]:
    """Give the items in their order, made up to `DEPTH` ahead on another thread.

    What the making raises is raised where its item would have come. Leaving early stops the
    making after the item at hand and waits for that.

    Examples
    --------
    >>> with ahead(n * n for n in range(4)) as squares:
    ...     list(squares)
    [0, 1, 4, 9]
    """
    made: queue.Queue[tuple[str, Item | BaseException | None]] = queue.Queue(DEPTH)
    enough = threading.Event()

    def make() -> None:
        try:
            for item in items:
                made.put(("item", item))
                if enough.is_set():
                    return
        except BaseException as error:  # handed over, raised on the other side
            made.put(("error", error))
        else:
            made.put(("end", None))

    maker = threading.Thread(target=make, name="ahead", daemon=True)
    maker.start()
    try:
        yield _taken(made)
    finally:
        enough.set()
        while maker.is_alive():  # it may be waiting for room
            try:
                made.get(timeout=0.01)
            except queue.Empty:
                continue
        close = getattr(items, "close", None)
        if close is not None:
            close()


def _taken(made: "queue.Queue[tuple[str, Item | BaseException | None]]") -> Iterator[Item]:
    while True:
        what, item = made.get()
        if what == "error":
            assert isinstance(item, BaseException)
            raise item
        if what == "end":
            return
        yield item  # type: ignore[misc]  # neither an error nor the end
