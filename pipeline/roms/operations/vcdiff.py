"""Applies a delta in the plain form of VCDIFF: what changed between two files, as instructions over the first.

Source: RFC 3284, "The VCDIFF Generic Differencing and Compression Data Format" (2002). Sections are named below.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from pipeline.model.units import show_size
from pipeline.roms.operations.arguments import show_range
from pipeline.roms.operations.operation import HintedError

MAGIC = b"\xd6\xc3\xc4"
"""The letters V, C and D with their highest bit set (section 4.1); version 0 follows."""

PLAIN = "make it in the plain form of RFC 3284: xdelta3 -e -f -n -A -S none -s OLD NEW DELTA"
HEADER_FORMS = {1: "compressed sections", 2: "a code table of its own", 4: "an application's header"}
SECTIONS = ("data", "instructions", "addresses")
WINDOW_FORMS = {4: "a checksum of its own"}
"""Bits of the two indicators (sections 4.1, 4.2) that are refused; the two of value 4 are no part of the RFC."""
LONGEST = 5
"""Bytes of the longest number that is read: 35 bits, more than any piece may have bytes."""


class DeltaError(HintedError):
    """A delta that cannot be applied, and why."""


def apply_delta(source: bytes, delta: bytes, size: int) -> bytes:
    """Return the file of ``size`` bytes that a delta makes of ``source``.

    Raises DeltaError for a delta in another form than the plain one, or one that is damaged or made for other sizes.
    Time and memory are bounded by ``size`` and the delta's own length, whatever the delta asks for.
    """
    reader = DeltaReader(delta)
    if reader.take(3, "magic number") != MAGIC:
        raise DeltaError("the delta does not begin with D6 C3 C4, so it is not a VCDIFF file", PLAIN)
    if version := reader.byte("version"):
        raise DeltaError(f"the delta is in version {version} of its format; expected version 0", PLAIN)
    _plain(reader.byte("header indicator"), HEADER_FORMS)
    target = bytearray()
    while not reader.at_end:
        _window(reader, source, target, size)
    if len(target) != size:
        raise DeltaError(f"the delta makes {len(target):,} bytes; expected {size:,}")
    return bytes(target)


def _plain(indicator: int, refused: dict[int, str]) -> None:
    """Stop at an indicator that asks for more than the plain form; both allow nothing but the bits named here."""
    forms = [what for bit, what in refused.items() if indicator & bit]
    unknown = indicator & ~sum(refused)
    if forms or unknown:
        raise DeltaError(f"the delta has {' and '.join(forms) or f'an unknown indicator 0x{unknown:02X}'}", PLAIN)


def _window(reader: DeltaReader, source: bytes, target: bytearray, size: int) -> None:
    """Read one window (sections 4.2, 4.3) and put what it makes behind ``target``."""
    segment = _segment(reader, source, target)
    body = reader.part(reader.number("window length"), "window")
    end = len(target) + body.number("target window size")
    if end > size:
        raise DeltaError(f"the delta makes {end:,} bytes or more; expected {size:,}")
    if body.byte("delta indicator"):
        raise DeltaError(f"the delta has {HEADER_FORMS[1]}", PLAIN)
    lengths = [body.number(f"size of its {name}") for name in SECTIONS]
    data, instructions, addresses = (body.part(length, name) for length, name in zip(lengths, SECTIONS, strict=True))
    body.finish("window")
    _Machine(segment, target, end, data, instructions, addresses).run()


def _segment(reader: DeltaReader, source: bytes, target: bytearray) -> _Segment:
    """Return the part of source or target that the window says it copies from."""
    indicator = reader.byte("window indicator")
    _plain(indicator & ~3, WINDOW_FORMS)
    if not indicator:
        return _Segment(b"", 0, 0)
    if indicator == 3:
        raise DeltaError("the delta is damaged: a window takes its segment from two files at once")
    length, start = reader.number("segment size"), reader.number("segment position")
    base, name = (source, "the piece") if indicator == 1 else (target, "its own target")
    if start + length > len(base):
        what = f"the delta copies {show_range(start, start + length)} of {name}, which has {len(base):,} bytes"
        raise DeltaError(what, "it was made for another file" if indicator == 1 else "")
    return _Segment(base, start, length)


@dataclass(frozen=True, slots=True)
class _Segment:
    """The part of source or target that a window copies from: ``length`` bytes of ``base`` from ``start`` on."""

    base: bytes | bytearray
    start: int
    length: int


@dataclass(slots=True)
class _Machine:
    """Runs the instructions of one window; what they make goes behind ``target``, up to ``end``."""

    segment: _Segment
    target: bytearray
    end: int
    data: DeltaReader
    instructions: DeltaReader
    addresses: DeltaReader
    first: int = field(init=False)
    near: list[int] = field(default_factory=lambda: [0] * 4)
    same: list[int] = field(default_factory=lambda: [0] * 768)
    slot: int = 0

    def run(self) -> None:
        """Run every instruction (section 5.4); all sections must be used up and the window filled."""
        self.first = len(self.target)
        while not self.instructions.at_end:
            for kind, size, mode in CODE[self.instructions.byte("instruction")]:
                length = size or self.instructions.number("instruction size")
                if len(self.target) + length > self.end:
                    raise DeltaError("an instruction of the delta makes more than its window holds")
                if kind == "add":
                    self.target += self.data.take(length, "data")
                elif kind == "run":
                    self.target += self.data.take(1, "data") * length
                else:
                    self._copy(self._address(mode), length)
        if len(self.target) != self.end:
            raise DeltaError("the instructions of the delta end before their window is full")
        for section, name in ((self.data, "data"), (self.addresses, "addresses")):
            section.finish(name)

    def _address(self, mode: int) -> int:
        """Return the next address of a COPY, and remember it (section 5.3).

        Addresses count through the segment and on through what this window has made. Mode 0 gives the address, 1 the
        way back from here, 2 to 5 the way on from one of the last four, 6 to 8 one of 768 by its lowest byte.
        """
        here = self.segment.length + len(self.target) - self.first
        if mode < 6:
            number = self.addresses.number("address")
            address = number if mode == 0 else here - number if mode == 1 else self.near[mode - 2] + number
        else:
            address = self.same[(mode - 6) * 256 + self.addresses.byte("address")]
        if not 0 <= address < here:
            known = f"only 0 to {here - 1:,} is" if here else "nothing is"
            raise DeltaError(f"the delta copies from {address:,}, where {known} known")
        self.near[self.slot] = address
        self.slot = (self.slot + 1) % 4
        self.same[address % 768] = address
        return address

    def _copy(self, address: int, length: int) -> None:
        """Put ``length`` bytes from an address behind the target, all from the segment or all from this window.

        In this window they may reach into what is being made: then they repeat (section 3).
        """
        inside = address - self.segment.length
        if inside < 0:
            if inside + length > 0:
                raise DeltaError("the delta is damaged: it copies across the end of its segment")
            start = self.segment.start + address
            self.target += self.segment.base[start : start + length]
            return
        while length:
            part = self.target[self.first + inside : self.first + inside + length]
            self.target += part
            length -= len(part)


@dataclass(slots=True)
class DeltaReader:
    """The bytes of a delta from ``position`` up to ``end``; what is asked for beyond them raises DeltaError."""

    data: bytes
    position: int = 0
    end: int = -1

    def __post_init__(self) -> None:
        self.end = len(self.data) if self.end < 0 else self.end

    @property
    def at_end(self) -> bool:
        """Whether everything has been read."""
        return self.position == self.end

    def take(self, length: int, what: str) -> bytes:
        """Return the next bytes."""
        start = self._advance(length, what)
        return self.data[start : self.position]

    def byte(self, what: str) -> int:
        """Return the next byte."""
        return self.data[self._advance(1, what)]

    def number(self, what: str) -> int:
        """Return the next number: 7 bits a byte, most significant first, bit 7 set in all bytes but the last.

        Source: RFC 3284, section 2.
        """
        number = 0
        for _ in range(LONGEST):
            byte = self.byte(what)
            number = number << 7 | byte & 0x7F
            if byte < 0x80:
                return number
        raise DeltaError(f"the delta is damaged: its {what} is a number of more than {LONGEST} bytes")

    def part(self, length: int, what: str) -> DeltaReader:
        """Return a reader of the next bytes alone."""
        start = self._advance(length, what)
        return DeltaReader(self.data, start, self.position)

    def finish(self, what: str) -> None:
        """Stop where something is left over."""
        if not self.at_end:
            raise DeltaError(f"the delta is damaged: {show_size(self.end - self.position)} of its {what} left over")

    def _advance(self, length: int, what: str) -> int:
        start = self.position
        if length > self.end - start:
            raise DeltaError(f"the delta is cut short or damaged: it ends within its {what}")
        self.position = start + length
        return start


class Instruction(NamedTuple):
    """One thing to do: "add" new bytes, "run" one byte, or "copy" from an address in one of nine modes (0 to 8).

    ``size``: how many bytes it makes; 0 where the number follows the code.
    """

    kind: Literal["add", "run", "copy"]
    size: int = 0
    mode: int = 0


def _code() -> tuple[tuple[Instruction, ...], ...]:
    """Return the default code table line by line as section 5.6 prints it; a code means one instruction or two."""
    codes: list[tuple[Instruction, ...]] = [(Instruction("run"),)]  # line 1
    codes += [(Instruction("add", size),) for size in range(18)]  # 2
    codes += [(Instruction("copy", size, mode),) for mode in range(9) for size in (0, *range(4, 19))]  # 3 to 11
    for modes, sizes in ((range(6), range(4, 7)), (range(6, 9), range(4, 5))):  # 12 to 17, 18 to 20
        codes += [(Instruction("add", before), Instruction("copy", size, mode))
                  for mode in modes for before in range(1, 5) for size in sizes]  # fmt: skip
    codes += [(Instruction("copy", 4, mode), Instruction("add", 1)) for mode in range(9)]  # 21
    return tuple(codes)


CODE = _code()
"""The instructions of each of the 256 codes: the default code table (section 5.6)."""
