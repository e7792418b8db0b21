"""README's samples of the demo are what the demo really says; "..." in one stands for anything."""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import subprocess
import zipfile
import zlib
from pathlib import Path

import pytest

from pipeline.card.plan_text import plan_from_text
from tests.strangers.tools import require
from tests.support import demo_files, demo_roms
from tests.support.cli import demo_copy, doit, own_command
from tests.system.test_readme import blocks
from tests.unit.sources.zips import pack


def samples(section: str) -> list[tuple[str, str]]:
    """Return each command of a section's blocks with what README shows of it; a block without one has ""."""
    found = []
    for block in blocks(section):
        kind, _, text = block.partition("\n")
        if not kind:
            parts = re.split(r"^\$ ", text, flags=re.MULTILINE)
            found += [("", parts[0])] if parts[0] else []
            found += [(command, shown) for command, _, shown in (part.partition("\n") for part in parts[1:])]
    return found


def assert_shown(shown: str, said: str) -> None:
    """Hold what was said against a sample."""
    timeless = re.sub(r"\d+\.\d s", "... s", shown.strip())
    pattern = re.escape(timeless).replace(re.escape("..."), ".*")
    assert re.fullmatch(pattern, said.strip(), re.DOTALL), said


def run(folder: Path, command: str) -> str:
    """Run a command of README's in a folder, and return what it said."""
    words = command.removeprefix("sudo ").removeprefix(".venv/bin/").split()[1:]
    ran = doit(folder, *words) if not words or ":" in words[0] else own_command(folder, *words)
    return ran.out + ran.err


def replace_in(path: Path, *changes: tuple[str, str]) -> None:
    """Change texts of a manifest, each of which must be there."""
    text = path.read_text("utf-8")
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    path.write_text(text, "utf-8")


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """Return the demo's folder after the first build, and what that said."""
    folder = demo_copy(tmp_path_factory.mktemp("samples"))
    return folder, doit(folder).out


def test_the_first_and_the_second_run(demo: tuple[Path, str]) -> None:
    _, first, second = samples("Start")
    assert_shown(first[1], demo[1])
    assert_shown(second[1], run(demo[0], second[0]))


@pytest.mark.parametrize("section", ["Will it work there?"])
def test_a_command_that_needs_nothing_else(demo: tuple[Path, str], section: str) -> None:
    command, shown = samples(section)[0]
    assert_shown(shown, run(demo[0], command))


def test_a_second_build_is_compared(demo: tuple[Path, str]) -> None:
    command, shown = next(sample for sample in samples("In CI") if "prove" in sample[0])
    if not shutil.which("faketime"):
        shown = shown.replace(" clock,", "")
    assert_shown(shown, run(demo[0], command))


def test_problems_are_shown_with_line_and_hint(demo: tuple[Path, str], tmp_path: Path) -> None:
    folder = demo_copy(tmp_path)
    replace_in(folder / "inputs/cards/arcade-evening.toml", ("\nsize = ", "\nsise = "))
    replace_in(folder / "inputs/titles/ladder-lending.toml", ('"glimmer"', '"glimer"'))
    shown = next(shown for command, shown in samples("Declare") if shown.startswith("inputs/"))
    ran = doit(folder, "check")
    assert_shown(shown, "".join(f"{line}\n" for line in ran.err.splitlines() if "volume.size" not in line))


def test_a_missing_chip_is_found_in_another_form(tmp_path: Path) -> None:
    folder = demo_copy(tmp_path)
    chip = demo_files.wanted()["teapot-regatta/a1"]
    place = demo_files.hidden()["teapot-regatta/a1"]
    path, is_member, name = place.partition(">")
    if is_member:
        archive = folder / "inputs/files" / path
        with zipfile.ZipFile(archive) as old:
            kept = {item: old.read(item) for item in old.namelist() if item != name}
        with zipfile.ZipFile(archive, "w") as new:
            for item, data in kept.items():
                new.writestr(item, data)
    else:
        (folder / "inputs/files" / path).unlink()
    swapped = bytes(chip[at ^ 1] for at in range(len(chip)))
    pack(folder / "inputs/files/box-7.zip", {"a1.bin": swapped})
    replace_in(folder / "inputs/sources.toml", ('"files/cellar", ', '"files/cellar", "files/box-7.zip", '))
    command, shown = next(sample for sample in samples("Declare") if "doit find" in sample[0])
    said = run(folder, command).partition("\n\nunused")[0]
    assert_shown(shown.replace("in 4 places", "in 5 places") + "...", said)


def test_a_finished_card_is_published(demo: tuple[Path, str], tmp_path: Path) -> None:
    require("ssh-keygen")
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", str(tmp_path / "key")], check=True)
    command, shown = samples("Publish")[0]
    assert_shown(shown, run(demo[0], command.replace("~/.ssh/id_ed25519", str(tmp_path / "key"))))


def test_damage_is_shown_by_file_title_and_chip(demo: tuple[Path, str]) -> None:
    folder = demo[0]
    image, copy = folder / "build/cards/arcade-evening/card.img", folder / "read-from-card.img"
    subprocess.run(["cp", "--sparse=always", str(image), str(copy)], check=True)
    command, shown = next(sample for sample in samples("What changed?") if "verify" in sample[0])
    plan = plan_from_text((image.parent / "plan.json").read_text("utf-8"))
    entry = next(entry for entry in plan.entries if entry.path == "GOODS/GLIMMER/LADDER.ROM")
    with copy.open("r+b") as file:
        file.seek(plan.volume.cluster_offset(entry.cluster) + 0x5123)
        byte = file.read(1)[0]
        file.seek(-1, os.SEEK_CUR)
        file.write(bytes([byte ^ 1]))
    assert_shown(shown, run(folder, command))


def changed(folder: Path, title: str, chip: str) -> None:
    """Read a chip anew: other bytes in the sources, and their hash and that of the ROM file in the manifest."""
    old = demo_files.wanted()[f"{title}/{chip}"]
    new = bytes([old[0] ^ 1]) + old[1:]
    (folder / "inputs/files/attic" / f"{chip} again.bin").write_bytes(new)
    path = folder / "inputs/titles" / f"{title}.toml"
    chips = {
        name.rpartition("/")[2]: data
        for name, data in demo_files.wanted().items()
        if name.startswith((f"{title}/", "shared/"))
    }
    (arrange,) = (rom for (owner, _), rom in demo_roms.ROMS.items() if owner == title)
    before, after = arrange(chips), arrange(chips | {chip: new})
    replace_in(
        path,
        *(
            (hashlib.sha256(was).hexdigest(), hashlib.sha256(now).hexdigest())
            for was, now in ((old, new), (before, after))
        ),
        (f'crc32 = "{zlib.crc32(old):08x}"\n', ""),
    )


def test_reasons_and_changes_of_a_card(tmp_path: Path) -> None:
    folder = demo_copy(tmp_path)
    doit(folder, "sheet:arcade-evening")
    (folder / "last-month").mkdir()
    shutil.copyfile(folder / "build/cards/arcade-evening/record.json", folder / "last-month/record.json")
    changed(folder, "moth-pantry", "1c")
    command, shown = next(sample for sample in samples("Only what changed") if "why" in sample[0])
    assert_shown(shown, run(folder, command))
    doit(folder, "sheet:arcade-evening")
    shutil.copyfile(folder / "build/cards/arcade-evening/record.json", folder / "last-month/record.json")
    inputs = folder / "inputs"
    replace_in(
        inputs / "cards/arcade-evening.toml", ('version = "1"', 'version = "2"\nsettings = { typing = "socket" }')
    )
    replace_in(inputs / "cores/glimmer.toml", ('release = "1.3"', 'release = "1.4"'))
    replace_in(inputs / "titles/kite-quarrel.toml", ('"upright", ', ""))
    changed(folder, "ladder-lending", "3y")
    doit(folder, "record:arcade-evening")
    command, shown = next(sample for sample in samples("What changed?") if "diff" in sample[0])
    assert_shown(shown, run(folder, command))
    assert json.loads((folder / "last-month/record.json").read_text())["card"]["version"] == "1"
