"""Changes of shape: which bytes of a piece are used, how often, and in which order.

Notation: a are the bytes of the piece, o what comes out, i an index from 0. The formulas are plain index arithmetic
(common practice of ROM work); the tests hold each to a public tool or to numpy.
"""

from __future__ import annotations

from collections import Counter

from pipeline.model.ranges import Ranges, RangeSource
from pipeline.model.units import show_size
from pipeline.roms.operations.arguments import (
    ADDRESS,
    BYTE,
    FLAG,
    HEX,
    NUMBERS,
    SIZE,
    SIZE_OR_POWER,
    choice,
    number,
    show_address,
    show_hex,
    show_range,
    show_value,
)
from pipeline.roms.operations.operation import Operation, whole_units
from pipeline.roms.provenance import cut, joined, lane_of, placed, repeated, size_of, stretched, through, uniform, whole


def take(data: bytes, *, from_: int, size: int) -> bytes:
    """Return o = a[from : from + size]; a part beyond the end is refused, not cut short."""
    return data[from_ : from_ + size]


def strip(data: bytes, *, size: int | None, header: bytes | None, leaves: int | None) -> bytes:
    """Return o = a[size:], a without its header, whose first bytes are checked where ``header`` gives them.

    ``leaves`` is the size of what must remain. One of the two checks is required, since a header cut from a dump
    that has none destroys it silently. ``size`` left out is the length of ``header``.
    """
    found = data[: len(header or b"")]
    if header and found != header:
        raise ValueError(f"begins with {show_hex(found)}; expected the header {show_hex(header)}")
    return data[size or len(header or b"") :]


def mirror(data: bytes, *, to: int) -> bytes:
    """Return o[i] = a[i mod |a|], |o| = to, a whole multiple of |a|."""
    return data * (to // len(data))


def pad(data: bytes, *, to: int | str, fill: int) -> bytes:
    """Return a followed by the byte ``fill`` up to a size, or up to the next power of two (none where it is one)."""
    return data.ljust(_padded(len(data), to), bytes([fill]))


def blocks(data: bytes, *, size: int, order: tuple[int, ...], may_omit: bool, may_repeat: bool) -> bytes:
    """Return the blocks a[size * n : size * (n + 1)] for each n of ``order``, one after another.

    Every block stands there once, unless the manifest says that some may be left out or repeated.
    """
    return b"".join(data[size * n : size * (n + 1)] for n in order)


def lane(data: bytes, *, number: int, of: int, unit: int) -> bytes:
    """Return o[i * unit + j] = a[(i * of + number) * unit + j]: one lane, the inverse of ``interleave``."""
    part = bytearray(len(data) // of)
    for j in range(unit):
        part[j::unit] = data[number * unit + j :: of * unit]
    return bytes(part)


def overlay(data: bytes, *, at: int, old: bytes, new: bytes) -> bytes:
    """Return a with a[at : at + n] = new, where the n bytes of ``old`` stood before; anything else is refused."""
    found = data[at : at + len(old)]
    if found != old:
        raise ValueError(f"holds {show_hex(found)} at {show_address(at)}; expected {show_hex(old)}")
    return data[:at] + new + data[at + len(new) :]


def _padded(size: int, to: int | str) -> int:
    return to if isinstance(to, int) else 1 << (size - 1).bit_length()


def _inside(whole: int, start: int, size: int) -> None:
    if start + size > whole:
        found = f"needs {show_range(start, start + size)}"
        raise ValueError(f"{found}; the piece ends with {show_address(whole - 1)}")


def _take_size(whole: int, /, *, from_: int, size: int) -> int:
    _inside(whole, from_, size)
    return size


def _strip_size(whole: int, /, *, size: int | None, header: bytes | None, leaves: int | None) -> int:
    if not header and leaves is None:
        raise ValueError("checks nothing; expected header (its first bytes) or leaves (the size that remains)")
    length = len(header or b"") if size is None else size
    if length < len(header or b""):
        raise ValueError(f"has a size of {length}; expected the {len(header or b'')} bytes of its header at least")
    _inside(whole, 0, length)
    if leaves not in (None, whole - length):
        raise ValueError(f"leaves {whole - length:,} bytes; expected {show_size(leaves or 0)}")
    return whole - length


def _mirror_size(size: int, /, *, to: int) -> int:
    if to % size:
        raise ValueError(f"{show_size(to)} is not a whole multiple of the piece, which has {show_size(size)}")
    return to


def _pad_size(size: int, /, *, to: int | str, fill: int) -> int:
    padded = _padded(size, to)
    if padded < size:
        raise ValueError(f"to {show_size(padded)} would cut the piece, which has {show_size(size)}")
    return padded


def _blocks_size(whole: int, /, *, size: int, order: tuple[int, ...], may_omit: bool, may_repeat: bool) -> int:
    if not size:
        raise ValueError("has blocks of 0 bytes; expected one or more")
    count = whole_units(whole, size) // size
    beyond = sorted({n for n in order if not 0 <= n < count})
    omitted = sorted(set(range(count)) - set(order))
    repeated = sorted(n for n, times in Counter(order).items() if times > 1)
    if beyond:
        raise ValueError(f"names {_few(beyond)}; the piece has blocks 0 to {count - 1}")
    if omitted and not may_omit:
        raise ValueError(f"leaves out {_few(omitted)}; expected every block, or may-omit = true")
    if repeated and not may_repeat:
        raise ValueError(f"repeats {_few(repeated)}; expected every block once, or may-repeat = true")
    return size * len(order)


def _few(numbers: list[int]) -> str:
    shown = ", ".join(map(str, numbers[:8])) + (", ..." if len(numbers) > 8 else "")
    return f"block {shown}" if len(numbers) == 1 else f"blocks {shown}"


def _lane_size(size: int, /, *, number: int, of: int, unit: int) -> int:
    if number >= of:
        raise ValueError(f"asks for lane {number}; {of} lanes are numbered 0 to {of - 1}")
    return whole_units(size, of * unit) // of


def _overlay_size(size: int, /, *, at: int, old: bytes, new: bytes) -> int:
    if len(old) != len(new) or not new:
        raise ValueError(f"has {len(old)} old and {len(new)} new bytes; expected equally many, and one at least")
    _inside(size, at, len(new))
    return size


def _strip_trace(words: str, part: Ranges, /, *, size: int | None, header: bytes | None, leaves: int | None) -> Ranges:
    return cut(through(part, words), size or len(header or b""), size_of(part))


def _pad_trace(words: str, part: Ranges, /, *, to: int | str, fill: int) -> Ranges:
    more = _padded(size_of(part), to) - size_of(part)
    return joined(part, whole(more, RangeSource("fill", show_value(fill), (words,))))


def _blocks_trace(words: str, part: Ranges, /, *, size: int, order: tuple[int, ...], **_flags: bool) -> Ranges:
    changed = through(part, words)
    if uniform(changed, size):
        return stretched(changed, size * len(order))
    return joined(*(cut(changed, size * n, size * (n + 1)) for n in order))


def _overlay_trace(words: str, part: Ranges, /, *, at: int, old: bytes, new: bytes) -> Ranges:
    return placed(part, [(at, whole(len(new), RangeSource("bytes", show_hex(new), (words,))))])


SHAPE = (
    Operation(
        name="take",
        arguments={
            "from": ADDRESS.described("Where in the piece the part begins.", 0),
            "size": SIZE.described("How many bytes are kept.", "2 KiB"),
        },
        title="a part",
        description="Keeps a part of the piece.",
        example={"from": 0, "size": "2 KiB"},
        size=_take_size,
        apply=take,
        trace=lambda words, part, *, from_, size: cut(through(part, words), from_, from_ + size),
        describe="take {size} from {from_}".format,
    ),
    Operation(
        name="strip",
        arguments={
            "size": SIZE.otherwise(None).described(
                "How many bytes the header has; left out: as many as are checked.", 512
            ),
            "header": HEX.otherwise(None).described("The first bytes of the header.", "4D 5A"),
            "leaves": SIZE.otherwise(None).described("The size that must remain.", "8 KiB"),
        },
        title="a header to strip",
        description="Removes the header; its first bytes or the size that remains are checked.",
        example={"size": 512, "leaves": "8 KiB"},
        limits={"anyOf": [{"required": ["header"]}, {"required": ["leaves"]}]},
        size=_strip_size,
        apply=strip,
        trace=_strip_trace,
        describe=lambda *, size, header, leaves: f"strip the header {header or size}",
    ),
    Operation(
        name="mirror",
        arguments={"to": SIZE.described("The size of the piece afterwards.", "8 KiB")},
        description="Repeats the piece until it has this size, a whole multiple of its own.",
        example="8 KiB",
        main="to",
        size=_mirror_size,
        apply=mirror,
        trace=lambda words, part, *, to: repeated(through(part, words), to // size_of(part)),
        describe="mirror to {to}".format,
    ),
    Operation(
        name="pad",
        arguments={
            "to": SIZE_OR_POWER.described("The size of the piece afterwards.", "16 KiB"),
            "fill": BYTE.described("The byte that is added.", 255),
        },
        title="padding",
        description="Adds a byte at the end until the piece has a size.",
        example={"to": "16 KiB", "fill": 255},
        size=_pad_size,
        apply=pad,
        trace=_pad_trace,
        describe="pad to {to} with {fill}".format,
    ),
    Operation(
        name="blocks",
        arguments={
            "size": SIZE.described("The size of a block.", "4 KiB"),
            "order": NUMBERS.described("Counted from 0, in their new order.", [3, 1, 0, 2], "a list of blocks"),
            "may-omit": FLAG.otherwise(False).described("Whether blocks may be left out.", True),
            "may-repeat": FLAG.otherwise(False).described("Whether blocks may be repeated.", True),
        },
        title="an order of blocks",
        description="Puts blocks of one size into another order.",
        example={"size": "4 KiB", "order": [1, 0]},
        size=_blocks_size,
        apply=blocks,
        trace=_blocks_trace,
        describe=lambda *, size, order, **_flags: f"blocks of {size} in order {order}",
    ),
    Operation(
        name="lane",
        arguments={
            "number": number(0, 7).described("The lane, counted from 0.", 0),
            "of": choice(2, 3, 4, 8).described("How many lanes the piece has.", 2),
            "unit": choice(1, 2, 4).otherwise(1).described("How many bytes each lane gave in its turn.", 2),
        },
        title="a lane",
        description="Keeps one lane of an interleaved piece.",
        example={"number": 0, "of": 2},
        size=_lane_size,
        apply=lane,
        trace=lambda words, part, **lane: lane_of(through(part, words), **lane),
        describe="lane {number} of {of} ({unit}-byte units)".format,
    ),
    Operation(
        name="overlay",
        arguments={
            "at": ADDRESS.described("Where in the piece they stand.", 256),
            "old": HEX.described("The bytes that are expected there.", "C3 00"),
            "new": HEX.described("As many bytes to put there.", "C9 00"),
        },
        title="an overlay",
        description="Puts new bytes in place of old ones, which are checked first.",
        example={"at": 256, "old": "C3 00", "new": "C9 00"},
        size=_overlay_size,
        apply=overlay,
        trace=_overlay_trace,
        describe="overlay {new} at {at} in place of {old}".format,
    ),
)
"""Every change of shape."""
