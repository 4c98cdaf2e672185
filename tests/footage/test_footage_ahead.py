"""Items made ahead in a thread: the same, in order, and never far ahead."""

import threading
import time

import pytest

from overlay.footage.ahead import ahead


def counting(made, until):
    for number in range(1, until + 1):
        made.append((number, threading.current_thread().name))
        yield number


def test_ahead__gives_every_item_in_order_from_one_other_thread():
    made = []
    assert list(ahead(counting(made, 50), depth=3)) == list(range(1, 51))
    names = {name for _, name in made}
    assert len(names) == 1 and names != {threading.current_thread().name}


def test_ahead__never_further_than_its_depth():
    made = []
    items = ahead(counting(made, 100), depth=4)
    for taken in range(1, 11):
        assert next(items) == taken
        time.sleep(0.005)
        assert len(made) <= taken + 4
    items.close()
    assert len(made) <= 15 and threading.active_count() == 1


def test_ahead__an_error_comes_in_its_place():
    def broken():
        yield 1
        yield 2
        raise ValueError("damaged")

    items = ahead(broken())
    assert [next(items), next(items)] == [1, 2]
    with pytest.raises(ValueError, match="damaged"):
        next(items)
