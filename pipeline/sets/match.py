"""Which dump of a set belongs in which socket of a layout, how that is known, and what is left open.

Four ways are tried, from the surest on, each on what those before it left:

1. a checksum list says in which socket the content belongs;
2. the socket's name stands in the file's name, as a whole word, and the sizes agree;
3. one socket of a size is left, and one content of that size;
4. when a person says so: sockets and files of one size are equally many, and are taken in their order.

A way decides only where nothing else fits either end: a socket that several contents fit stays open, and so does every
socket that one file may be for. That files bear the names of their chips' sockets is common practice.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from pipeline.model.manifest import Socket

BY_LIST, BY_NAME, BY_SIZE, BY_ORDER = "list", "name", "size", "order"
WAYS = (BY_LIST, BY_NAME, BY_SIZE, BY_ORDER)
"""How a dump was matched, the surest first."""


@dataclass(frozen=True, order=True, slots=True, kw_only=True)
class Dump:
    """A file of a set: its path in the set, its size in bytes and its SHA-256."""

    path: str
    size: int
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MatchedDump:
    """A dump and how it is known to belong in its socket: one of ``WAYS``."""

    dump: Dump
    how: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MatchedSet:
    """What a set comes to, by socket in the order of the layout.

    ``unfilled``: sockets that must not be empty and are, and those that dumps may fit, each with these dumps. ``left``:
    dumps whose content is in no socket, each with the sockets it may fit.
    """

    matches: Mapping[str, MatchedDump]
    unfilled: Mapping[str, tuple[Dump, ...]]
    left: Mapping[Dump, tuple[str, ...]]

    @property
    def is_whole(self) -> bool:
        """Whether every dump has its socket and every socket its dump."""
        return not self.unfilled and not self.left


def match(
    sockets: Mapping[str, Socket],
    dumps: Sequence[Dump],
    *,
    name: str = "",
    listed: Mapping[str, frozenset[str]] | None = None,
    in_order: bool = False,
) -> MatchedSet:
    """Return which dump belongs in which socket.

    ``name``: of the set; where a file's name begins with it, that says nothing of sockets. ``listed``: the sockets in
    which a content belongs, by SHA-256. ``in_order``: whether the order of files decides where nothing else does.
    """
    matching = _Matching(sockets, sorted(dumps), name, listed or {})
    matching.take(matching.by_list, BY_LIST)
    matching.take(matching.by_name, BY_NAME)
    matching.take(matching.may_fit, BY_SIZE)
    if in_order:
        matching.take_in_order()
    return matching.result()


def words(text: str) -> tuple[str, ...]:
    """Return the words of a name, case ignored: runs of letters and digits; "U6.H" has "u6" and "h"."""
    return tuple(re.findall(r"[^\W_]+", text.casefold()))


class _Matching:
    """One set under way: what is matched, and the dumps that are not."""

    def __init__(
        self, sockets: Mapping[str, Socket], dumps: Sequence[Dump], name: str, listed: Mapping[str, frozenset[str]]
    ) -> None:
        self._sockets = sockets
        self._of_size = defaultdict[int, list[str]](list)
        for socket in sockets.values():
            self._of_size[socket.size].append(socket.name)
        self._listed = {dump: listed.get(dump.sha256, frozenset()) & sockets.keys() for dump in dumps}
        self._named = dict(zip(dumps, _named(sockets, dumps, name), strict=True))
        self._left = list(dumps)
        self._matches: dict[str, MatchedDump] = {}

    def by_list(self, dump: Dump) -> Sequence[str]:
        """Return the sockets for which a dump is listed; where it is for several, its name may say which."""
        listed = [name for name in self._free(dump) if name in self._listed[dump]]
        named = [name for name in listed if name in self._named[dump]]
        return named if len(named) == 1 else listed

    def by_name(self, dump: Dump) -> Sequence[str]:
        """Return the sockets that a dump names."""
        return self.may_fit(dump) if self._named[dump] else ()

    def may_fit(self, dump: Dump) -> Sequence[str]:
        """Return the free sockets of a dump's size: only those it is listed for or names, where it does."""
        known = self._listed[dump] or self._named[dump]
        return [name for name in self._free(dump) if name in known or not known]

    def take(self, way: Callable[[Dump], Sequence[str]], how: str) -> None:
        """Match each dump that fits one socket, where that fits no other content."""
        fitting = {dump: way(dump) for dump in self._left}
        contents = defaultdict[str, set[str]](set)
        for dump, names in fitting.items():
            for name in names:
                contents[name].add(dump.sha256)
        for dump, names in fitting.items():
            if len(names) == 1 and len(contents[names[0]]) == 1:
                self._matches.setdefault(names[0], MatchedDump(dump=dump, how=how))
        self._forget_taken()

    def take_in_order(self) -> None:
        """Match the dumps and sockets of a size in their order, where they are equally many and nothing is known."""
        for size, names in self._of_size.items():
            free = [name for name in names if name not in self._matches]
            dumps = [dump for dump in self._left if dump.size == size]
            is_known = any(self._listed[dump] or self._named[dump] for dump in dumps)
            keys = {dump: _in_order(dump.path) for dump in dumps}
            if len(free) == len(dumps) == len({*keys.values()}) and not is_known:
                ordered = sorted(dumps, key=keys.__getitem__)
                self._matches |= {
                    name: MatchedDump(dump=dump, how=BY_ORDER) for name, dump in zip(free, ordered, strict=True)
                }
        self._forget_taken()

    def result(self) -> MatchedSet:
        """Return what was matched and what is left."""
        contents = {match.dump.sha256 for match in self._matches.values()}
        left = {dump: tuple(self.may_fit(dump)) for dump in self._left if dump.sha256 not in contents}
        near = {name: tuple(dump for dump, names in left.items() if name in names) for name in self._sockets}
        return MatchedSet(
            matches={name: self._matches[name] for name in self._sockets if name in self._matches},
            unfilled={
                name: near[name]
                for name, socket in self._sockets.items()
                if name not in self._matches and (socket.empty is None or near[name])
            },
            left=left,
        )

    def _free(self, dump: Dump) -> Iterator[str]:
        return (name for name in self._of_size[dump.size] if name not in self._matches)

    def _forget_taken(self) -> None:
        taken = {match.dump for match in self._matches.values()}
        self._left = [dump for dump in self._left if dump not in taken]


def _named(sockets: Mapping[str, Socket], dumps: Sequence[Dump], name: str) -> Iterator[frozenset[str]]:
    """Yield the sockets that each dump names, whatever their size.

    What the names of all files of a set begin with, and the name of the set, say nothing of sockets.
    """
    texts = [words(dump.path.rpartition("/")[2]) for dump in dumps]
    common, of_set = _common(texts), words(name)
    of_sockets = defaultdict[tuple[str, ...], set[str]](set)
    for socket in sockets:
        parts = words(socket)
        of_sockets[parts].add(socket)
        of_sockets["".join(parts),].add(socket)
    for text in texts:
        is_named = len(of_set) < len(text) and text[: len(of_set)] == of_set
        yield _sockets_in(text[max(common, len(of_set) if is_named else 0) :], of_sockets)


def _common(texts: Sequence[tuple[str, ...]]) -> int:
    """Return how many words several texts begin with; none where nothing would be left of one of them."""
    shortest = min(map(len, texts), default=0)
    common = next((at for at in range(shortest) if len({text[at] for text in texts}) > 1), shortest)
    return common if common < shortest and len(texts) > 1 else 0


def _sockets_in(text: tuple[str, ...], sockets: Mapping[tuple[str, ...], set[str]]) -> frozenset[str]:
    """Return the sockets whose words stand in a text, one after the other or as one; of "6" and "6.h" the longer."""
    longest = max(map(len, sockets), default=0)
    spans = [
        (start, end)
        for start in range(len(text))
        for end in range(start + 1, min(start + longest, len(text)) + 1)
        if text[start:end] in sockets
    ]
    outer = (
        (start, end)
        for start, end in spans
        if not any(left <= start and end <= right and (left, right) != (start, end) for left, right in spans)
    )
    return frozenset(name for start, end in outer for name in sockets[text[start:end]])


def _in_order(path: str) -> tuple[str | int, ...]:
    """Return what a path is sorted by: case ignored, digits as numbers, so that 10 comes after 9."""
    return tuple(int(part) if part.isdecimal() else part for part in re.split(r"(\d+)", path.casefold()))
