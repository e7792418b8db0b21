"""Seventeen titles from seventeen archives of openly licensed chips, from an empty folder to a built card.

The files are those of the Debian packages cbios (BSD-2-Clause) and seabios (LGPL-3), cut into chips by `split` (GNU
Coreutils); the ROM files that are built must be the published ones again. Six archives hold only the chips in which
their file differs from another, as is common practice.
"""

from __future__ import annotations

import subprocess
import zipfile
from pathlib import Path

from pipeline.commands.new import New
from pipeline.commands.pin import Pin
from pipeline.commands.start import Start
from tests.strangers.tools import require
from tests.support import small
from tests.support.cli import digests, doit, within, write_tree
from tests.system.test_real_input import installed

LAYOUT = """
[layouts.one-row.sockets]
u1 = { size = "4 KiB" }
u2 = { size = "4 KiB" }
u3 = { size = "4 KiB" }
u4 = { size = "4 KiB" }
u5 = { size = "4 KiB" }
u6 = { size = "4 KiB" }
u7 = { size = "4 KiB" }
u8 = { size = "4 KiB" }

[[layouts.one-row.rom]]
path = "{title}.ROM"
size = "32 KiB"

[[layouts.one-row.rom.steps]]
at = 0
join = ["u1", "u2", "u3", "u4", "u5", "u6", "u7", "u8"]
"""
FAMILIES = {"quay": "msx1", "mill": "msx2", "loom": "msx2+"}
CARD = """\
name = "Seventeen"
version = "1"
board = "my-board"
cores = ["my-core"]
tags = ["fair"]

[volume]
size = "64 MB"
"""


def published() -> dict[str, bytes]:
    """Return seventeen files of 32 KiB, by the names of their sets."""
    files = {}
    for name, family in FAMILIES.items():
        for suffix, part in (("", ""), ("-b", "_br"), ("-j", "_jp")):
            files[name + suffix] = installed(f"cbios/cbios_main_{family}{part}.rom").read_bytes()
    large = (
        installed("seabios/bios-256k.bin").read_bytes()[2 << 15 :]
        + (installed("seabios/bios-microvm.bin").read_bytes()[2 << 15 :])
    )
    return files | {f"tide-{number + 1}": large[number << 15 : (number + 1) << 15] for number in range(8)}


def chips_of(data: bytes, folder: Path) -> dict[str, bytes]:
    """Return the chips of a file, as `split` cuts it, by their sockets."""
    command = [require("split"), "-b", "4096", "--numeric-suffixes=1", "-a", "1", "-", "u"]
    folder.mkdir(parents=True)
    subprocess.run(command, input=data, cwd=folder, check=True)
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def test_seventeen_archives_become_seventeen_titles_on_a_card(tmp_path: Path) -> None:
    files = published()
    chips = {name: chips_of(data, tmp_path / "cut" / name) for name, data in files.items()}
    assert within(tmp_path, Start, "club").code == 0
    club = tmp_path / "club"
    sets = club / "inputs/files/sets"
    sets.mkdir()
    variants = [name for name in files if name[-2:] in ("-b", "-j")]
    for name, own in chips.items():
        whole = chips[name[:-2]] if name in variants else {}
        with zipfile.ZipFile(sets / f"{name}.zip", "w", zipfile.ZIP_DEFLATED) as archive:
            for socket, data in own.items():
                if whole.get(socket) != data:
                    archive.writestr(f"{name}.{socket}", data)
    core = club / "inputs/cores/my-core.toml"
    write_tree(club, {"inputs/cores/my-core.toml": core.read_bytes() + LAYOUT.encode()})
    write_tree(club, {"inputs/cards/seventeen.toml": CARD})

    ran = within(club, New, "titles", "inputs/files/sets", "--tag", "fair")
    assert (ran.code, ran.err) == (0, "")
    table = [line.split() for line in ran.out.splitlines()[1:18]]
    assert {row[0]: int(row[1]) for row in table} == {name: 3 if name in variants else 8 for name in files}
    assert {row[0]: row[8] for row in table if len(row) > 8} == {name: name[:-2] for name in variants}
    assert ran.out.endswith("\nwritten 17 titles in inputs/titles\n")

    assert doit(club).code == 0
    roms = {path: sha256 for path, sha256 in digests(club / "build/roms").items() if not path.startswith("my-title/")}
    assert roms == {
        f"{name}/{name.replace('-', '').upper()}.ROM": small.sha(data) for name, data in sorted(files.items())
    }
    pinned = within(club, Pin, "cards")
    assert pinned.code == 0
    assert pinned.out.count("pinned  image: ") == 2
