"""Handbook: what the ROM parts that are printed on chips hold.

``published`` tells rows that a named text gives from those that are trade knowledge, from memory. Organisations should
be taken from data books only: one generated "data sheet" in circulation calls the 82S131 a 32 x 8 part.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

MEMORY = "trade knowledge, from memory"
TYPES = 'encyclopedia article "EPROM" (Wikipedia), table of sizes and types'
TALK = "classiccmp mailing list"
TI = "Texas Instruments, The TTL Data Book"
SIGNETICS = "Signetics, Bipolar Memories (1973)"
KILO = 1024


@dataclass(frozen=True, slots=True, kw_only=True)
class ChipPart:
    """One part: its number without maker's letters, how many words it has and of how many bits, and who says so.

    ``kind``: "EPROM", "PROM" (bipolar) or "mask ROM". A part that can be read by bytes or by words counts as one of
    16-bit words.
    """

    number: str
    kind: str
    words: int
    bits: int
    source: str

    @property
    def size(self) -> int:
        """Bytes of its dump: one a word of 4 or 8 bits, two a word of 16."""
        return self.words * (2 if self.bits == 16 else 1)

    @property
    def published(self) -> bool:
        """Whether a text says so, and not memory alone."""
        return self.source != MEMORY


def _rows(kind: str, words: int, bits: int, source: str, numbers: str) -> list[ChipPart]:
    return [ChipPart(number=number, kind=kind, words=words, bits=bits, source=source) for number in numbers.split()]


EPROMS = (
    *_rows("EPROM", 256, 8, TYPES, "1702"),
    *_rows("EPROM", 512, 8, TYPES, "2704"),
    *_rows("EPROM", 1 * KILO, 8, TYPES, "2708"),
    *_rows("EPROM", 2 * KILO, 8, TYPES, "2716 2516 27C16"),
    *_rows("EPROM", 4 * KILO, 8, TYPES, "2732 2532"),
    *_rows("EPROM", 4 * KILO, 8, MEMORY, "27C32"),
    *_rows("EPROM", 8 * KILO, 8, TYPES, "2764 2564 27C64"),
    *_rows("EPROM", 16 * KILO, 8, TYPES, "27128 27C128"),
    *_rows("EPROM", 32 * KILO, 8, TYPES, "27256 27C256"),
    *_rows("EPROM", 64 * KILO, 8, TYPES, "27512 27C512"),
    *_rows("EPROM", 128 * KILO, 8, TYPES, "27C010 27C1001 27C100"),
    *_rows("EPROM", 256 * KILO, 8, TYPES, "27C020 27C2001"),
    *_rows("EPROM", 512 * KILO, 8, TYPES, "27C040 27C4001"),
    *_rows("EPROM", 1024 * KILO, 8, "STMicroelectronics, data sheet M27C801, Rev 6", "27C801"),
    *_rows("EPROM", 1024 * KILO, 8, TYPES, "27C080"),
    *_rows("EPROM", 1024 * KILO, 16, TYPES, "27C160"),
    *_rows("EPROM", 2048 * KILO, 16, TYPES, "27C320"),
    *_rows("EPROM", 64 * KILO, 16, MEMORY, "27C1024 27C210"),
    *_rows("EPROM", 128 * KILO, 16, MEMORY, "27C2048 27C202"),
    *_rows("EPROM", 256 * KILO, 16, MEMORY, "27C4096 27C4002 27C400"),
    *_rows("EPROM", 512 * KILO, 16, MEMORY, "27C800"),
    *_rows("EPROM", 2048 * KILO, 16, MEMORY, "27C322"),
)
PROMS = (
    *_rows("PROM", 32, 8, SIGNETICS, "82S23 82S123"),
    *_rows("PROM", 32, 8, MEMORY, "74S188 74S288 18S030 18SA030 6330 6331 7602 7603"),
    *_rows("PROM", 256, 4, "Signetics, Series 3000 handbook", "82S126 82S129"),
    *_rows("PROM", 256, 4, TALK, "74S287 7611"),
    *_rows("PROM", 256, 4, MEMORY, "74S387 24S10 63S140 63S141 7610"),
    *_rows("PROM", 512, 4, MEMORY, "82S130 82S131 74S570 74S571 63S240 63S241 7620 7621"),
    *_rows("PROM", 1 * KILO, 4, "Signetics, data sheet 82S137", "82S137"),
    *_rows("PROM", 1 * KILO, 4, MEMORY, "82S136 74S572 74S573 63S440 63S441 24S41 7642 7643"),
    *_rows("PROM", 2 * KILO, 4, MEMORY, "82S184 82S185 24S81 63S841"),
    *_rows("PROM", 256, 8, "Signetics, data sheet 82S114", "82S114"),
    *_rows("PROM", 256, 8, MEMORY, "82S135 28L22"),
    *_rows("PROM", 512, 8, "Signetics, data sheet 82S115", "82S115"),
    *_rows("PROM", 512, 8, TI, "28S42 28SA42 28SA46"),
    *_rows("PROM", 512, 8, MEMORY, "82S141 82S147 28S46 74S472"),
    *_rows("PROM", 1 * KILO, 8, TI, "28S2708"),
    *_rows("PROM", 1 * KILO, 8, MEMORY, "82S180 82S181 28S86"),
    *_rows("PROM", 2 * KILO, 8, MEMORY, "82S190 82S191 28S166"),
    *_rows("PROM", 4 * KILO, 8, MEMORY, "82S321 63S3281"),
)
MASK_ROMS = (
    *_rows("mask ROM", 2 * KILO, 8, MEMORY, "2316"),
    *_rows("mask ROM", 4 * KILO, 8, MEMORY, "2332"),
    *_rows("mask ROM", 8 * KILO, 8, MEMORY, "2364"),
    *_rows("mask ROM", 16 * KILO, 8, MEMORY, "23128"),
    *_rows("mask ROM", 32 * KILO, 8, MEMORY, "23256"),
    *_rows("mask ROM", 64 * KILO, 8, MEMORY, "23512"),
    *_rows("mask ROM", 128 * KILO, 8, MEMORY, "23C1000 23C1001"),
    *_rows("mask ROM", 256 * KILO, 8, MEMORY, "23C2000"),
    *_rows("mask ROM", 512 * KILO, 8, MEMORY, "23C4000 23C4001"),
    *_rows("mask ROM", 1024 * KILO, 8, MEMORY, "23C8000"),
    *_rows("mask ROM", 2048 * KILO, 8, MEMORY, "23C16000"),
)
PARTS = {part.number: part for part in (*EPROMS, *PROMS, *MASK_ROMS)}
"""Every part by its number."""

MAKER = re.compile(r"HN4[68]|HM\d-|M5[LM]|[^\W\d_]{0,4}-?")
"""Letters that stand before the number on the parts of one maker or another (trade knowledge, from memory)."""


def part_named(text: str) -> ChipPart | None:
    """Return the part that a text names ("M27C256B-12", "Signetics N82S129N"), None where it names none or several.

    A maker's letters stand before the number, and a variant, package and speed after it.
    """
    words = re.split(r"[\s,;/()]+", text.upper())
    found = {part.number: part for word in words if (part := _of_word(word))}
    return next(iter(found.values())) if len(found) == 1 else None


def _of_word(word: str) -> ChipPart | None:
    maker = MAKER.match(word)
    rest = word[maker.end() :] if maker else word
    fitting = [number for number in PARTS if rest.startswith(number) and not rest[len(number) :][:1].isdigit()]
    return PARTS[max(fitting, key=len)] if fitting else None
