"""Reads the parts of a delta, and never beyond them."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.model.units import show_size
from pipeline.roms.operations.operation import HintedError

LONGEST = 5
"""Bytes of the longest number that is read: 35 bits, more than any piece may have bytes."""


class DeltaError(HintedError):
    """A delta that cannot be applied, and why."""


@dataclass(slots=True)
class Reader:
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

    def part(self, length: int, what: str) -> Reader:
        """Return a reader of the next bytes alone."""
        start = self._advance(length, what)
        return Reader(self.data, start, self.position)

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
