"""Openly licensed ROM files of Debian packages: taken apart by public tools, put together here, equal to the original.

Packages: cbios 0.28-1.1 (BSD-2-Clause), open-roms 0.0~git20210824 (LGPL-3+), seabios 1.16.2-1 (LGPL-3, LGPL-2), vgabios
0.8a+ds-2 (LGPL-2.1), ipxe-qemu 1.0.0+git-20190125 (GPL-2+). Another version of a package has other bytes; then the file
itself is the measure, and only its SHA-256 below is not compared.
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import pytest

from pipeline.roms.assemble import assemble, check_title
from tests.support.needs import missing
from tests.unit.roms.test_strangers import perl, run, srec
from tests.unit.roms.workshop import changed, made, rom, title

K = 1024
CBIOS, SEABIOS = Path("/usr/share/cbios"), Path("/usr/share/seabios")
OPEN_ROMS = next(Path("/usr/share/open-roms").glob("*"), Path("/usr/share/open-roms"))  # its one folder
KNOWN = {
    CBIOS / "cbios_main_msx1.rom": "d1c8a22469716399f83bed75c4528027e1f6371af18fd5599b31c59debb8b5db",
    CBIOS / "cbios_main_msx1_jp.rom": "0653ec415e9b40e08d744ffc7a276e1f76211f3380b434f61de645c98a35e6d1",
    CBIOS / "cbios_main_msx2.rom": "1a0e26fb6139acfd040dca5e4e81e93558725f1bd667d4c84f9ecd8e1afb5391",
    CBIOS / "cbios_sub.rom": "95db258195d1dea673b3826a8ef3d4b747f87f93587ae66e137acd2e39c3c0f1",
    CBIOS / "cbios_logo_msx2.rom": "7e73e2bf32a37047d50f813de94d9098bebaf66a67476643b591a7f738a79390",
    OPEN_ROMS / "basic": "c0bc458338e72a795abcc0f02aa84734864985b6d0e17f514a326bae6566d3b9",
    OPEN_ROMS / "kernal": "7ec641bd1faa8b974aaf56edc6b698a03222ce879684708bd0ce2ffa5650f68e",
    OPEN_ROMS / "chargen": "5e3451466841b93df7e01e4b635b07b8d8633351bae483b1961d96b3131186e7",
    SEABIOS / "bios-256k.bin": "2da2018c7555e50b660a84a273a14a79cb87b9070fe6a90e9f151a53e357f7e6",
    SEABIOS / "vgabios-isavga.bin": "26f5061af797a5537df089025938fa3587c38c2270ec8d77fa384c4563eb834c",
}
"""SHA-256 of the files in the versions above, by sha256sum of GNU coreutils."""


def real(path: Path) -> bytes:
    """Return a file of a Debian package; without it the test is skipped, and fails where CI is set."""
    if not path.exists():
        missing(f"{path} is not installed")
    return path.read_bytes()


def chips_by(folder: Path, whole: bytes, commands: dict[str, tuple[str, ...]]) -> dict[str, bytes]:
    """Return the chips that public tools make of a whole file named "a"."""
    chips = {}
    for name, command in commands.items():
        chips[name] = run(folder, {"a": whole}, *command)
        (folder / "o").unlink(missing_ok=True)
    return chips


def objcopy(lanes: int, lane: int, unit: int = 1) -> tuple[str, ...]:
    return ("objcopy", "-I", "binary", "-O", "binary", "-i", str(lanes * unit), "-b", str(lane * unit),
            f"--interleave-width={unit}", "a", "o")  # fmt: skip


def dd(block: int, number: int) -> tuple[str, ...]:
    return ("dd", "if=a", "of=o", f"bs={block}", f"skip={number}", "count=1", "status=none")


@pytest.mark.parametrize("path", KNOWN, ids=lambda path: path.name)
@pytest.mark.parametrize(("lanes", "unit"), [(2, 1), (4, 1), (8, 1), (2, 2), (4, 2), (8, 2)])
def test_lanes_split_by_objcopy(path: Path, lanes: int, unit: int, tmp_path: Path) -> None:
    whole = real(path)
    if len(whole) % (lanes * unit):
        pytest.fail(f"{path} has {len(whole)} bytes, which these lanes cannot share")
    chips = chips_by(tmp_path, whole, {f"l{n}": objcopy(lanes, n, unit) for n in range(lanes)})
    assert {len(chip) for chip in chips.values()} == {len(whole) // lanes}
    assert made({"interleave": list(chips), "unit": unit}, chips, len(whole)) == whole


def test_lanes_split_by_srec_cat(tmp_path: Path) -> None:
    whole = real(SEABIOS / "bios-256k.bin")
    chips = chips_by(tmp_path, whole, {f"l{n}": srec(f"a -B -split 4 {n}") for n in range(4)})
    assert made({"interleave": list(chips)}, chips, len(whole)) == whole


def test_a_known_file_has_the_known_hash_after_assembly(tmp_path: Path) -> None:
    """Two swapped 16-bit EPROMs of two halves each, as a board with four chips would hold them."""
    path = SEABIOS / "bios-256k.bin"
    whole = real(path)
    halves = chips_by(tmp_path, whole, {"low": dd(128 * K, 0), "high": dd(128 * K, 1)})
    chips = {
        name: run(tmp_path, {"a": half}, "dd", "if=a", "of=o", "conv=swab", "status=none")
        for name, half in halves.items()
    }
    steps = [{"at": n * 128 * K, "chip": name, "then": [{"swap-bytes": 16}]} for n, name in enumerate(chips)]
    digest = hashlib.sha256(whole).hexdigest()
    if digest != KNOWN[path]:
        missing(f"{path} is of another version of its package: {digest}")
    asked = rom(256 * K, *steps, sha256=KNOWN[path])
    assert check_title(title(asked, **chips)) == []
    assert assemble(title(asked, **chips), asked, chips) == whole


@pytest.mark.parametrize("path", KNOWN, ids=lambda path: path.name)
def test_blocks_shuffled_by_dd(path: Path, tmp_path: Path) -> None:
    whole = real(path)
    block = len(whole) // 4
    chips = chips_by(tmp_path, whole, {f"c{n}": dd(block, n) for n in (2, 0, 3, 1)})
    change: dict[str, Any] = {"blocks": {"size": block, "order": [1, 3, 0, 2]}}
    assert made({"join": list(chips), "then": [change]}, chips, len(whole)) == whole


def test_a_character_generator_in_nibbles_and_planes(tmp_path: Path) -> None:
    whole = real(OPEN_ROMS / "chargen")
    nibbles = {"high": perl("s/(.)/chr(ord($1) >> 4)/ges", "a"), "low": perl("s/(.)/chr(0xF0 | ord($1))/ges", "a")}
    chips = chips_by(tmp_path, whole, nibbles)
    assert made({"nibbles": ["high", "low"]}, chips, 4 * K) == whole
    planes = {
        f"p{bit}": perl(f'$_ = pack "B*", join "", map {{ord($_) >> {bit} & 1}} split //', "a") for bit in range(8)
    }
    chips = chips_by(tmp_path, whole, planes)
    assert made({"planes": list(chips), "packed": "msb-first"}, chips, 4 * K) == whole


def test_a_home_computers_rom_set_in_one_file(tmp_path: Path) -> None:
    """8 KiB, 8 KiB and 4 KiB at the addresses the processor sees them at, with a gap (srec_cat places and fills)."""
    chips = {name: real(OPEN_ROMS / name) for name in ("basic", "kernal", "chargen")}
    placed = {"basic": 0xA000, "chargen": 0xD000, "kernal": 0xE000}
    theirs = " ".join(f"{name} -B -offset {at}" for name, at in placed.items())
    expected = run(tmp_path, chips, *srec(f"( {theirs} ) -fill 0xFF 0 0x10000"))
    asked = rom(64 * K, *({"at": at, "chip": name} for name, at in placed.items()), fill=0xFF)
    assert assemble(title(asked, **chips), asked, chips) == expected


def test_an_odd_sized_file_is_padded_to_the_next_eprom(tmp_path: Path) -> None:
    whole = real(SEABIOS / "vgabios-isavga.bin")
    size = 1 << (len(whole) - 1).bit_length()
    expected = run(tmp_path, {"a": whole}, *srec(f"a -B -fill 0xFF 0 {size}"))
    assert changed(whole, {"pad": {"to": "power-of-two", "fill": 0xFF}}, size=size) == expected
    assert size > len(whole)


OPTION_ROMS = {
    "seabios": ("/usr/share/seabios", "vgabios-*.bin"),
    "vgabios": ("/usr/share/vgabios", "*.bin"),
    "ipxe-qemu": ("/usr/lib/ipxe/qemu", "*.rom"),
}


@pytest.mark.parametrize("package", OPTION_ROMS)
def test_the_check_byte_of_option_roms_is_found_again(package: str) -> None:
    """Source: PCI Firmware Specification, "Expansion ROM header": 55 AA, the size in 512-byte blocks, byte sum 0.

    Any byte of the first image is then what makes the sum 0, so each can be put back as its check field. The files
    efi-*.rom of ipxe-qemu hold another image behind it: the range of a check field is not always the file.
    """
    folder, pattern = OPTION_ROMS[package]
    whole = [(path, real(path)) for path in sorted(Path(folder).glob(pattern)) or [Path(folder) / "none"]]
    assert len(whole) >= 9
    for path, data in whole:
        assert data[:2] == b"\x55\xaa", path
        part = {"size": data[2] * 512}
        assert part["size"] <= len(data), path
        for at in (6, part["size"] - 1):
            spoiled = data[:at] + bytes([data[at] ^ 0x5A]) + data[at + 1 :]
            assert changed(spoiled, {"sum": {"at": at, "bits": 8, "form": "negated"} | part}) == data, path
