"""A small project of its own for tests that change things: one board, one core, one title, one card."""

from __future__ import annotations

import hashlib
from pathlib import Path

from tests.support.cli import write_tree

CHIP_A = bytes(range(256)) * 4
CHIP_B = bytes(reversed(range(256))) * 4
BITSTREAM = b"invented bitstream" * 40
ROM = CHIP_A + CHIP_B


def sha(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


UNCHECKED = """\
[silence]
bitstream-is-identifiable = "invented for the tests: no FPGA configures from it"
"""
"""Ends the board's manifest, since nothing can judge an invented bitstream."""

BOARD = (
    """\
name = "Oak"
volumes = ["fat16", "fat32"]
outputs = ["rgb"]
title-folder = "GOODS/{core}"
base = ["files/system"]
[cores]
folder = "FABRICS/{core}"
bitstream = "{core}.FAB"
menu = { path = "SIGN.TXT", lines = ["{name}"], line-ending = "crlf", encoding = "ascii" }
[settings.language]
path = "BENCH.SET"
section = "words"
key = "form"
choices = { standard = "0", regional = "1" }
"""
    + UNCHECKED
)

CORE = f"""\
name = "Fern"
kind = "arcade"
release = "1.0"
boards = ["oak"]
[bitstream]
size = {len(BITSTREAM)}
sha256 = "{sha(BITSTREAM)}"
[needs]
volumes = ["fat16"]
settings = {{ language = "regional" }}
"""

TITLE = f"""\
name = "Snail race"
core = "fern"
[chips.a1]
size = "1 KiB"
sha256 = "{sha(CHIP_A)}"
[chips.b1]
size = "1 KiB"
sha256 = "{sha(CHIP_B)}"
[[rom]]
path = "SNAIL.ROM"
size = "2 KiB"
sha256 = "{sha(ROM)}"
[[rom.steps]]
at = 0
join = ["a1", "b1"]
"""

CARD = """\
name = "Desk"
version = "1"
board = "oak"
cores = ["fern"]
titles = ["snail-race"]
[volume]
size = "16 MiB"
label = "DESK"
"""

CONFIG = b"; settings\r\n[words]\r\nform = 0 ; of the alphabet\r\n"

FILES: dict[str, str | bytes] = {
    "inputs/boards/oak.toml": BOARD,
    "inputs/cores/fern.toml": CORE,
    "inputs/titles/snail-race.toml": TITLE,
    "inputs/cards/desk.toml": CARD,
    "inputs/sources.toml": 'places = ["files/attic"]\n',
    "inputs/files/system/BENCH.SET": CONFIG,
    "inputs/files/attic/x/dump(1).bin": CHIP_A,
    "inputs/files/attic/dump(2).bin": CHIP_B,
    "inputs/files/attic/core.bin": BITSTREAM,
}


ONE_MENU = BOARD.replace('folder = "FABRICS/{core}"', 'folder = "FABRICS"').replace(
    'menu = { path = "SIGN.TXT", lines = ["{name}"],',
    'menu = { path = "LIST.TXT", one-for-all = true, lines = ["{core}: {name}"],',
)
"""The board with all bitstreams in one folder and one menu for all cores."""


def small_project(folder: Path, changes: dict[str, str | bytes] | None = None) -> Path:
    """Return ``folder`` with the small project in it, some of its files changed or added."""
    write_tree(folder, {**FILES, **(changes or {})})
    return folder
