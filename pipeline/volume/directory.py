"""The slots of one directory as files, folders, labels and dot entries, with their long names where these are good.

Source: Microsoft FAT32 File System Specification 1.03 (2000), "FAT Directory Structure" and "Long Directory Entries".
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from pipeline.fat.entries import DIRECTORY, ENTRY, LONG_NAME, SLOT, VOLUME_LABEL
from pipeline.fat.names import FORBIDDEN, LONGEST, checksum, utf16_units
from pipeline.volume.source import Findings

FREE, END = 0xE5, 0x00
MOST_LONG_SLOTS = 20
"""Of one long name."""

UNPRINTABLE = re.compile(r"[/\\\x00-\x1f\x7f-\x9f]")
FORBIDDEN_IN_LONG = re.compile(rf"[{re.escape(FORBIDDEN)}\x00-\x1f\x7f-\x9f\ufffd]")
BAD_IN_SHORT = frozenset(b'"*+,./:;<=>?[\\]|\x7f') | frozenset(range(32)) | frozenset(range(0x61, 0x7B))
"""Bytes no 8.3 name may hold."""

BAD_IN_LABEL = BAD_IN_SHORT - frozenset(range(0x61, 0x7B)) - {0x7F}
"""Bytes no volume label may hold; it follows the rules of 8.3 names, but for its missing dot."""

CODE_PAGE = "cp437"
"""For 8.3 names beyond ASCII: no volume says which code page it means; this one is common practice."""

Piece = tuple[int, bytes]
"""Bytes of a directory and the offset in the image at which they lie."""


@dataclass(frozen=True, slots=True)
class Raw:
    """One entry: ``slots`` of 32 bytes it takes with its long name, ``offset`` of the last of them."""

    name: str
    short: str
    raw11: bytes
    attributes: int
    cluster: int
    size: int
    offset: int
    slots: int
    times: tuple[int, int, int, int, int, int]

    @property
    def is_folder(self) -> bool:
        """Whether it is a folder, or one of the two dot entries."""
        return bool(self.attributes & DIRECTORY)

    @property
    def is_label(self) -> bool:
        """Whether it is a volume label."""
        return self.attributes & (VOLUME_LABEL | DIRECTORY) == VOLUME_LABEL

    @property
    def is_dot(self) -> bool:
        """Whether it stands for a folder itself or its parent."""
        return self.raw11 in (b".          ", b"..         ")


def entries(pieces: Iterable[Piece], wide: bool, path: str, findings: Findings) -> Iterator[Raw]:
    """Yield the entries of a directory up to its end mark; ``wide``: clusters have 32 bits."""
    long = _LongName(path, findings)
    ended = False
    for offset, data in pieces:
        firsts = data[::SLOT]
        if ended:
            if _behind_the_end(firsts, 0, offset, path, findings):
                return
            continue
        for number, first in enumerate(firsts):
            if first == END:
                long.orphaned()
                if _behind_the_end(firsts, number, offset, path, findings):
                    return
                ended = True
                break
            if first == FREE:
                long.orphaned()
                continue
            slot = data[number * SLOT : (number + 1) * SLOT]
            at = offset + number * SLOT
            if slot[11] & 0x3F == LONG_NAME:
                long.add(slot, at)
            else:
                yield _entry(slot, at, wide, long)
    long.orphaned()


def _behind_the_end(firsts: bytes, number: int, offset: int, path: str, findings: Findings) -> bool:
    """Find a slot in use behind the end mark, where all must be free; most readers stop, some read on."""
    for at in range(number, len(firsts)) if firsts.count(0, number) < len(firsts) - number else ():
        if firsts[at] not in (FREE, END):
            what = "slots are in use after the end of the directory"
            findings.add("end mark", what, offset=offset + at * SLOT, path=path)
            return True
    return False


def _entry(slot: bytes, offset: int, wide: bool, long: _LongName) -> Raw:
    raw, attributes, case, tenths, made_time, made_date, read_date, high, time, date, low, size = ENTRY.unpack(slot)
    short = shown_short(raw)
    name, slots = long.taken(raw) if not attributes & VOLUME_LABEL else (long.orphaned(), 0)
    return Raw(
        name or _in_case(short, case),
        short,
        raw,
        attributes,
        (high << 16 if wide else 0) | low,
        size,
        offset,
        slots + 1,
        (made_date, made_time, tenths, read_date, date, time),
    )


def shown_short(raw: bytes) -> str:
    """Return an 8.3 name as it is shown; a first byte of 05 stands for E5."""
    if raw[0] == 0x05:
        raw = b"\xe5" + raw[1:]
    stem, extension = (part.rstrip(b" ").decode(CODE_PAGE) for part in (raw[:8], raw[8:]))
    return printable(f"{stem}.{extension}" if extension else stem)


def shown_label(raw: bytes) -> str:
    """Return a volume label as it is shown."""
    return printable(raw.decode(CODE_PAGE).rstrip(" \0"))


def label_is_bad(raw: bytes) -> bool:
    """Whether a volume label breaks the rules: a forbidden byte, NUL among them, or a blank at its start.

    Lower-case letters are forbidden too, but systems show them, and fsck.fat is content.
    """
    return raw[0] == 0x20 or not BAD_IN_LABEL.isdisjoint(raw[1:] if raw[0] == 0x05 else raw)


def _in_case(short: str, case: int) -> str:
    """Return an 8.3 name in the case that two bits give it, as Windows and Linux show it (common practice)."""
    if not case & 0x18:
        return short
    stem, dot, extension = short.partition(".")
    return (stem.lower() if case & 0x08 else stem) + dot + (extension.lower() if case & 0x10 else extension)


def short_is_bad(raw: bytes) -> bool:
    """Whether an 8.3 name breaks the rules: a forbidden byte, a leading blank, or a blank within."""
    if raw[0] == 0x05:
        raw = b"\xe5" + raw[1:]
    return raw[0] == 0x20 or not BAD_IN_SHORT.isdisjoint(raw)


def printable(name: str) -> str:
    """Return a name without what would be read as a path or change the screen: U+FFFD stands for it."""
    return UNPRINTABLE.sub("\ufffd", name)


class _LongName:
    """The slots of a long name that stand before an entry, checked as they come."""

    def __init__(self, path: str, findings: Findings) -> None:
        self._path, self._findings = path, findings
        self._slots: list[bytes] = []
        self._offset = 0
        self._wrong = ""

    def add(self, slot: bytes, offset: int) -> None:
        """Take the next slot."""
        order = slot[0]
        if order & 0x40 and self._slots:
            self.orphaned()
        if not self._slots:
            self._offset = offset
            self._wrong = (
                "" if order & 0x40 else f"its first slot is number {order}, not marked as the last of the name"
            )
        elif not self._wrong and (order & 0x3F) != (self._slots[-1][0] & 0x3F) - 1:
            self._wrong = f"slot {order & 0x3F} follows slot {self._slots[-1][0] & 0x3F}"
        elif not self._wrong and slot[13] != self._slots[0][13]:
            self._wrong = "its slots have different checksums"
        if not self._wrong and not 1 <= order & 0x3F <= MOST_LONG_SLOTS:
            self._wrong = f"a slot has the number {order & 0x3F}, expected 1 to {MOST_LONG_SLOTS}"
        if slot[12] or slot[26] or slot[27]:
            what = "a slot has a type or a cluster, expected 0"
            self._findings.add("long name", what, offset=offset, path=self._path)
        if len(self._slots) <= MOST_LONG_SLOTS:
            self._slots.append(slot)

    def orphaned(self) -> str:
        """Find slots that no entry follows, drop them, and return no name."""
        if self._slots:
            self._findings.add(
                "long name", "slots of a long name belong to no entry", offset=self._offset, path=self._path
            )
        self._slots.clear()
        return ""

    def taken(self, raw11: bytes) -> tuple[str, int]:
        """Return the long name of the entry that follows and its slots; "" and 0 where there is none that is good."""
        if not self._slots:
            return "", 0
        wrong = self._wrong
        if not wrong and self._slots[-1][0] & 0x3F != 1:
            wrong = f"slots 1 to {(self._slots[-1][0] & 0x3F) - 1} are missing"
        total = checksum(raw11)
        if not wrong and self._slots[0][13] != total:
            wrong = f"its checksum is {self._slots[0][13]:02X}, the 8.3 name's {total:02X}"
        name, problem = _decode(self._slots)
        wrong = wrong or problem
        if wrong:
            short = shown_short(raw11)
            path = f"{self._path}/{short}" if self._path else short
            self._findings.add("long name", wrong, offset=self._offset, path=path)
        count = len(self._slots)
        self._slots.clear()
        return ("", 0) if wrong and wrong != problem else (name, count)


def _decode(slots: Sequence[bytes]) -> tuple[str, str]:
    """Return the name that slots hold, the last part first, and what is wrong with its characters."""
    units = b"".join(slot[1:11] + slot[14:26] + slot[28:] for slot in reversed(slots))
    name = units.decode("utf-16-le", "replace").partition("\0")[0]
    if not name:
        return "", "it is empty"
    if len(slots) == MOST_LONG_SLOTS and utf16_units(name) > LONGEST:
        return printable(name), f"it has {utf16_units(name)} characters; a name may have {LONGEST}"
    if FORBIDDEN_IN_LONG.search(name):
        return printable(name), "it holds characters that are not allowed"
    return name, ""
