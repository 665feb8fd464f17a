"""Items made ahead on another thread: their order, their errors, and leaving early."""

import threading

import pytest

from smokecase.video.ahead import DEPTH, ahead


def test_the_items_come_in_their_order():
    with ahead(iter(range(50))) as items:
        assert list(items) == list(range(50))


def test_what_the_making_raises_comes_where_its_item_would_have():
    def broken():
        yield 1
        yield 2
        msg = "the file is gone"
        raise OSError(msg)

    with ahead(broken()) as items:
        assert next(items) == 1
        assert next(items) == 2
        with pytest.raises(OSError, match="the file is gone"):
            next(items)


def test_leaving_early_ends_the_making_and_closes_its_source():
    closed = threading.Event()
    made = []

    def endless():
        try:
            for n in range(1_000_000):
                made.append(n)
                yield n
        finally:
            closed.set()

    with ahead(endless()) as items:
        assert next(items) == 0

    assert closed.is_set()
    assert len(made) <= DEPTH + 3  # those waiting, one in hand on either side, one more
    assert not any(t.name == "ahead" and t.is_alive() for t in threading.enumerate())


def test_an_error_of_the_user_of_items_ends_the_making_too():
    with pytest.raises(ZeroDivisionError), ahead(iter(range(1000))) as items:
        1 / next(items)

    assert not any(t.name == "ahead" and t.is_alive() for t in threading.enumerate())
