"""Decoding ahead of whoever looks at the pictures, so that both go on at once."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

Item = TypeVar("Item")


def ahead(items: Iterator[Item], *, depth: int = 4) -> Iterator[Item]:
    """The same items in the same order, made in a thread of their own.

    Parameters
    ----------
    items : iterator
        Gives no None. It is only ever called in that thread, one call at a time.
    depth : int
        Most items made and not yet taken, >= 1.

    Yields
    ------
    object
        Each item; an error of `items` is raised where its item would have come.

    Examples
    --------
    >>> list(ahead(iter("abc")))
    ['a', 'b', 'c']
    """
    with ThreadPoolExecutor(1, thread_name_prefix="ahead") as pool:
        pending = deque(pool.submit(next, items, None) for _ in range(depth))
        try:
            while (item := pending.popleft().result()) is not None:
                pending.append(pool.submit(next, items, None))
                yield item
        finally:
            for future in pending:
                future.cancel()
