"""The records of text dumps: Intel HEX and Motorola S-record files, line by line, as the data they place.

bincopy takes a record apart; whatever it lets pass is checked here: digits with spaces between them, records too short
for their address, unknown types, a wrong order, a missing end, wrong counts, addresses that public tools read
differently. Which of the two a file is in is never guessed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import NamedTuple, NoReturn

from pipeline.model.text import shown
from pipeline.model.units import show_size
from pipeline.roms.operations.operation import HintedError

SEGMENT = 1 << 16
"""Bytes that the 16-bit address of an Intel HEX record reaches."""
ADDRESSES = 1 << 32
"""Bytes that the addresses of either form reach."""
WIDTHS = {"0": 2, "1": 2, "2": 3, "3": 4, "5": 2, "6": 3, "7": 4, "8": 3, "9": 2}
"""Bytes of the address (or count) of each type of S-record."""

HEX_LINE = re.compile(":(?:[0-9A-Fa-f]{2}){5,}")
S_LINE = re.compile("S[0-9](?:[0-9A-Fa-f]{2}){4,}")


MARK = b"\xef\xbb\xbf"
"""The byte order mark of UTF-8, which some editors put in front of a text (The Unicode Standard, section 23.8)."""
LONGEST_RECORD = 3 + 2 * 256 + 2
"""Characters of a record, at most."""


class SumError(HintedError):
    """A record whose sum is wrong; ``expected`` is what it would have to be."""

    def __init__(self, line: int, found: int, expected: int) -> None:
        super().__init__(
            f"line {line}: the record's sum is {found:02X}; expected {expected:02X}", "the line is damaged"
        )
        self.line = line
        self.expected = expected


class DataRun(NamedTuple):
    """The data of one record: where they begin, the bytes, and the number of its line, from 1."""

    start: int
    data: bytes
    line: int


class _Record(NamedTuple):
    line: int
    kind: str
    address: int
    data: bytes


def intel_hex(text: bytes) -> Iterator[DataRun]:
    """Yield the data of an Intel HEX file in the order they stand.

    ``:CCAAAATT``, data, sum: count, address, type, and the byte that brings the sum of all to 0 mod 256. Types: 00
    data, 01 end, 02 segment (its data times 16 is added to addresses), 04 linear (its data are their upper 16 bits),
    03 and 05 start addresses, which are not used. Raises ValueError with the line of what is wrong.
    Source: Intel, Hexadecimal Object File Format Specification, Revision A (1988).
    """
    base, linear, ended = 0, False, 0
    for record in _hex_records(text):
        _nothing_after(ended, record)
        if record.kind == "00" and record.data:
            yield DataRun(base + _within(record, base, linear=linear), record.data, record.line)
            continue
        expected = {"01": 0, "02": 2, "03": 4, "04": 2, "05": 4}.get(record.kind, len(record.data))
        if len(record.data) != expected:
            _refuse(
                record.line,
                f"a record of type {record.kind} has {show_size(len(record.data))}; expected {expected}",
            )
        if record.kind in ("02", "04"):
            base, linear = _base(record, base, linear=linear)
        ended = record.line if record.kind == "01" else 0
    _require_end(ended, "the end record :00000001FF")


def s_records(text: bytes) -> Iterator[DataRun]:
    """Yield the data of a Motorola S-record file in the order they stand.

    ``STCC``, address, data, sum: type, count of the bytes behind it, and the complement of their sum. Types: 0 header,
    1 to 3 data with addresses of 2 to 4 bytes, 5 and 6 the number of data records so far, 7 to 9 the end. Public tools
    leave out the end where nothing is to be started, but then count; a text with neither may have been cut short.
    Raises ValueError with the line of what is wrong.
    Source: Motorola, M68000 Family Programmer's Reference Manual (1992), appendix C.
    """
    seen, counted, ended = 0, 0, 0
    for record in _s_records(text):
        _nothing_after(ended, record)
        if record.kind in "123":
            if counted:
                _refuse(record.line, f"data after the count of line {counted}; expected the end record")
            seen += 1
            if record.address + len(record.data) > ADDRESSES:
                _refuse(record.line, "runs past address 0xFFFFFFFF")
            yield DataRun(record.address, record.data, record.line)
        elif record.kind == "0":
            if seen or counted:
                _refuse(record.line, "a header behind data; expected it in front of them")
        elif record.data:
            _refuse(record.line, f"a record S{record.kind} has {show_size(len(record.data))} of data; expected none")
        elif record.kind in "56":
            if record.address != seen:
                _refuse(record.line, f"counts {record.address:,} data records; found {seen:,}")
            counted = record.line
        else:
            ended = record.line
    _require_end(ended or counted, "a count (S5 or S6) or an end record (S7 to S9)")


FORMS: dict[str, Callable[[bytes], Iterator[DataRun]]] = {"intel-hex": intel_hex, "s-record": s_records}
"""The forms of text dumps by the names they have in a manifest."""


def form_of(text: bytes) -> str:
    """Return the form whose record the first line of a text is, after a byte order mark if there is one, else ""."""
    first = b"".join(text[: 2 * LONGEST_RECORD].removeprefix(MARK).split(maxsplit=1)[:1]).decode("latin-1")
    return "intel-hex" if HEX_LINE.fullmatch(first) else "s-record" if S_LINE.fullmatch(first) else ""


def with_sum_corrected(text: bytes, form: str) -> tuple[bytes, SumError] | None:
    """Return a text dump with its one wrong sum corrected, and what was wrong; None where more is wrong, or nothing."""
    try:
        for _ in FORMS[form](text):
            pass
    except SumError as error:
        lines = text.splitlines(keepends=True)
        line = lines[error.line - 1]
        record = line.rstrip()
        lines[error.line - 1] = record[:-2] + b"%02X" % error.expected + line[len(record) :]
        return b"".join(lines), error
    except HintedError:
        pass
    return None


def _base(record: _Record, base: int, *, linear: bool) -> tuple[int, bool]:
    """Return what a record of type 02 or 04 adds to addresses, and whether it is linear."""
    now_linear = record.kind == "04"
    if record.address:
        _refuse(record.line, f"a record of type {record.kind} has the address {record.address:04X}; expected 0000")
    if base and linear != now_linear:
        _refuse(record.line, "segment and linear addresses are mixed, which public tools read differently")
    return int.from_bytes(record.data, "big") * (SEGMENT if now_linear else 16), now_linear


def _within(record: _Record, base: int, *, linear: bool) -> int:
    """Return the address of a data record, which must not run out of what its kind of addresses reaches.

    By the specification it would begin again at the bottom; public tools go on upwards instead.
    """
    end = record.address + len(record.data)
    if not linear and end > SEGMENT:
        _refuse(record.line, "runs past the end of its segment of 64 KiB, which public tools read differently")
    if base + end > ADDRESSES:
        _refuse(record.line, "runs past address 0xFFFFFFFF")
    return record.address


def _hex_records(text: bytes) -> Iterator[_Record]:
    from bincopy import crc_ihex, unpack_ihex  # here, since most runs read no text dump and bincopy loads slowly

    for number, line in _lines(text, HEX_LINE, '":" and five pairs of hexadecimal digits or more'):
        _check_count(number, int(line[1:3], 16), len(line) // 2 - 5)
        _check_sum(number, line, crc_ihex(line[1:-2]))
        kind, address, _, data = unpack_ihex(line)
        if kind > 5:
            _refuse(number, f"a record of type {kind:02X}; expected 00 to 05")
        yield _Record(number, f"{kind:02X}", address, bytes(data))


def _s_records(text: bytes) -> Iterator[_Record]:
    from bincopy import crc_srec, unpack_srec  # as above

    for number, line in _lines(text, S_LINE, '"S", a digit and four pairs of hexadecimal digits or more'):
        width = WIDTHS.get(line[1])
        if width is None:
            _refuse(number, f"a record S{line[1]}; expected S0 to S3 or S5 to S9")
        count = len(line) // 2 - 2
        _check_count(number, int(line[2:4], 16), count)
        if count < width + 1:
            _refuse(
                number,
                f"has {show_size(count)}; expected {width + 1} at least, an address of {width} and the sum",
            )
        _check_sum(number, line, crc_srec(line[2:-2]))
        kind, address, _, data = unpack_srec(line)
        yield _Record(number, kind, address, bytes(data))


def _lines(text: bytes, pattern: re.Pattern[str], expected: str) -> Iterator[tuple[int, str]]:
    """Yield the lines that are not blank with their numbers; each must be one record.

    Behind the last may stand the character 1A, with which CP/M and its followers end a text (common practice).
    """
    if text.startswith(MARK):
        what = f"line 1: found a byte order mark; expected {expected}"
        raise HintedError(what, 'take it off before decode: { strip = { header = "EF BB BF" } }')
    if text.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise HintedError(f"line 1: found UTF-16 text; expected {expected}", "save the file as ASCII text")
    for number, raw in enumerate(text.rstrip(b"\x1a").splitlines(), 1):
        line = raw.decode("latin-1").rstrip(" \t")
        if line and not pattern.fullmatch(line):
            _refuse(number, f"found {_shown(line)}; expected {expected}")
        if line:
            yield number, line


def _shown(line: str) -> str:
    return f'"{shown(line[:24])}"' + (" ..." if len(line) > 24 else "")


def _check_count(number: int, declared: int, found: int) -> None:
    if declared != found:
        _refuse(number, f"the record has {show_size(found)}; its count says {declared}", "it is cut short or damaged")


def _check_sum(number: int, line: str, expected: int) -> None:
    if int(line[-2:], 16) != expected:
        raise SumError(number, int(line[-2:], 16), expected)


def _nothing_after(ended: int, record: _Record) -> None:
    if ended:
        _refuse(record.line, f"a record after the end record of line {ended}; expected none")


def _require_end(ended: int, expected: str) -> None:
    if not ended:
        raise HintedError(f"the text ends without an end record; expected {expected}", "was it cut short?")


def _refuse(number: int, what: str, hint: str = "") -> NoReturn:
    raise HintedError(f"line {number}: {what}", hint)
