"""A card as people make it: mkfs.fat and mcopy, in the order things came to mind."""

from __future__ import annotations

import subprocess
from collections.abc import Mapping
from pathlib import Path, PurePosixPath

from tests.strangers import with_mtools
from tests.strangers.test_readers import shifted
from tests.strangers.tools import require
from tests.support.small import BITSTREAM, BOARD, CHIP_A, CHIP_B, CONFIG, CORE, ROM, sha

DISCS = bytes(range(251)) * 30
"""Invented; it takes four clusters of 2 KiB."""

CHANGES: Mapping[str, str | bytes] = {
    "inputs/cores/fern.toml": CORE.replace('release = "1.0"', 'release = "1.0"\nfolder = "FERN"')
    + f"""
[[files]]
path = "DISCS.LIB"
size = {len(DISCS)}
sha256 = "{sha(DISCS)}"
placement = "first"
""",
    "inputs/boards/oak.toml": BOARD,
    "inputs/files/attic/discs": DISCS,
}
"""What the small project needs so that its core asks for a first file."""

FILES: Mapping[str, bytes] = {
    "BENCH.SET": CONFIG,
    "NOTES.TXT": b"bring the long cable\r\n",
    "DISCS.LIB": DISCS,
    "._DISCS.LIB": b"\0\5\x16\7",
    "FABRICS/FERN/FERN.FAB": BITSTREAM,
    "FABRICS/FERN/SIGN.TXT": b"Fern\r\n",
    "FABRICS/MOSS/MOSS.FAB": b"another invented bitstream" * 30,
    "FABRICS/MOSS/SIGN.TXT": b"Moss garden\r\n",
    "GOODS/FERN/SNAIL.ROM": ROM,
    "GOODS/FERN/dump of chip a.bin": CHIP_A,
    "PICTURES/a long name.raw": CHIP_B * 3,
}
"""What is on it; the core's first file is the third entry."""


def made(image: Path, tmp_path: Path) -> bytes:
    """Make the card: FAT16 in a partition of 16 MiB, DISCS.LIB in four pieces."""
    volume = tmp_path / "volume.img"
    with volume.open("wb") as file:
        file.truncate(16 << 20)
    subprocess.run(
        [require("mkfs.fat"), "-F16", "-s4", "-nGARAGE", "-i1234ABCD", "-h63", str(volume)],
        check=True,
        capture_output=True,
    )
    _copy(volume, {"BENCH.SET": CONFIG, "NOTES.TXT": FILES["NOTES.TXT"]}, tmp_path)
    fillers = {f"FILL{number}": bytes(2048) for number in range(8)}
    _copy(volume, fillers, tmp_path)
    for name in ("FILL0", "FILL2", "FILL4", "FILL6"):
        _run("mdel", volume, tmp_path, f"::/{name}")
    _copy(volume, {"DISCS.LIB": DISCS}, tmp_path)
    for name in ("FILL1", "FILL3", "FILL5", "FILL7"):
        _run("mdel", volume, tmp_path, f"::/{name}")
    _copy(volume, {path: data for path, data in FILES.items() if "/" in path or path.startswith(".")}, tmp_path)
    shifted(volume, 0x04, image)
    return image.read_bytes()


def _copy(volume: Path, files: Mapping[str, bytes], tmp_path: Path) -> None:
    tree = tmp_path / "by-hand"
    parents = [str(parent) for path in files for parent in reversed(PurePosixPath(path).parents[:-1])]
    for folder in dict.fromkeys(parents):
        _run("mmd", volume, tmp_path, f"::/{folder}")
    for path, content in files.items():
        place = tree / path
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(content)
        _run("mcopy", volume, tmp_path, str(place), f"::/{path}")


def _run(tool: str, volume: Path, tmp_path: Path, *words: str) -> None:
    command = [require(tool), "-i", str(volume), *words]
    subprocess.run(command, check=True, env=with_mtools.settings(tmp_path))
