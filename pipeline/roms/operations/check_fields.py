"""Check fields: a sum, a CRC or an XOR of the piece, put into it at an address.

``from`` and ``size`` give the range that is checked (the whole piece without them). A field that lies in the range is
left out of it; ``field = "zero"`` counts its bytes as zero instead, which only a CRC can tell apart.
"""

from __future__ import annotations

import operator
import zlib
from functools import reduce
from typing import Literal

from pipeline.model.ranges import Ranges
from pipeline.model.units import show_size
from pipeline.roms.operations.arguments import (
    ADDRESS,
    BYTE,
    ENDIAN,
    FLAG,
    SIZE,
    Argument,
    choice,
    number,
    show_address,
    show_range,
)
from pipeline.roms.operations.crc import crc
from pipeline.roms.operations.operation import Operation, whole_units
from pipeline.roms.provenance import cut, placed, size_of, sources_of, through, whole

CRC_32 = {"poly": 0x04C11DB7, "init": 0xFFFF_FFFF, "reflected": True, "xor_out": 0xFFFF_FFFF}
"""The CRC-32 that is meant where nothing else is said. Source: ITU-T V.42, 8.1.1.6.2; RFC 1952, section 8."""


def put_sum(
    data: bytes,
    *,
    at: int,
    bits: int,
    of: int,
    form: str,
    total: int,
    carry: str | None,
    byte_order: str | None,
    from_: int,
    size: int | None,
) -> bytes:
    """Return the piece with a sum of its ``of``-bit numbers, written as ``bits`` bits at ``at``.

    "plain" is the sum modulo 2**bits. "negated" is ``total`` less the sum, so that sum and field come to ``total``
    modulo 2**bits when both have the same width. "inverted" is the sum with every bit inverted (its one's complement).
    The numbers of the range and the field have the one byte order.

    ``carry`` "end-around" adds what runs out at the top at the bottom again, as one's-complement addition does: sum
    and inverted field then come to 2**bits - 1. Zero is all ones there, unless every number is zero.
    Source of the latter: RFC 1071, section 1; the others are common practice.
    """
    order, width, unit = _order(byte_order), bits // 8, of // 8
    part = _range(data, at, width, from_, size, "excluded")
    shifts = range(0, of, 8) if order == "little" else range(of - 8, -1, -8)
    value = sum(sum(part[j::unit]) << shift for j, shift in enumerate(shifts))
    while carry and value >> bits:
        value = (value & (1 << bits) - 1) + (value >> bits)
    made = {"plain": value, "negated": total - value, "inverted": ~value}[form]
    return _put(data, at, made & (1 << bits) - 1, width, order)


def put_xor(data: bytes, *, at: int, total: int, from_: int, size: int | None) -> bytes:
    """Return the piece with the byte at ``at`` that brings the XOR of all bytes of the range to ``total``.

    Source: ISO 1155 (longitudinal parity), from memory.
    """
    return _put(data, at, reduce(operator.xor, _range(data, at, 1, from_, size, "excluded"), total), 1, "little")


def put_crc16(
    data: bytes,
    *,
    at: int,
    poly: int,
    init: int,
    reflected: bool,
    xor_out: int,
    byte_order: str,
    field: str,
    from_: int,
    size: int | None,
) -> bytes:
    """Return the piece with the CRC-16 of a range, by its parameters (``crc.crc``), written at ``at``."""
    part = _range(data, at, 2, from_, size, field)
    value = crc(part, bits=16, poly=poly, init=init, reflected=reflected, xor_out=xor_out)
    return _put(data, at, value, 2, _order(byte_order))


def put_crc32(
    data: bytes, *, at: int, byte_order: str, field: str, from_: int, size: int | None, **parameters: int
) -> bytes:
    """Return the piece with the CRC-32 of a range, by its parameters (``crc.crc``, ``CRC_32``), written at ``at``."""
    part = _range(data, at, 4, from_, size, field)
    value = zlib.crc32(part) if parameters == CRC_32 else crc(part, bits=32, **parameters)  # type: ignore[arg-type]
    return _put(data, at, value, 4, _order(byte_order))


def _order(byte_order: str | None) -> Literal["little", "big"]:
    return "big" if byte_order == "big-endian" else "little"


def _put(data: bytes, at: int, value: int, width: int, order: Literal["little", "big"]) -> bytes:
    return data[:at] + value.to_bytes(width, order) + data[at + width :]


def _range(data: bytes, at: int, width: int, start: int, size: int | None, field: str) -> bytes:
    """Return the bytes that are checked: without the field, or with zeros in its place."""
    end = len(data) if size is None else start + size
    if at + width <= start or at >= end:
        return data[start:end]
    return data[start:at] + (bytes(width) if field == "zero" else b"") + data[at + width : end]


def _field_size(whole: int, at: int, width: int, start: int, size: int | None) -> int:
    """Return the piece's size where field and range lie in it, the field out of the range or in it with more."""
    end = whole if size is None else start + size
    if at + width > whole or end > whole or start >= end:
        found = f"checks {show_range(start, end)} and writes {show_range(at, at + width)}"
        raise ValueError(f"{found}; the piece ends with {show_address(whole - 1)}")
    if at < start < at + width or at < end < at + width:
        raise ValueError(f"has a field of {show_size(width)} at {show_address(at)} that lies partly in its range")
    if (start, end) == (at, at + width):
        raise ValueError(f"checks nothing but its own field, {show_range(start, end)}; expected other bytes too")
    return whole


def _sum_size(
    whole: int,
    /,
    *,
    at: int,
    bits: int,
    of: int,
    form: str,
    total: int,
    carry: str | None,
    byte_order: str | None,
    from_: int,
    size: int | None,
) -> int:
    if total and form != "negated":
        raise ValueError(f'has a total, which only form = "negated" comes to; found form = "{form}"')
    if total >> bits:
        raise ValueError(f"has the total {show_address(total)}; expected one of {bits} bits")
    if carry and form == "negated":
        raise ValueError('has an end-around carry, where a negated number is an inverted one: write form = "inverted"')
    _field_size(whole, at, bits // 8, from_, size)
    if (max(bits, of) > 8) != (byte_order is not None):
        raise ValueError("needs byte-order for numbers of more than 8 bits" if byte_order is None else _NO_ORDER)
    whole_units((whole if size is None else from_ + size) - from_, of // 8)
    inside = from_ <= at < (whole if size is None else from_ + size)
    if inside and ((at - from_) % (of // 8) or bits % of):
        raise ValueError(f"has a field of {bits} bits at {show_address(at)} that cuts a {of}-bit number of the range")
    return whole


_NO_ORDER = "has a byte-order, but only numbers of 8 bits, which have none"


def _where(*, at: str, byte_order: str = "", from_: str, size: str) -> str:
    """Return the address of a field and what it covers, for people."""
    order = f" {byte_order}" if byte_order else ""
    part = f" over {size or 'the rest'} from {from_}" if size or from_ != "0x0000" else ""
    return f"at {at}{order}{part}"


def _describe_sum(*, bits: str, of: str, form: str, total: str, carry: str, **where: str) -> str:
    to_total = f" to {total}" if total != "0x0000" else ""
    carried = " with end-around carry" if carry else ""
    return f"{form} {bits}-bit sum of {of}-bit numbers{to_total}{carried} {_where(**where)}"


def _describe_xor(*, total: str, **where: str) -> str:
    return f"XOR check byte{f' to {total}' if total != '0x00' else ''} {_where(**where)}"


def _describe_crc(
    *, bits: int, poly: str, init: str, reflected: str, xor_out: str, field: str, usual: bool = False, **where: str
) -> str:
    turned = "reflected, " if reflected == "true" else ""
    parameters = "" if usual else f" ({poly}, from {init}, {turned}XOR {xor_out})"
    counted = ", field counted as zero" if field == "zero" else ""
    return f"CRC-{bits}{parameters} {_where(**where)}{counted}"


def _describe_crc32(*, field: str, at: str, byte_order: str, from_: str, size: str, **parameters: str) -> str:
    where = {"field": field, "at": at, "byte_order": byte_order, "from_": from_, "size": size}
    return _describe_crc(bits=32, usual=parameters == _USUAL, **parameters, **where)


def _trace(
    words: str, part: Ranges, width: int, /, *, at: int, from_: int, size: int | None, **_arguments: object
) -> Ranges:
    """Return the piece, its field being from everything in the range that is checked."""
    end = size_of(part) if size is None else from_ + size
    checked = cut(part, from_, min(max(at, from_), end)), cut(part, max(from_, min(at + width, end)), end)
    sources = sources_of(*(through(ranges, words) for ranges in checked))
    return placed(part, [(at, whole(width, *sources))])


RANGE: dict[str, Argument] = {
    "from": ADDRESS.otherwise(0).described("Where the range begins that is checked.", 0),
    "size": SIZE.otherwise(None).described("How many bytes are checked; left out: all to the end.", "16 KiB"),
}
CRC_FIELD: dict[str, Argument] = {
    "byte-order": ENDIAN.described("How the field is written.", "little-endian"),
    "field": choice("excluded", "zero")
    .otherwise("excluded")
    .described("Whether the field itself is left out of the range, or counts as zero.", "zero"),
}
AT = ADDRESS.described("Where the field stands.", 65532)


def _crc_arguments(bits: int, poly: int) -> dict[str, Argument]:
    """Return the parameters of a CRC; without a polynomial there is none, so 0 is refused."""
    highest = (1 << bits) - 1
    value = number(0, highest, show_address)
    return {
        "poly": number(1, highest, show_address).described("The polynomial, without its highest bit.", poly),
        "init": value.described("What it starts from.", highest),
        "reflected": FLAG.described("Whether bits are taken least significant first.", False),
        "xor-out": value.described("What the result is combined with by exclusive or.", 0),
    }


_OF_CRC_32 = {
    key: argument.otherwise(CRC_32[key.replace("-", "_")])
    for key, argument in _crc_arguments(32, CRC_32["poly"]).items()
}
_USUAL = {key.replace("-", "_"): argument.show(argument.default) for key, argument in _OF_CRC_32.items()}

FIELDS = (
    Operation(
        name="sum",
        arguments={
            "at": AT,
            "bits": choice(8, 16, 32).described("How wide the field is.", 16),
            "of": choice(8, 16, 32).otherwise(8).described("How wide the numbers are that are added.", 16),
            "form": choice("plain", "negated", "inverted").described(
                "The sum itself; what brings the total to zero or to total; the sum with every bit inverted.", "negated"
            ),
            "total": number(0, 0xFFFF_FFFF, show_address)
            .otherwise(0)
            .described("What sum and negated field come to together.", 90),
            "carry": choice("end-around")
            .otherwise(None)
            .described(
                "Adds a carry out of the highest bit to the lowest (one's complement); left out: it is dropped.",
                "end-around",
            ),
            "byte-order": ENDIAN.otherwise(None).described(
                "How numbers of more than 8 bits lie in the piece.", "big-endian"
            ),
            **RANGE,
        },
        title="a sum",
        description="Writes the sum of a range into a field of the piece.",
        example={"at": 65535, "bits": 8, "form": "negated"},
        size=_sum_size,
        apply=put_sum,
        trace=lambda words, part, *, bits, **where: _trace(words, part, bits // 8, **where),
        describe=_describe_sum,
    ),
    Operation(
        name="xor-check",
        arguments={
            "at": AT,
            "total": BYTE.otherwise(0).described("What the XOR of the range and the check byte comes to.", 255),
            **RANGE,
        },
        title="an XOR check byte",
        description="Writes the byte that brings the exclusive or of all bytes of a range to a value.",
        example={"at": 65535},
        size=lambda whole, /, *, at, total, from_, size: _field_size(whole, at, 1, from_, size),
        apply=put_xor,
        trace=lambda words, part, **where: _trace(words, part, 1, **where),
        describe=_describe_xor,
    ),
    Operation(
        name="crc-16",
        arguments={"at": AT, **_crc_arguments(16, 0x1021), **CRC_FIELD, **RANGE},
        title="a CRC-16",
        description=(
            "Writes the CRC-16 of a range into a field of the piece; its parameters are written out, since its names "
            "are not agreed."
        ),
        example={
            "at": 65534,
            "poly": 4129,
            "init": 65535,
            "reflected": False,
            "xor-out": 0,
            "byte-order": "big-endian",
        },
        size=lambda whole, /, *, at, from_, size, **_: _field_size(whole, at, 2, from_, size),
        apply=put_crc16,
        trace=lambda words, part, **where: _trace(words, part, 2, **where),
        describe=lambda **arguments: _describe_crc(bits=16, **arguments),
    ),
    Operation(
        name="crc-32",
        arguments={"at": AT, **_OF_CRC_32, **CRC_FIELD, **RANGE},
        title="a CRC-32",
        description="Writes the CRC-32 of a range into a field of the piece; without parameters that of ZIP and PNG.",
        example={"at": 65532, "byte-order": "little-endian"},
        size=lambda whole, /, *, at, from_, size, **_: _field_size(whole, at, 4, from_, size),
        apply=put_crc32,
        trace=lambda words, part, **where: _trace(words, part, 4, **where),
        describe=_describe_crc32,
    ),
)
"""Every check field."""
