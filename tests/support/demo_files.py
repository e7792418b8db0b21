"""Makes every byte of the demo's files.

``python -m tests.support.demo_files`` writes inputs/files anew and lists the contents.

All of it is invented here: chips, bitstreams and discs are SHAKE256 output (FIPS 202) of a start text, the rest is
text and patterns written below. The same bytes come out on any machine. Archives that are deflated are the exception:
zlib versions pack differently, so such an archive is left alone while its members are the right ones.
"""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Mapping
from io import BytesIO
from pathlib import Path
from zipfile import ZIP_DEFLATED, ZIP_STORED, ZipFile, ZipInfo

K = 1024
FOLDER = Path(__file__).resolve().parents[2] / "inputs" / "files"
DEFLATED = frozenset({"tallow-two-system.zip", "box-3.zip", "cellar/laptop backup.zip"})

CHIPS: Mapping[str, Mapping[str, int]] = {
    "shared": {"5p": 2 * K, "8e": 4 * K, "12l": 256},
    "moth-pantry": {"4t": 4 * K, "4u": 4 * K, "4v": 2 * K, "2a": 2 * K, "1c": 32},
    "turnip-tithe": {"1a": 2 * K, "1b": 2 * K, "1c": 2 * K, "1d": 2 * K, "5q": 2 * K},
    "ladder-lending": {"3k": 8 * K, "3y": 8 * K, "4n": 2 * K},
    "teapot-regatta": {"a1": 4 * K, "a2": 4 * K, "a3": 4 * K, "a4": 4 * K, "b1": 4 * K, "b2": 4 * K},
    "night-postman": {"2c": 8 * K} | {f"u{number}": K for number in range(1, 9)},
    "gravel-derby": {"10r": 8 * K, "11r": 8 * K},
    "velvet-cistern": {"v1": 2 * K, "v2": 2 * K, "v3": 2 * K, "v4": 2 * K, "9w": 2 * K, "9x": 2 * K},
    "orbit-bakery": {f"k{number}": K for number in range(1, 9)} | {"4b": 2 * K},
    "signal-box-seven": {"7s": 8 * K, "8s": 8 * K, "9s": 16 * K},
    "marble-ferry": {"1y": 8 * K, "2y": 2 * K, "3y": K},
    "kite-quarrel": {"q1": 2 * K, "q2": 2 * K, "6q": 4 * K},
    "hedge-census": {"1h": 16 * K, "2h": 4 * K, "sub": K},
    "walrus-ballot": {"5w": 8 * K, "5x": 8 * K, "3c": 512},
    "pickle-tribunal": {f"{row}{number}": size * K for row, size in (("t", 4), ("g", 2)) for number in range(1, 5)},
    "drizzle-league": {"low": 4 * K, "high": 4 * K},
}
"""Bytes in each chip of each title; the chips under "shared" are used by more than one title."""

TEXTS: Mapping[str, int] = {"turnip-tithe/5q": 0x2800}
"""Chips of which the dump is the text of an Intel HEX file, with the address of the first byte."""

FINISHED: Mapping[str, int] = {
    "quillon/discs": 48 * K,
    "quillon/system": 16 * K,
    "orbit-bakery/table": 192,
    "soup-harbour/cartridge": 8 * K,
    "lantern-audit/cartridge": 8 * K,
    "fennel-insurance/cartridge": 8 * K,
    "quilt-inspector/cartridge": 8 * K,
    "plum-observatory/cartridge": 8 * K,
}
"""Bytes in each file that goes onto a card as it is."""

BITSTREAMS: Mapping[str, int] = {"glimmer": 12 * K, "quillon": 16 * K, "marrowby": 10 * K, "bramblet": 8 * K}

PACK: Mapping[str, int] = {
    "START.BIN": 4 * K,
    "GLYPHS.BIN": 2 * K,
    "SHELF-1/JAM.BIN": 6 * K,
    "SHELF-1/TEA.BIN": 6 * K,
    "SHELF-2/OATS.BIN": 6 * K,
    "SHELF-2/SALT.BIN": 6 * K,
    "SHELF-3/RYE.BIN": 5000,
    "SHELF-3/THYME.BIN": 1,
}
"""Bytes in each file of the Bramblet's fixed pack."""

PLACES = (
    "attic/New folder/dump({number}).bin",
    "box-3.zip>tray/{number}.img",
    "cellar/tin {number}/chip.bin",
    "attic/monday.zip>untitled-{number}.bin",
    "attic/reader log/READ{number:04}.DAT",
    "box-5.zip>{number:08}.tmp",
    "cellar/laptop backup.zip>Desktop/stuff/IC{number}.BIN",
    "attic/New folder (2)/{number:03}.rom",
)
"""Where contents are hidden, in turn; after ">" stands the member of an archive."""

README = """\
Files of the demo
=================

Everything below this folder was invented for the demo by the script
tests/support/demo_files.py, which makes it anew byte for byte. No chip, game, machine,
club or company in it exists. It is dedicated to the public domain under
CC0-1.0 (https://creativecommons.org/publicdomain/zero/1.0/).

tallow-two-system.zip   the board's own system files
bramblet-pack.sha256    what belongs to the pack of the Bramblet core
club/                   the club's own texts, copied as they are
attic/ cellar/ box-*    where the dumps lie, under the names they happen to have

This file is not searched and goes onto no card.
"""

CLUB = {
    "club/read-me.txt": """\
Welcome to the Tallow Lane Computer Club!

This card belongs to the club's Tallow Two. Push it in with the power off,
switch on, and choose a machine with the arrow keys. If the screen stays dark,
nothing is broken: call whoever has the kettle, they know the switch.

Please put the card back into its tin.
""",
    "club/Rota for the stall.txt": """\
First hour    Wick and Hazel show the upright screen
Second hour   Old Benno explains what a chip dump is
Third hour    everybody plays, nobody explains
""",
}

SYSTEM_TEXTS = {
    "BENCH.SET": (
        "; BENCH.SET of the Tallow Two, system release 5\n"
        "; Lines that begin with a semicolon are notes. Found on the table by the caf\xe9 door.\n"
        "\n"
        "[frame]\n"
        "output = hdmi\n"
        "shade = 0         ; 0 to 100\n"
        "; shade = 40      ; what Hazel likes\n"
        "\n"
        "[desk]\n"
        "; lid, or socket for a keyboard that is plugged in\n"
        "listens-to = lid\n"
        "elbow-room=left\n"
        "\n"
        "[horn]\n"
        "Volume\t=\t7\n"
        "output = both"
    ),
    "SYSTEM/HELP.TXT": (
        "Arrow keys choose, Return starts, the round button brings this list back.\n"
        "The board reads the card once, while it starts.\n"
    ),
}
"""Texts of the board's system archive; BENCH.SET holds a byte that is no ASCII and ends without a line ending."""


def noise(seed: str, size: int) -> bytes:
    """Return ``size`` bytes that look like nothing, always the same for a seed."""
    return hashlib.shake_256(f"Tallow Lane: {seed}".encode()).digest(size)


def chip(seed: str, size: int) -> bytes:
    """Return a chip's dump: noise, then an eighth that was never written and reads 0xFF."""
    return noise(seed, size - size // 8) + b"\xff" * (size // 8)


def hex_text(data: bytes, start: int) -> bytes:
    """Return an Intel HEX file, 16 bytes a line, that leaves out what was never written at the end.

    Source: Intel, Hexadecimal Object File Format Specification, Revision A (1988).
    """
    written, lines = data.rstrip(b"\xff"), []
    for at in range(0, len(written), 16):
        part = written[at : at + 16]
        record = bytes([len(part)]) + (start + at).to_bytes(2, "big") + b"\0" + part
        lines.append(f":{record.hex()}{-sum(record) & 255:02x}".upper())
    return "".join(f"{line}\n" for line in (*lines, ":00000001FF")).encode()


def bitstream(core: str) -> bytes:
    """Return an invented bitstream: a line of text, then noise."""
    head = f"invented bitstream of the {core} core\n".encode()
    return head + noise(f"bitstream {core}", BITSTREAMS[core] - len(head))


def wanted() -> dict[str, bytes]:
    """Return every content the manifests ask for, by a name such as "moth-pantry/4t" or "glimmer/bitstream"."""
    chips = {f"{title}/{name}": size for title, sizes in CHIPS.items() for name, size in sizes.items()}
    return (
        {name: chip(name, size) for name, size in chips.items()}
        | {name: hex_text(chip(name, chips[name]), start) for name, start in TEXTS.items()}
        | {name: noise(name, size) for name, size in FINISHED.items()}
        | {f"{core}/bitstream": bitstream(core) for core in BITSTREAMS}
        | {f"pack/{path}": noise(f"pack {path}", size) for path, size in PACK.items()}
    )


def hidden() -> dict[str, str]:
    """Return where each wanted content lies below inputs/files: its name to "folder/file" or "archive>member"."""
    return {name: PLACES[turn % len(PLACES)].format(number=(turn * 37 + 5) % 211) for turn, name in enumerate(wanted())}


def junk() -> dict[str, bytes]:
    """Return what lies about and is wanted by nobody: blanks, bad reads, copies, halves and notes."""
    contents = wanted()
    misread = bytearray(contents["moth-pantry/4t"])
    misread[0x123] ^= 0x08
    return {
        "attic/New folder/4t.bin": bytes(misread),
        "attic/New folder/Copy of 4t (good one).bin": contents["moth-pantry/4t"],
        "attic/shopping list.txt": b"tea, biscuits, contact cleaner, more biscuits\n",
        "attic/reader log/READ9999.DAT": b"\xff" * (4 * K),
        "attic/moth first try.rom": contents["moth-pantry/4u"] + contents["moth-pantry/4t"],
        "cellar/half of it.bin": contents["signal-box-seven/9s"][: 8 * K],
        "cellar/empty.bin": b"",
        "cellar/tin 500/chip.bin": bytes(2 * K),
        "attic/monday.zip>notes.txt": b"untitled-something is the sound chip. Or was it the other one?\n",
        "box-3.zip>Gr\xfc\xdfe vom Sommerfest.txt": b"The marrow won again.\n",
        "box-3.zip>tray/label.txt": b"do NOT shake\n",
        "box-5.zip>spare/spare.bin": noise("spare", 3000),
        "cellar/laptop backup.zip>Desktop/read me later.txt": b"later\n",
    }


def pack_list() -> bytes:
    """Return the checksum list of the Bramblet's pack: hash, two spaces, path, one line a file."""
    lines = (f"{hashlib.sha256(noise(f'pack {path}', size)).hexdigest()}  {path}\n" for path, size in PACK.items())
    return "".join(lines).encode()


def system_files() -> dict[str, bytes]:
    """Return the members of the board's system archive; its texts have CR LF line endings and are Latin-1."""
    tile = bytes.fromhex("00183C7E7E3C1800")
    texts = {path: text.replace("\n", "\r\n").encode("latin-1") for path, text in SYSTEM_TEXTS.items()}
    return texts | {
        "SYSTEM/FONT.BIN": b"".join(tile[turn % 8 :] + tile[: turn % 8] for turn in range(256)),
        "SYSTEM/LOADER.BIN": noise("loader", 7 * K + 77),
        "SYSTEM/Start picture.raw": bytes(x ^ y for y in range(64) for x in range(64)),
    }


def demo() -> tuple[dict[str, bytes], dict[str, dict[str, bytes]]]:
    """Return the plain files by path and the archives' members by the archive's path, all below inputs/files."""
    contents = wanted()
    plain = {"README.txt": README.encode(), "bramblet-pack.sha256": pack_list()}
    plain |= {path: text.encode() for path, text in CLUB.items()}
    archives = {"tallow-two-system.zip": system_files()}
    lying_about = {place: contents[name] for name, place in hidden().items()} | junk()
    for place, content in lying_about.items():
        path, is_member, name = place.partition(">")
        if is_member:
            archives.setdefault(path, {})[name] = content
        else:
            plain[path] = content
    return plain, archives


def member(name: str, method: int) -> ZipInfo:
    """Return the head of an archive's member; time, origin and rights are the same on every machine."""
    info = ZipInfo(name, date_time=(2026, 1, 5, 19, 0, 0))
    info.compress_type = method
    info.create_system = 3  # Unix, so that external_attr holds its rights
    info.external_attr = 0o644 << 16
    return info


def packed(members: Mapping[str, bytes], method: int) -> bytes:
    """Return a ZIP archive; only a deflating zlib can make a difference between machines."""
    buffer = BytesIO()
    with ZipFile(buffer, "w") as archive:
        for name, content in members.items():
            archive.writestr(member(name, method), content)
    return buffer.getvalue()


def listing(archive: bytes) -> list[tuple[object, ...]]:
    """Return what two archives must agree on to hold the same: each member's name, time, method, rights and bytes."""
    with ZipFile(BytesIO(archive)) as opened:
        return [
            (one.filename, one.date_time, one.compress_type, one.external_attr, opened.read(one))
            for one in opened.infolist()
        ]


def write(folder: Path) -> None:
    """Write the demo's files below a folder; a deflated archive with the right members stays as it is."""
    plain, archives = demo()
    for name, members in archives.items():
        plain[name] = packed(members, ZIP_DEFLATED if name in DEFLATED else ZIP_STORED)
    for name, content in plain.items():
        path = folder / name
        if name in DEFLATED and path.exists() and listing(path.read_bytes()) == listing(content):
            continue
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)


def main() -> None:
    """Write inputs/files, and show of every wanted content what a manifest says of it and where it lies."""
    write(FOLDER)
    places = hidden()
    for name, content in wanted().items():
        print(f"{name}: {len(content)} {hashlib.sha256(content).hexdigest()} {zlib.crc32(content):08x} {places[name]}")


if __name__ == "__main__":
    main()
