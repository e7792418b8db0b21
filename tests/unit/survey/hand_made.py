"""Cards for five invented boards of different habits, made with mkfs.fat and mtools as people make them."""

from __future__ import annotations

import subprocess
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from tests.strangers import with_mtools
from tests.strangers.test_readers import shifted
from tests.strangers.tools import require
from tests.unit.bitstreams.samples import made

NAMES = {
    "HERON": "Café heron",
    "TEASEL": "Teasel: a hedge game",
    "SLUICE": "Sluice",
    "OATS": "Wild oats",
    "MITTEN": "Mitten für zwei",
}
"""Cores by their names on the card: some with letters beyond ASCII, one with a mark that divides the parts of lines."""

KINDS = {"HERON": "arcade", "TEASEL": "console", "SLUICE": "computer", "OATS": "arcade", "MITTEN": "console"}
RELEASES = {"HERON": "1.0", "TEASEL": "2.1b", "SLUICE": "0.9", "OATS": "4", "MITTEN": "1.12"}


def bitstreams(name: str) -> dict[str, bytes]:
    """Return a bitstream for each core: one of ``made``, each with other padding behind its end."""
    padding = b"\n" if name.endswith(".fs") else b"\xff"
    return {core: made(name) + padding * number for number, core in enumerate(NAMES, 1)}


@dataclass(frozen=True, slots=True, kw_only=True)
class HandMade:
    """A card: how it is formatted, what it holds in the order in which it was copied, and what a survey must find.

    ``part_type``: of the partition, 0 for none. ``labelled_after``: files copied before the label is written.
    ``drafted``: the board as values, without its name.
    """

    fat_bits: int
    megabytes: int
    files: Mapping[str, bytes]
    drafted: Mapping[str, object]
    part_type: int = 0
    label: str = ""
    labelled_after: int = 0
    options: Sequence[str] = ()


def make(card: HandMade, image: Path, tmp_path: Path) -> None:
    """Make a card with mkfs.fat, mmd, mcopy and mlabel; in a partition from sector 63 on where it has one."""
    volume = tmp_path / "volume.img"
    with volume.open("wb") as file:
        file.truncate(card.megabytes << 20)
    hidden = ["-h63"] if card.part_type else []
    label = [f"-n{card.label}"] if card.label and not card.labelled_after else []
    words = [require("mkfs.fat"), f"-F{card.fat_bits}", "-i0BADC0DE", *hidden, *label, *card.options, str(volume)]
    subprocess.run(words, check=True, capture_output=True)
    items = list(card.files.items())
    _copy(volume, items[: card.labelled_after], tmp_path)
    if card.label and card.labelled_after:
        _run("mlabel", volume, tmp_path, f"::{card.label}")
    _copy(volume, items[card.labelled_after :], tmp_path)
    if card.part_type:
        shifted(volume, card.part_type, image)
    else:
        volume.replace(image)


def _copy(volume: Path, items: Sequence[tuple[str, bytes]], tmp_path: Path) -> None:
    folders = dict.fromkeys(str(parent) for path, _ in items for parent in reversed(PurePosixPath(path).parents[:-1]))
    if folders:
        _run("mmd", volume, tmp_path, "-D", "s", *(f"::/{folder}" for folder in folders))
    for number, (path, data) in enumerate(items):
        place = tmp_path / "tree" / str(number) / PurePosixPath(path).name
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(data)
        _run("mcopy", volume, tmp_path, str(place), f"::/{path}")


def _run(tool: str, volume: Path, tmp_path: Path, *words: str) -> None:
    command = [require(tool), "-i", str(volume), *words]
    subprocess.run(command, check=True, env=with_mtools.settings(tmp_path), stdin=subprocess.DEVNULL)


def _a_folder_for_each() -> HandMade:
    """FAT16 in a partition; a folder for each core; a menu for each in code page 437; settings in sections."""
    files = {"DESK.CFG": b"; the desk\r\n[sound]\r\nloud = yes\r\n\r\n[picture]\r\nwide=0 ; or 1\r\n"}
    for core, bitstream in bitstreams("ecp5-25k.bit").items():
        files[f"PLANS/{core}/LOGIC.BIT"] = bitstream
        files[f"PLANS/{core}/WORDS.TXT"] = f"{NAMES[core]}\r\nfor the desk\r\n".encode("cp437")
        files[f"BOXES/{core}/a title.bin"] = core.encode() * 50
    return HandMade(
        fat_bits=16,
        megabytes=16,
        files=files,
        part_type=0x04,
        label="DESKCARD",
        options=("-s4",),
        drafted={
            "volumes": ["fat16"],
            "partitioned": True,
            "label-entry": "first",
            "title-folder": "BOXES/{core}",
            "fpga": {"part": "LFE5U-25F", "package": "CABGA381"},
            "cores": {
                "folder": "PLANS/{core}",
                "bitstream": "LOGIC.BIT",
                "menu": {
                    "path": "WORDS.TXT",
                    "lines": ["{name}", "for the desk"],
                    "line-ending": "crlf",
                    "encoding": "cp437",
                },
            },
        },
    )


def _flat_with_names() -> HandMade:
    """FAT32 without a partition table; bitstreams and menus named after cores in one folder; UTF-8; no settings."""
    files = {}
    for core, bitstream in bitstreams("ice40-hx8k.bin").items():
        files[f"benches/{core}.bin"] = bitstream
        files[f"benches/{core}.lbl"] = f"{KINDS[core]}; {NAMES[core]}; {RELEASES[core]}".encode()
    files["stock/HERON/one.dat"] = b"1" * 700
    files["stock/OATS/two.dat"] = b"2" * 9_000
    return HandMade(
        fat_bits=32,
        megabytes=40,
        files=files,
        options=("-s1",),
        drafted={
            "volumes": ["fat32"],
            "partitioned": False,
            "title-folder": "stock/{core}",
            "fpga": {"part": "<blank>"},
            "cores": {
                "folder": "benches",
                "bitstream": "{core}.bin",
                "menu": {
                    "path": "{core}.lbl",
                    "lines": ["{kind}; {name}; {release}"],
                    "encoding": "utf-8",
                    "final-line-ending": False,
                },
            },
        },
    )


def _one_menu_for_all() -> HandMade:
    """FAT12 without a partition table; one menu for all in Latin-1, in an order of its own; flat settings."""
    order = ("OATS", "HERON", "MITTEN", "TEASEL", "SLUICE")
    lines = ["# choose one", *(f"{core} = {NAMES[core]} ({KINDS[core]})" for core in order)]
    files = {"KNOBS.SET": b"# knobs\nspeed: 7\ncolour: warm\n", "ROLL.TXT": "\r\n".join([*lines, ""]).encode("latin-1")}
    files |= {f"FORMS/{core}.BIT": bitstream for core, bitstream in bitstreams("xo2-640uhc.bit").items()}
    return HandMade(
        fat_bits=12,
        megabytes=4,
        files=files,
        label="ROLLS",
        labelled_after=1,
        options=("-s8",),
        drafted={
            "volumes": ["fat12"],
            "partitioned": False,
            "label-entry": "second",
            "fpga": {"part": "LCMXO2-640UHC", "package": "TG144"},
            "cores": {
                "folder": "FORMS",
                "bitstream": "{core}.BIT",
                "menu": {
                    "path": "ROLL.TXT",
                    "one-for-all": True,
                    "head": ["# choose one"],
                    "lines": ["{core} = {name} ({kind})"],
                    "line-ending": "crlf",
                    "encoding": "latin-1",
                },
            },
        },
    )


def _no_menu() -> HandMade:
    """FAT16 in a partition; a folder for each core with a folder in it; no menu; flat settings in a folder."""
    files = {"HOUSE/RULES.INI": b"boot=last\r\nlamp=on\r\n", "HOUSE/FIRM.DAT": bytes(range(256)) * 9}
    for core, bitstream in bitstreams("gowin-GW1N-1.fs").items():
        files[f"KITS/{core}/PART/{core}.FS"] = bitstream
    files["KITS/NOTES.TXT"] = b"bring the long cable\r\n"
    return HandMade(
        fat_bits=16,
        megabytes=20,
        files=files,
        part_type=0x06,
        options=("-s2",),
        drafted={
            "volumes": ["fat16"],
            "partitioned": True,
            "fpga": {"part": "GW1N-1"},
            "cores": {"folder": "KITS/{core}/PART", "bitstream": "{core}.FS"},
        },
    )


def _two_lines_for_each() -> HandMade:
    """FAT32 in a partition; a folder for each core in lower case; one menu in UTF-8 with three lines for each core."""
    files = {"system/panel.conf": b"[lamp]\nbright = 3\n[fan]\nbright = 1\nspeed = slow\n"}
    menu = ""
    for core, bitstream in bitstreams("ecp5-45k.bit").items():
        name = core.lower()
        files[f"shelves/{name}/{name}-top.bit"] = bitstream
        menu += f"[{name}]\ntitle={NAMES[core]}\nversion={RELEASES[core]}\n"
    files["shelves/list.conf"] = menu.encode("utf-8")
    return HandMade(
        fat_bits=32,
        megabytes=48,
        files=files,
        part_type=0x0C,
        label="SHELF",
        options=("-s1",),
        drafted={
            "volumes": ["fat32"],
            "partitioned": True,
            "label-entry": "first",
            "fpga": {"part": "LFE5U-45F", "package": "CABGA381"},
            "cores": {
                "folder": "shelves/{core}",
                "bitstream": "{core}-top.bit",
                "menu": {
                    "path": "shelves/list.conf",
                    "one-for-all": True,
                    "lines": ["[{core}]", "title={name}", "version={release}"],
                    "encoding": "utf-8",
                },
            },
        },
    )


CARDS = {
    "oxbow": _a_folder_for_each,
    "thistle": _flat_with_names,
    "dovecote": _one_menu_for_all,
    "millrace": _no_menu,
    "bramble": _two_lines_for_each,
}
"""A card by the id of its board."""
