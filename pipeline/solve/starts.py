"""What begins at a place of the finished file: pieces that are not found by parts of their chips."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import replace

from pipeline.solve.address import LEAST, AddressBook
from pipeline.solve.atoms import Atom, Built, Span, bytes_of, differing
from pipeline.solve.banks import BankBook
from pipeline.solve.matches import LaneMatches, kinds
from pipeline.solve.merge import interleaved, then
from pipeline.solve.planes import PREFIX, Book, other_halves
from pipeline.solve.values import SHUFFLES

MOST_PLACES = 4_096
"""Places at which pieces are tried that begin there."""
EVEN = 128
"""Bytes at whose multiples nibbles and planes end as a rule; a few more may agree by chance."""
CLOSE = 129
"""Bytes from the start of a region within which every place is tried."""
MOST_NESTED_PLACES = 32
"""Likewise for what is made of several pieces, which is tried in all ways at each place."""
MOST_ADDRESS_PLACES = 512
"""Likewise for exchanged address lines, each of which is tried with every chip."""


def _regions(open_: bytes, least: int) -> list[tuple[int, int]]:
    """Return the runs of open bytes; those with but a few explained ones between them are one."""
    regions: list[tuple[int, int]] = []
    for found in re.finditer(b"\1+", open_):
        if regions and found.start() - regions[-1][1] < 64:
            regions[-1] = (regions[-1][0], found.end())
        else:
            regions.append((found.start(), found.end()))
    return [(start, end) for start, end in regions if end - start >= least]


def _places(start: int, end: int, step: int) -> Iterator[int]:
    """Yield where a piece may begin in a region: at its start or just before it, then at round addresses."""
    yield start
    yield from (place for place in (start - 1, start - 2, start // 16 * 16, start // 256 * 256) if place >= 0)
    yield from range(start + 1, min(start + CLOSE, end))
    yield from range(start // step * step + step, end, step)


def nibbles_and_planes(target: bytes, book: Book, chips: Mapping[str, bytes], open_: bytes) -> list[Span]:
    """Return nibbles and bit planes that begin at places of the open regions."""
    found, tried = list[Span](), 0
    for start, end in _regions(open_, 32):
        reached = 0
        queue = list(_places(start, end, 16))[::-1]
        while queue and tried < MOST_PLACES:
            place = queue.pop()
            if place < reached or place >= end:
                continue
            tried += 1
            built = _lines(book, target[place : place + book.longest])
            if built:
                place -= built.head if built.head <= place else 0
                made = bytes_of(built.piece, chips)
                wrong = differing(made, target[place : place + len(made)])
                found.append(Span(place, place + len(made), replace(built, size=len(made)), wrong))
                found += _beside(target, found[-1], chips)
                even = len(made) // EVEN * EVEN
                if built.parts and even < len(made) and even >= EVEN:
                    found.append(Span(place, place + even, built.trimmed(even), wrong))
                reached = place + len(made)
                queue.append(reached)
    return found


def _beside(target: bytes, span: Span, chips: Mapping[str, bytes]) -> Iterator[Span]:
    """Yield the other halves of nibbles or planes where they stand beside a half: constant lines are not looked up."""
    for other in other_halves(span.made) if isinstance(span.made, Built) else ():
        data = bytes_of(other.piece, chips)
        for start in (span.start - other.size, span.end):
            if start >= 0 and target[start : start + other.size] == data:
                yield Span(start, start + other.size, other)


def _lines(book: Book, data: bytes) -> Built | None:
    """Return the nibbles or planes that begin a run, as they are or with bytes exchanged."""
    built = next(book.at(data), None)
    if built:
        return built
    head = data[:PREFIX]
    for changes, apply in (*SHUFFLES[2][1:], *SHUFFLES[4][1:3]):
        if len(head) == PREFIX and book.begins(apply(head)):
            for built in book.at(apply(data[: len(data) // 4 * 4])):
                if built.size % 4 == 0:
                    return replace(then(built, changes, built.size), head=built.head)
    return None


def readdressed(target: bytes, book: AddressBook, chips: Mapping[str, bytes], open_: bytes) -> list[Span]:
    """Return chips and parts with their address lines exchanged that begin at places of the open regions."""
    found, tried = list[Span](), 0
    sizes = {len(data) for data in chips.values()}
    longest = max(sizes, default=0)
    for start, end in _regions(open_, LEAST):
        reached = 0
        queue = list(_places(start, end, 256))
        queue[5:5] = sorted({end - size for size in sizes if end - size > start})
        while queue and tried < MOST_ADDRESS_PLACES:
            place = queue.pop(0)
            if place < reached or place >= end:
                continue
            tried += 1
            built = book.at(target[place : place + longest], at_start=place < 16, rest=len(target) - place)
            if built:
                wrong = differing(bytes_of(built.piece, chips), target[place : place + built.size])
                found.append(Span(place, place + built.size, built, wrong))
                reached = place + built.size
                queue.insert(0, reached)
    return found


def nested(target: bytes, books: tuple[Book, AddressBook], banks: BankBook, open_: bytes) -> Iterator[Span]:
    """Yield what begins a region and is made of pieces none of which stands there as a chip does."""
    left = MOST_NESTED_PLACES
    for start, end in _regions(open_, 2 * LEAST):
        near = (start + more for more in (0, -1, -2, -4, 1, 2, 4, 8, 16, 32, 64, 128, 256, 512))
        places = [place for place in near if 0 <= place < end]
        places += [start // 16 * 16, start // 256 * 256, *range(start // 256 * 256 + 256, end, 256)]
        reached = 0
        queue = list(dict.fromkeys(places))
        while queue and left:
            place = queue.pop(0)
            if place < reached:
                continue
            left -= 1
            built = banks.at(target[place:]) or _interleave_at(target, place, books)
            if built:
                yield Span(place, place + built.size, built)
                reached = place + built.size
                queue.insert(0, reached)


def _interleave_at(target: bytes, place: int, books: tuple[Book, AddressBook]) -> Built | None:
    """Return an interleave that begins at a place, each of its lanes found by ``whole_lane``."""
    lines, addresses = books
    for count, unit in kinds():
        data = LaneMatches(place, count, unit).cut(target, lines.longest // unit)
        if len(data) < LEAST:
            continue
        first = addresses.at(data, whole=True) or _lines(lines, data)
        if not first or first.head or first.size % unit or first.size < LEAST:
            continue
        lanes: list[Atom | Built] = [first]
        for number in range(1, count):
            data = LaneMatches(place + number * unit, count, unit).cut(target, first.size // unit)
            made = whole_lane(books, data) if len(data) == first.size else None
            if made is None:
                break
            lanes.append(made)
        if len(lanes) == count:
            return interleaved(lanes, unit)
    return None


def whole_lane(books: tuple[Book, AddressBook] | None, data: bytes) -> Atom | Built | None:
    """Return what a whole lane is made of that was not found in it: address lines exchanged, nibbles, planes.

    Without books nothing, since the lane may yet be found in units of more bytes.
    """
    if books is None:
        return None
    lines, addresses = books
    built = addresses.at(data) or _lines(lines, data)
    return built if built and built.size == len(data) and not built.head else None
