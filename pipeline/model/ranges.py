"""Where the bytes of a file are from: ranges that follow one another, each with its sources."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class RangeSource:
    """What bytes are from, and what was done to them on the way, in order.

    ``kind``: "chip", "patch", "bytes" (written in the manifest), "fill", "table" (of a container), "check" (of no
    bytes) or "hole" (no step reaches there). ``name``: of the chip or patch; the bytes of "bytes", "fill", "hole".
    ``holds``: what is in the chip, in a few words, "" where nobody says; of equal sources it is the same.
    """

    kind: str
    name: str = ""
    through: tuple[str, ...] = ()
    holds: str = field(default="", compare=False)

    def __str__(self) -> str:
        return ", ".join([self._noun, *self.through])

    @property
    def words(self) -> str:
        """What ``str`` gives, and what the chip holds."""
        return ", ".join([f"{self._noun} ({self.holds})" if self.holds else self._noun, *self.through])

    @property
    def _noun(self) -> str:
        nouns = {"table": "table of names", "check": "check value"}
        return nouns.get(self.kind, f"{self.kind} {self.name}")


@dataclass(frozen=True, slots=True)
class Lanes:
    """Units of ``unit`` bytes that take turns, and the sources of each lane, in the order of the turns."""

    unit: int
    sources: tuple[tuple[RangeSource, ...], ...]

    @property
    def period(self) -> int:
        """Bytes after which the first lane has its turn again."""
        return self.unit * len(self.sources)


@dataclass(frozen=True, slots=True)
class Range:
    """Bytes from ``start`` up to but not including ``end``, and everything their values depend on.

    ``lanes``: which of the sources each of the bytes depends on, where they take turns from ``start`` on. It serves
    working out what becomes of the bytes, and is not part of what a range is equal to.
    """

    start: int
    end: int
    sources: tuple[RangeSource, ...]
    lanes: Lanes | None = field(default=None, compare=False)


Ranges = tuple[Range, ...]
"""All of a piece, in order."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RomMap:
    """All of one ROM file of a title (by id) in order, without a gap; ``size`` in bytes.

    ``path``: in the title's manifest; ``card_path``: on the card, "" where no card is meant.
    """

    title: str
    path: str
    size: int
    ranges: Ranges
    card_path: str = ""
