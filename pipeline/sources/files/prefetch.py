"""Read what the next item needs while the one at hand is worked on."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Future
from itertools import pairwise

from pipeline.model.content import Content, Location
from pipeline.sources.files.digest import SMALL
from pipeline.sources.files.read import read_contents
from pipeline.threads import Threads

MOST = 32 << 20
"""Bytes that may be read ahead; a larger item waits for its turn."""

Wanted = Sequence[tuple[Location, Content]]


class Prefetcher:
    """Reads the contents of items. ``order``: in which they are likely to be taken; ``wanted``: what each needs.

    Inflating and hashing go on beside the caller's work, in one thread. Where contents are small, threads only wait for
    one another, so each is read when it is taken.
    """

    def __init__(self, order: Iterable[str], wanted: Callable[[str], Wanted]) -> None:
        self._next = dict(pairwise(dict.fromkeys(order)))
        self._wanted = wanted
        self._reader = Threads(1, "read-ahead")
        self._waiting: dict[str, Future[list[bytes]]] = {}

    def take(self, item: str) -> list[bytes]:
        """Return the bytes of all that an item needs, and begin with the next one; raises as ``read_contents`` does."""
        waiting = self._waiting.pop(item, None)
        read = waiting.result() if waiting else read_contents(self._wanted(item))
        self._waiting.clear()
        if following := self._next.get(item):
            wanted = self._wanted(following)
            if wanted and SMALL * len(wanted) <= sum(content.size or 0 for _, content in wanted) <= MOST:
                self._waiting[following] = self._reader.submit(read_contents, wanted)
        return read
