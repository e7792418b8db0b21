"""Check fields: a sum or CRC of the piece, put into it at an address.

``from`` and ``size`` give the range that is checked (the whole piece without them). A field that lies in the range is
left out of it; ``field = "zero"`` counts its bytes as zero instead, which only a CRC can tell apart.
"""

from __future__ import annotations

import zlib
from typing import Literal

from pipeline.model.ranges import Ranges, Source
from pipeline.roms.operations.arguments import ADDRESS, ENDIAN, FLAG, SIZE, WORD, Argument, choice
from pipeline.roms.operations.bits import total
from pipeline.roms.operations.crc import crc16
from pipeline.roms.operations.operation import Operation, whole_units
from pipeline.roms.provenance import cut, placed, size_of, sources_of, through, whole


def put_sum(
    data: bytes, *, at: int, bits: int, of: int, form: str, byte_order: str | None, from_: int, size: int | None
) -> bytes:
    """Return the piece with a sum of its ``of``-bit numbers, modulo 2**bits, written as ``bits`` bits at ``at``.

    "plain" is the sum itself; "negated" is 2**bits less the sum, so that sum and field come to 0 modulo 2**bits when
    both have the same width. The numbers of the range and the field have the one byte order.
    """
    order, width, unit = _order(byte_order), bits // 8, of // 8
    part = _range(data, at, width, from_, size, "excluded")
    shifts = range(0, of, 8) if order == "little" else range(of - 8, -1, -8)
    value = sum(total(part[j::unit]) << shift for j, shift in enumerate(shifts))
    return _put(data, at, (-value if form == "negated" else value) % (1 << bits), width, order)


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
    """Return the piece with the CRC-16 of a range, by its parameters, written at ``at``."""
    part = _range(data, at, 2, from_, size, field)
    value = crc16(part, poly=poly, init=init, reflected=reflected, xor_out=xor_out)
    return _put(data, at, value, 2, _order(byte_order))


def put_crc32(data: bytes, *, at: int, byte_order: str, field: str, from_: int, size: int | None) -> bytes:
    """Return the piece with the CRC-32 of a range written at ``at``.

    Source: ITU-T V.42, 8.1.1.6.2; RFC 1952, section 8.
    """
    return _put(data, at, zlib.crc32(_range(data, at, 4, from_, size, field)), 4, _order(byte_order))


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
    """Return the piece's size where field and range lie in it, and the field wholly in or out of the range."""
    end = whole if size is None else start + size
    if at + width > whole or end > whole or start >= end:
        raise ValueError(
            f"checks 0x{start:04X} to 0x{end:04X} and writes 0x{at:04X} to 0x{at + width:04X}; "
            f"the piece ends at 0x{whole:04X}"
        )
    if at < start < at + width or at < end < at + width:
        raise ValueError(f"has a field of {width} bytes at 0x{at:04X} that lies partly in the range it checks")
    return whole


def _sum_size(
    whole: int, /, *, at: int, bits: int, of: int, form: str, byte_order: str | None, from_: int, size: int | None
) -> int:
    _field_size(whole, at, bits // 8, from_, size)
    if (max(bits, of) > 8) != (byte_order is not None):
        raise ValueError("needs byte-order for numbers of more than 8 bits" if byte_order is None else _NO_ORDER)
    whole_units((whole if size is None else from_ + size) - from_, of // 8)
    inside = from_ <= at < (whole if size is None else from_ + size)
    if inside and ((at - from_) % (of // 8) or bits % of):
        raise ValueError(f"has a field of {bits} bits at 0x{at:04X} that cuts a {of}-bit number of the range")
    return whole


_NO_ORDER = "has a byte-order, but only numbers of 8 bits, which have none"


def _crc16_size(whole: int, /, *, at: int, from_: int, size: int | None, **_arguments: object) -> int:
    return _field_size(whole, at, 2, from_, size)


def _crc32_size(whole: int, /, *, at: int, from_: int, size: int | None, **_arguments: object) -> int:
    return _field_size(whole, at, 4, from_, size)


def _where(*, at: str, byte_order: str, from_: str, size: str) -> str:
    """Return where a field stands and what it covers, for people."""
    order = f" {byte_order}" if byte_order else ""
    part = f" over {size or 'the rest'} from {from_}" if size or from_ != "0x0000" else ""
    return f"at {at}{order}{part}"


def _counted(field: str) -> str:
    return ", field counted as zero" if field == "zero" else ""


def _crc16_tell(*, poly: str, init: str, reflected: str, xor_out: str, field: str, **rest: str) -> str:
    turned = "reflected, " if reflected == "true" else ""
    return f"CRC-16 ({poly}, from {init}, {turned}XOR {xor_out}) {_where(**rest)}{_counted(field)}"


def _trace(
    words: str, part: Ranges, width: int, /, *, at: int, from_: int, size: int | None, **_arguments: object
) -> Ranges:
    """Return the piece, its field being from everything in the range that is checked."""
    end = size_of(part) if size is None else from_ + size
    checked = cut(part, from_, min(max(at, from_), end)), cut(part, max(from_, min(at + width, end)), end)
    sources = sources_of(*(through(ranges, words) for ranges in checked)) or (Source("check", "", (words,)),)
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

FIELDS = (
    Operation(
        name="sum",
        arguments={
            "at": AT,
            "bits": choice(8, 16, 32).described("How wide the field is.", 16),
            "of": choice(8, 16, 32).otherwise(8).described("How wide the numbers are that are added.", 16),
            "form": choice("plain", "negated").described("The sum itself, or what makes the total zero.", "negated"),
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
        tell=lambda *, bits, of, form, **rest: f"{form} {bits}-bit sum of {of}-bit numbers {_where(**rest)}",
    ),
    Operation(
        name="crc-16",
        arguments={
            "at": AT,
            "poly": WORD.described("The polynomial, without its highest bit.", 4129),
            "init": WORD.described("What it starts from.", 65535),
            "reflected": FLAG.described("Whether bits are taken least significant first.", False),
            "xor-out": WORD.described("What the result is combined with by exclusive or.", 0),
            **CRC_FIELD,
            **RANGE,
        },
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
        size=_crc16_size,
        apply=put_crc16,
        trace=lambda words, part, **where: _trace(words, part, 2, **where),
        tell=_crc16_tell,
    ),
    Operation(
        name="crc-32",
        arguments={"at": AT, **CRC_FIELD, **RANGE},
        title="a CRC-32",
        description="Writes the CRC-32 of a range into a field of the piece.",
        example={"at": 65532, "byte-order": "little-endian"},
        size=_crc32_size,
        apply=put_crc32,
        trace=lambda words, part, **where: _trace(words, part, 4, **where),
        tell=lambda *, field, **rest: f"CRC-32 {_where(**rest)}{_counted(field)}",
    ),
)
"""Every check field."""
