"""Containers recognised: pieces at equal distances, and before them a table of their names, sizes or check values."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import takewhile

from pipeline.model.manifest import Piece, Value
from pipeline.roms.operations.container import FIELD, FIELDS
from pipeline.solve.atoms import Atom, Built, Span, as_size, is_run
from pipeline.solve.merge import joined, leaves, merged
from pipeline.solve.search import RUNS

LARGEST_TABLE = 1 << 16
WIDEST_NAME = 255
LONGEST_RECORD = WIDEST_NAME + FIELD * len(FIELDS)
"""Bytes of a record, at most: a name and every field."""
SHORTEST_NAME, WIDEST_LONE_NAME = 4, 64
"""Bytes of the names in a table without fields; others are found by chance."""
MOST_SLOTS = 4_096
MOST_RECORDS = 200_000
"""Records that are held against pieces, at most."""
MOST_ALIKE = 16
"""Places that hold one value of a field."""
CHECK_FIELD = 4
"""Bytes at the end of the file that a check field may replace."""
ORDERS = ("little", "big")

Fields = Mapping[str, Sequence[bytes]]
"""By the name of a field: its bytes for each piece."""


@dataclass(frozen=True, slots=True)
class _Table:
    """A table that fits: where it begins, the arguments that describe it, and the name of each slot."""

    start: int
    arguments: dict[str, Value]
    names: tuple[str, ...]


def with_containers(finished: bytes, spans: Sequence[Span]) -> list[Span]:
    """Return the spans, those that fill the slots of a container put together with the table before them."""
    search = _Search(finished)
    left = [single for span in spans for single in _single(span)]
    result = list[Span]()
    found = False
    while left:
        reached = next((span.end for span in reversed(result) if not is_run(span.made)), 0)
        container, count = search.container(left, reached)
        if container:
            found = True
            result = [*(span for span in result if span.end <= container.start), container]
        else:
            result.append(left[0])
        left = left[max(count, 1) :]
        if left and left[0].start < result[-1].end:
            left[0] = _behind(left[0], result[-1].end)
    return merged(result) if found else list(spans)


def _single(span: Span) -> Iterator[Span]:
    """Yield what a span repeats, each time, since equal pieces may fill neighbouring slots."""
    made = span.made
    if isinstance(made, Built) and made.repeats and not span.wrong:
        for start in range(span.start, span.end, made.repeats.size):
            yield Span(start, start + made.repeats.size, made.repeats)
    else:
        yield span


def _behind(span: Span, start: int) -> Span:
    """Return the rest of a run of one value, whose first bytes fill up a slot."""
    made = span.made
    return Span(start, span.end, made.trimmed(start - span.start, span.end - start)) if isinstance(made, Atom) else span


@dataclass(slots=True)
class _Search:
    finished: bytes
    records_left: int = MOST_RECORDS

    def container(self, spans: Sequence[Span], reached: int) -> tuple[Span | None, int]:
        """Return the container whose first slot the first span begins, and how many spans are in it.

        ``reached``: where the piece before it ends.
        """
        first = spans[0].start
        if first == reached or is_run(spans[0].made):
            return None, 0
        for slot_size in sorted({span.start - first for span in spans[1:6] if not is_run(span.made)}):
            slots, counts, fill = self._slots(spans, slot_size)
            table = next(self._tables(reached, first, slot_size, slots), None) if len(slots) > 1 else None
            if table:
                used = slots[: len(table.names)]
                parts = tuple(replace(made.piece, slot=name) for made, name in zip(used, table.names, strict=True))
                arguments = {**table.arguments, "slot-size": as_size(slot_size), "slot-fill": fill}
                piece = Piece(operation="container", arguments=arguments, parts=parts)
                size = first - table.start + len(used) * slot_size
                made = Built(piece, size, sum(map(leaves, used)))
                return Span(table.start, table.start + size, made), counts[len(used) - 1]
        return None, 0

    def _slots(self, spans: Sequence[Span], size: int) -> tuple[list[Atom | Built], list[int], int]:
        """Return what stands in slots of a size, how many spans end up to each slot's end, and the byte between."""
        slots, counts, fill, at, taken = list[Atom | Built](), list[int](), -1, spans[0].start, 0
        while len(slots) < MOST_SLOTS and at + size <= len(self.finished):
            inside = list[Span]()
            for span in spans[taken:]:
                follows = span.start == (inside[-1].end if inside else at)
                if not follows or span.end > at + size or (inside and is_run(span.made)):
                    break
                inside.append(span)
            if not inside:
                break
            at += size
            last = at - CHECK_FIELD if at == len(self.finished) else at
            rest = set(self.finished[inside[-1].end : last])
            if len(rest) > 1 or (fill >= 0 and not rest <= {fill}):
                break
            fill = rest.pop() if rest else fill
            end = at
            taken += len(list(takewhile(lambda span, end=end: span.end <= end, spans[taken:])))  # type: ignore[misc]
            if taken < len(spans) and spans[taken].start < at and not is_run(spans[taken].made):
                break
            slots.append(joined([span.made for span in inside]))
            counts.append(taken)
        return slots, counts, max(fill, 0)

    def _tables(self, reached: int, first: int, slot_size: int, slots: Sequence[Atom | Built]) -> Iterator[_Table]:
        """Yield the tables that end before the first slot and fit its pieces."""
        pieces = [self._data(first + n * slot_size, made) for n, made in enumerate(slots)]
        low = max(reached, first - LARGEST_TABLE)
        ends = [found.end() for found in RUNS.finditer(self.finished, low, first)]
        likely = (low, *ends, *(end // FIELD * FIELD for end in ends), *range(-(-low // 16) * 16, first, 16))
        checks = {order: _fields_of(pieces, order) for order in ORDERS}
        for start in dict.fromkeys((*self._by_fields(low, first, checks), *likely)):
            offsets = range(first - start, first - start + len(pieces) * slot_size, slot_size)
            fields = {
                order: {"offset": [_written(offset, order) for offset in offsets], **checks[order]} for order in ORDERS
            }
            for record in self._records(
                start, first, {values[0] for order in ORDERS for values in fields[order].values()}
            ):
                for order in ORDERS:
                    table = self._table(start, first, record, order, fields[order])
                    if table:
                        yield table

    def _records(self, start: int, first: int, values: Collection[bytes]) -> Iterator[int]:
        """Yield sizes of a record, where the first ends with one of the values, or begins two words."""
        printable = range(0x21, 0x7F)
        for record in range(min((first - start) // 2, LONGEST_RECORD), 0, -1):
            ends_with_value = self.finished[start + record - FIELD : start + record] in values
            are_words = self.finished[start] in printable and self.finished[start + record] in printable
            if ends_with_value or (are_words and SHORTEST_NAME <= record <= WIDEST_LONE_NAME):
                self.records_left -= 1
                if self.records_left < 0:
                    return
                yield record

    def _data(self, start: int, made: Atom | Built) -> bytes:
        """Return a piece's bytes: the file's, but where a check field at its end may have replaced some."""
        if isinstance(made, Atom) and start + made.size > len(self.finished) - CHECK_FIELD:
            return made.data
        return self.finished[start : start + made.size]

    def _by_fields(self, low: int, first: int, checks: Mapping[str, Fields]) -> Iterator[int]:
        """Yield where a table may begin, by places that hold what a field says of the first two pieces."""
        for fields in checks.values():
            for values in fields.values():
                first_places, second_places = (self._places(value, low, first) for value in values[:2])
                for first_place in first_places:
                    for record in {
                        second_place - first_place
                        for second_place in second_places
                        if FIELD <= second_place - first_place <= LONGEST_RECORD
                    }:
                        starts = (first_place + FIELD * behind - record for behind in range(1, len(FIELDS) + 1))
                        yield from (start for start in starts if low <= start < first)

    def _places(self, wanted: bytes, low: int, high: int) -> list[int]:
        places, at = list[int](), self.finished.find(wanted, low, high)
        while at >= 0 and len(places) < MOST_ALIKE:
            places.append(at)
            at = self.finished.find(wanted, at + 1, high)
        return places

    def _table(self, start: int, first: int, record: int, order: str, values: Fields) -> _Table | None:
        """Return the table whose records have a size, where it holds exactly what a container writes."""
        fields, width, count = list[str](), record, len(values["offset"])
        while width >= FIELD:
            name, matching = self._field_at(start + width - FIELD, record, values)
            if matching < 2 or name in fields:
                break
            fields.insert(0, name)
            width, count = width - FIELD, min(count, matching)
        if width > WIDEST_NAME:
            return None
        if not fields and (order != ORDERS[0] or not SHORTEST_NAME <= width <= WIDEST_LONE_NAME):
            return None
        if start + count * record > first:
            count = (first - start) // record
        records = [self.finished[start + n * record :][:width] for n in range(count)]
        while count > 1:
            table = _described(records[:count], self.finished[start + count * record : first], fields, order)
            if table:
                arguments, names = table
                size = {"table-size": as_size(first - start)} if first - start > count * record else {}
                return _Table(start, {**arguments, **size}, names)
            count = 0 if fields else count - 1
        return None

    def _field_at(self, at: int, record: int, fields: Fields) -> tuple[str, int]:
        """Return the field that stands at an address and one record on, and for how many pieces it is right."""
        for name, values in fields.items():
            count = 0
            for place, value in zip(range(at, len(self.finished), record), values, strict=False):
                if self.finished[place : place + FIELD] != value:
                    break
                count += 1
            if count > 1:
                return name, count
        return "", 0


def _fields_of(pieces: Sequence[bytes], order: str) -> Fields:
    """Return what each field but the offset says of each piece."""
    named = ((name, value) for name, value in FIELDS.items() if name != "offset")
    return {name: [_written(value(piece, 0), order) for piece in pieces] for name, value in named}


def _written(value: int, order: str) -> bytes:
    return value.to_bytes(FIELD, "big" if order == "big" else "little")


def _described(
    records: Sequence[bytes], rest: bytes, fields: Sequence[str], order: str
) -> tuple[dict[str, Value], tuple[str, ...]] | None:
    """Return the arguments and names of a table; None where names or padding are not as a container writes them."""
    width = len(records[0])
    padding = [record[-1] for record in records if record and not 0x20 < record[-1] < 0x7F]
    fill = padding[0] if padding else rest[0] if rest else 0
    texts = [record.rstrip(bytes([fill])) for record in records]
    fits = _is_name if fields else _is_word
    if not fields and len(set(texts)) < len(texts):
        return None
    if rest.count(fill) < len(rest) or (width and not all(map(fits, texts))):
        return None
    arguments: dict[str, Value] = {}
    if width:
        arguments["name-width"] = width
    if fields:
        arguments |= {"fields": tuple(fields), "byte-order": f"{order}-endian"}
    if fill and (width or rest):
        arguments["table-fill"] = fill
    return arguments, tuple(text.decode() for text in texts)


def _is_word(text: bytes) -> bool:
    """Whether a name has no blank; where there are no fields, text with blanks is more likely a title."""
    return re.fullmatch(rb"[!-~]+", text) is not None


def _is_name(text: bytes) -> bool:
    return bool(text) and text.isascii() and text.decode().isprintable() and text[-1:] != b" "
