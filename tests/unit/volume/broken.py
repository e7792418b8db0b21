"""One thing broken in a volume: each case is a name and the bytes to write where."""

from __future__ import annotations

import struct
from collections.abc import Iterator

from pipeline.fat.names import checksum
from pipeline.model.reading import Item, Reading

BAD_LABELS = {
    "blanks": b" " * 11,
    "NULs": bytes(11),
    "a label padded with NULs": b"HELLO".ljust(11, b"\0"),
    "a label that begins with a blank": b" HELLO     ",
    "a label with an asterisk": b"HE*LO      ",
}

Patches = tuple[tuple[int, bytes], ...]
Case = tuple[str, Patches]

END = {12: 0xFFF, 16: 0xFFFF, 32: 0x0FFFFFFF}
NAME_BYTES = b' a*+,./:;<=>?[\\]|"\x01\x7f\xe4'


class Volume:
    """An unpartitioned volume that holds FILES of ``making``, and where its parts lie."""

    def __init__(self, data: bytes, reading: Reading) -> None:
        self.data, self.reading, self.volume = data, reading, reading.volume
        self.bits = self.volume.fat_bits
        self.fat = self.volume.fat_start * 512
        self.one = self.volume.fat_sectors * 512
        items = {item.path: item for item in reading.items}
        self.long, self.folder = items["A long name of it.dat"], items["SUB"]
        self.deep, self.other = items["SUB/DEEP"], items["SUB/DEEP/Another long name.bin"]
        self.end = END[self.bits]
        self.wide = self.bits == 32
        self.last = self.volume.clusters + 1
        self.root = reading.data_offset - self.volume.root_entries * 32

    def entry(self, cluster: int, value: int, copies: int = 2) -> Patches:
        """A value in the FAT."""
        at, raw = self.fat + cluster * self.bits // 8, struct.pack("<I", value)[: self.bits // 8 or 1]
        if self.bits == 12:
            old = int.from_bytes(self.data[at : at + 2], "little")
            new = (old & 0x000F | value << 4) if cluster % 2 else (old & 0xF000 | value)
            raw = new.to_bytes(2, "little")
        return tuple((at + number * self.one, raw) for number in range(min(copies, self.reading.fats)))

    def start(self, item: Item, cluster: int) -> Patches:
        """The first cluster in an entry."""
        high = ((item.offset + 20, struct.pack("<H", cluster >> 16)),) if self.wide else ()
        return (*high, (item.offset + 26, struct.pack("<H", cluster & 0xFFFF)))


def cases(one: Volume) -> Iterator[Case]:
    """Yield every case that suits the volume."""
    yield "sound", ()
    yield from _chains(one)
    yield from _tables(one)
    yield from _entries(one)
    yield from _dots(one)
    yield from _long_names(one)
    yield from _short_names(one)
    yield from _labels(one)
    yield from _boot(one)
    if one.wide:
        yield from _only_fat32(one)


def _chains(one: Volume) -> Iterator[Case]:
    first, other = one.long.extents[0][0], one.other.extents[0][0]
    yield "cross-linked", one.entry(first + 1, other)
    yield "loop", one.entry(first + 2, first)
    yield "loop of one", one.entry(first, first)
    yield "chain too short", one.entry(first + 1, one.end)
    yield "chain into a free cluster", one.entry(first + 1, 0)
    yield "chain into a bad cluster", one.entry(first + 2, one.end - 8)
    yield "chain to cluster 1", one.entry(first + 1, 1)
    yield "chain beyond the volume", one.entry(first + 1, one.last + 1)
    yield "chain far beyond the volume", one.entry(first + 1, one.end - 0x20)
    yield "lost cluster", one.entry(one.last, one.end)
    yield "lost chain", one.entry(one.last - 1, one.last) + (one.entry(one.last, one.end) if one.bits != 12 else ())
    yield "lost loop", one.entry(one.last, one.last)
    yield "bad cluster marked", one.entry(one.last, one.end - 8)


def _tables(one: Volume) -> Iterator[Case]:
    yield "first FAT differs", one.entry(one.last, one.end, copies=1)
    yield "start of FAT 1 broken", ((one.fat, b"\0\0\0"),)
    yield "start of FAT 2 broken", ((one.fat + one.one, b"\0\0\0"),)
    yield "other media byte in the FAT", one.entry(0, one.end & ~0xFF | 0xF0)
    if one.bits > 12:
        yield "FAT says not unmounted", one.entry(1, one.end & ~(0x8000 << one.bits - 16 >> (one.bits == 32) * 4))
        yield "FAT says hardware error", one.entry(1, one.end & ~(0x4000 << one.bits - 16 >> (one.bits == 32) * 4))


def _entries(one: Volume) -> Iterator[Case]:
    at, folder, cluster = one.long.offset, one.folder.offset, one.volume.cluster_bytes
    yield "size 0 with a chain", ((at + 28, bytes(4)),)
    yield "size a cluster too large", ((at + 28, struct.pack("<I", one.long.size + cluster)),)
    yield "size a cluster too small", ((at + 28, struct.pack("<I", one.long.size - cluster)),)
    yield "no first cluster", one.start(one.long, 0)
    yield "first cluster 1", one.start(one.long, 1)
    yield "first cluster beyond the volume", one.start(one.long, one.last + 1)
    yield "first cluster free", one.start(one.long, one.last)
    yield "two files at one cluster", one.start(one.long, one.other.extents[0][0])
    yield "folder with a size", ((folder + 28, b"\1"),)
    yield "folder without a cluster", one.start(one.folder, 0)
    yield "folder that is its parent", one.start(one.deep, one.folder.extents[0][0])
    yield "folder as a file", ((folder + 11, b"\x20"),)
    yield "file as a folder", ((at + 11, b"\x10"),)
    yield "name there twice", ((one.folder.offset, one.data[at : at + 11]),)
    yield "date of zero", ((folder + 24, b"\0\0"),)
    behind = one.root + 14 * 32
    ghost = b"GHOST   TXT\x20".ljust(26, b"\0") + struct.pack("<HI", min(one.last, 65000), 5)
    yield "entry behind the end", ((behind, ghost),)
    yield "empty file behind the end", ((behind, ghost[:26] + bytes(6)),)


def _dots(one: Volume) -> Iterator[Case]:
    at = one.reading.cluster_offset(one.folder.extents[0][0])
    dots = one.data[at : at + 64]
    yield "dot renamed", ((at, b"X"),)
    yield "dot to another cluster", ((at + 26, b"\x77"),)
    yield "dot-dot to another cluster", ((at + 58, b"\x77"),)
    yield "dot-dot of the root's cluster", ((at + 58, b"\2"),)
    yield "dot as a file", ((at + 11, b"\x20"),)
    yield "dot with a size", ((at + 28, b"\1"),)
    yield "dots swapped", ((at, dots[32:] + dots[:32]),)
    yield "dot deleted", ((at, b"\xe5"),)
    yield "dot-dot deleted", ((at + 32, b"\xe5"),)
    yield "folder of zeros", ((at, bytes(64)),)


def _long_names(one: Volume) -> Iterator[Case]:
    at = one.long.offset
    yield "long name: checksum of the second slot", ((at - 32 + 13, bytes([one.data[at - 32 + 13] ^ 1])),)
    yield "long name: checksum of the first slot", ((at - 64 + 13, bytes([one.data[at - 64 + 13] ^ 1])),)
    yield "long name: slot 3 where 1 is due", ((at - 32, b"\3"),)
    yield "long name: slot 3 where 2 is due", ((at - 64, b"\x43"),)
    yield "long name: last slot not marked", ((at - 64, b"\2"),)
    yield "long name: first slot deleted", ((at - 64, b"\xe5"),)
    yield "long name: second slot deleted", ((at - 32, b"\xe5"),)
    yield "long name: of no entry", ((at, b"\xe5"),)
    yield "long name: type", ((at - 32 + 12, b"\1"),)
    yield "long name: cluster", ((at - 32 + 26, b"\1"),)
    yield "long name: forbidden character", ((at - 32 + 1, b"*\0"),)
    yield "long name: half a surrogate pair", ((at - 32 + 1, b"\0\xd8"),)
    yield "bad 8.3 name under a long name", ((at + 3, b"*"), *_sums(one, b"*"))
    yield "bad 8.3 name under a long name, bit 20 in byte 12", ((at + 3, b"*"), (at + 12, b"\x20"), *_sums(one, b"*"))
    yield "bit 20 in byte 12", ((at + 12, b"\x20"),)
    yield "8.3 name changed under a long name", ((at + 3, b"Q"),)


def _sums(one: Volume, fourth: bytes) -> Patches:
    """The checksums of the long name where the 8.3 name has another fourth character."""
    at = one.long.offset
    total = checksum(one.data[at : at + 3] + fourth + one.data[at + 4 : at + 11])
    return tuple((at - 32 * number + 13, bytes([total])) for number in (1, 2))


def _short_names(one: Volume) -> Iterator[Case]:
    at = one.folder.offset
    for byte in NAME_BYTES:
        yield f"byte {byte:02X} in an 8.3 name", ((at + 1, bytes([byte])),)
        if byte != 0x20:
            yield f"byte {byte:02X} in an extension", ((at + 8, bytes([byte])),)
    yield "blank at the start of an 8.3 name", ((at, b" "),)
    yield "05 for E5 in an 8.3 name", ((at, b"\5"),)


def _labels(one: Volume) -> Iterator[Case]:
    boot = 71 if one.wide else 43
    label = next(at for at in range(one.root, one.root + 512, 32) if one.data[at : at + 12] == b"HELLO      \x08")
    yield "label of the boot sector differs", ((boot, b"OTHER      "),)
    yield "no label in the boot sector", ((boot, b"NO NAME    "),)
    yield "no label in the root", ((label, b"\xe5"),)
    for name, raw in BAD_LABELS.items():
        yield f"{name} as both labels", ((boot, raw), (label, raw))
        yield f"{name} as label of the boot sector", ((boot, raw),)
        yield f"{name} as the only label", ((boot, raw), (label, b"\xe5"))
    yield "two labels", ((one.folder.offset + 11, b"\x08"),)


def _boot(one: Volume) -> Iterator[Case]:
    tail = 64 if one.wide else 36
    yield "not unmounted", ((tail + 1, b"\1"),)
    yield "no 55 AA", ((510, b"\0\0"),)
    yield "no jump", ((0, b"\0"),)
    yield "media byte that is none", ((21, b"\x12"),)
    yield "three FATs", ((16, b"\3"),)
    yield "no mark 29", ((tail + 2, b"\0"),)
    yield "cluster of 0 sectors", ((13, b"\0"),)
    yield "cluster of 3 sectors", ((13, b"\3"),)
    yield "no reserved sectors", ((14, b"\0\0"),)
    yield "no FATs", ((16, b"\0"),)
    yield "FAT of 0 sectors", ((36, bytes(4)),) if one.wide else ((22, b"\0\0"),)
    if not one.wide:
        yield "FAT too small", ((22, struct.pack("<H", one.volume.fat_sectors // 2)),)
    small = one.data[19:21] != b"\0\0"
    yield "0 sectors", ((19, b"\0\0") if small else (32, bytes(4)),)
    more = one.volume.sectors + 3000
    yield "more sectors than there are", ((19, struct.pack("<H", more)) if small else (32, struct.pack("<I", more)),)


def _only_fat32(one: Volume) -> Iterator[Case]:
    first = one.long.extents[0][0]
    yield "free count wrong", ((512 + 488, bytes([one.data[512 + 488] ^ 1])),)
    yield "free count unknown", ((512 + 488, b"\xff" * 4),)
    yield "FSInfo: first signature", ((512, b"X"),)
    yield "FSInfo: second signature", ((512 + 484, b"X"),)
    yield "FSInfo: end", ((512 + 510, b"X"),)
    yield "FSInfo: byte 508", ((512 + 508, b"\1"),)
    yield "FSInfo: byte 509", ((512 + 509, b"\1"),)
    yield "no FSInfo", ((48, b"\0\0"),)
    yield "no backup", ((50, b"\0\0"),)
    yield "backup differs", ((6 * 512 + 90, b"X"),)
    yield "root at cluster 0", ((44, bytes(4)),)
    yield "root beyond the volume", ((44, struct.pack("<I", one.last + 1)),)
    yield "root at a folder", ((44, struct.pack("<I", one.folder.extents[0][0])),)
    yield "root in a loop", one.entry(2, 2)
    yield "root into a file", one.entry(2, first)
    yield "version 1", ((42, b"\1"),)
    yield "upper four bits of an entry", ((one.fat + 4 * one.last + 3, b"\xf0"),)
