"""What a file holds, as runs of bytes of known origin: of an input file, literal, filled, made of others, or open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from pipeline.model.manifest import Change, Value
from pipeline.model.text import counted
from pipeline.model.units import show_size

LARGEST = 64 << 20
"""Bytes of a file."""
MOST_RUNS = 4_096
"""Runs of a file."""
DEEPEST = 12
"""Changes of the order of bytes on one another."""
IDENTITY = bytes(range(256))
LONG_FILL = 16
"""Equal bytes from which on a literal is a fill."""


class NotFollowedError(Exception):
    """A command that cannot be followed; the text says why."""


class OpenError(NotFollowedError):
    """A command needs bytes that are open; the text is the first reason why they are."""


@dataclass(frozen=True, slots=True, eq=False)
class ByteOrigin:
    """Where bytes are from. ``kind``: "chip", "literal", "fill", "made" or "open".

    ``name``: of a chip; of what is open, why. ``data``: the bytes; of a fill, the one byte. ``parts``, ``operation``,
    ``arguments`` and ``then``: of what is made, the piece that makes it. ``size``: None where it is not known.
    """

    kind: str
    name: str = ""
    data: bytes = b""
    operation: str = "join"
    parts: tuple[Rope, ...] = ()
    arguments: dict[str, Value] = field(default_factory=dict)
    then: tuple[Change, ...] = ()
    depth: int = 0


@dataclass(frozen=True, slots=True)
class RopeRun:
    """``size`` bytes of a source from ``start`` on, each looked up in ``table``; ``line`` of the script put them there.

    ``size`` is None where the source is open to an end that is not known.
    """

    source: ByteOrigin
    start: int
    size: int | None
    line: int
    table: bytes = IDENTITY


Rope = tuple[RopeRun, ...]


def chip(name: str, data: bytes) -> Rope:
    """Return the whole of an input file."""
    return (RopeRun(ByteOrigin("chip", name, data), 0, len(data), 0),) if data else ()


def literal(data: bytes, line: int) -> Rope:
    """Return bytes that the script itself states."""
    if len(data) >= LONG_FILL and data == data[:1] * len(data):
        return fill(data[0], len(data), line)
    return (RopeRun(ByteOrigin("literal", data=data), 0, len(data), line),) if data else ()


def fill(value: int, size: int, line: int) -> Rope:
    """Return a run of one byte."""
    _limit(size)
    return (RopeRun(ByteOrigin("fill", data=bytes([value])), 0, size, line),) if size else ()


def unknown(why: str, line: int, size: int | None = None) -> Rope:
    """Return bytes of which nothing is known."""
    return (RopeRun(ByteOrigin("open", why), 0, size, line),)


def made(
    data: bytes, parts: Sequence[Rope], line: int, operation: str = "join",
    arguments: dict[str, Value] | None = None, then: Sequence[Change] = (),
) -> Rope:  # fmt: skip
    """Return what an operation of the manifests makes of parts that are known; ``data``: its bytes."""
    depth = 1 + max((run.source.depth for part in parts for run in part), default=0)
    if depth > DEEPEST:
        raise NotFollowedError(f"more than {DEEPEST} changes of the order of bytes on one another")
    if not data:
        return ()
    source = ByteOrigin("made", "", data, operation, tuple(parts), arguments or {}, tuple(then), depth)
    return (RopeRun(source, 0, len(data), line),)


def size_of(rope: Rope) -> int | None:
    """Return how many bytes there are; None where that is open."""
    total = 0
    for run in rope:
        if run.size is None:
            return None
        total += run.size
    return total


def is_open(rope: Rope) -> bool:
    """Whether any byte is not known."""
    return any(run.source.kind == "open" for run in rope)


def known_size(rope: Rope) -> int:
    """Return how many bytes there are; raises OpenError where that is open."""
    size = size_of(rope)
    if size is None:
        raise OpenError(reasons(rope)[0])
    return size


def reasons(rope: Rope) -> list[str]:
    """Return why bytes are open, each reason once."""
    return list(dict.fromkeys(run.source.name for run in rope if run.source.kind == "open"))


def data_of(rope: Rope) -> bytes:
    """Return the bytes; raises OpenError where some are open."""
    return b"".join(map(_data, rope))


def join(*ropes: Rope) -> Rope:
    """Return one after another; neighbours of one origin become one run."""
    runs = list[RopeRun]()
    for rope in ropes:
        if not runs and len(rope) > 1:
            runs = list(rope)
            continue
        for run in rope:
            together = _merged(runs[-1], run) if runs else None
            if together:
                runs[-1] = together
            else:
                runs.append(run)
    if len(runs) > MOST_RUNS:
        raise NotFollowedError(f"the file has more than {counted(MOST_RUNS, 'piece')}")
    _limit(sum(run.size or 0 for run in runs))
    return tuple(runs)


def cut(rope: Rope, start: int, end: int | None = None) -> Rope:
    """Return the bytes from ``start`` up to but not including ``end``; fewer where there are fewer."""
    runs, at = list[RopeRun](), 0
    for run in rope:
        if end is not None and at >= end:
            break
        if run.size is None:
            runs.append(run if end is None and at >= start else replace(run, size=None))
            break
        low, high = max(start - at, 0), run.size if end is None else min(end - at, run.size)
        if low < high:
            fixed = run.source.kind in ("fill", "open")
            runs.append(replace(run, start=0 if fixed else run.start + low, size=high - low))
        at += run.size
    return join(tuple(runs))


def spliced(rope: Rope, at: int, new: Rope, line: int) -> Rope:
    """Return a file after ``new`` is written at an address, with zeros before it where the file was shorter."""
    size = size_of(rope)
    if size is not None and size < at:
        return join(rope, fill(0, at - size, line), new)
    written = size_of(new)
    if size is None or written is None:
        known = 0
        for run in rope:
            if run.size is None:
                break
            known += run.size
        if known < at or written is None:
            return join(cut(rope, 0, min(at, known)), unknown(reasons(join(rope, new))[0], line))
    return join(cut(rope, 0, at), new, cut(rope, at + (written or 0)))


def mapped(rope: Rope, table: bytes) -> Rope:
    """Return every byte looked up in a table of 256."""
    runs = list[Rope]()
    for run in rope:
        if run.source.kind in ("fill", "literal"):
            source = replace(run.source, data=run.source.data.translate(table))
            runs.append((replace(run, source=source),))
        elif run.source.kind == "open":
            runs.append((run,))
        else:
            runs.append((replace(run, table=run.table.translate(table)),))
    return join(*runs)


def at_line(rope: Rope, line: int) -> Rope:
    """Return the runs as put by a line of the script, where none has put them yet."""
    return tuple(run if run.line else replace(run, line=line) for run in rope)


def _merged(run: RopeRun, following: RopeRun) -> RopeRun | None:
    if (
        run.size is None
        or following.size is None
        or run.source.kind != following.source.kind
        or run.table != following.table
    ):
        return None
    size = run.size + following.size
    if run.source is following.source and run.source.kind not in ("fill", "open"):
        return replace(run, size=size) if following.start == run.start + run.size else None
    if run.source.kind == "fill" and run.source.data == following.source.data:
        return replace(run, size=size)
    if run.source.kind == "literal" and size <= MOST_RUNS:
        return replace(run, source=ByteOrigin("literal", data=_data(run) + _data(following)), start=0, size=size)
    return None


def _data(run: RopeRun) -> bytes:
    if run.source.kind == "open" or run.size is None:
        raise OpenError(run.source.name)
    if run.source.kind == "fill":
        return run.source.data * run.size
    data = run.source.data[run.start : run.start + run.size]
    return data if run.table == IDENTITY else data.translate(run.table)


def _limit(size: int) -> None:
    if size > LARGEST:
        raise NotFollowedError(f"the file has more than {show_size(LARGEST)}")
