"""What README, the tour of the demo and the help texts show is what the program really says.

"..." in a sample stands for anything. A sample is run in the built demo, unless ``PREPARED`` says what comes before it.
"""

from __future__ import annotations

import builtins
import hashlib
import json
import os
import re
import shutil
import struct
import subprocess
import sys
import zipfile
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

from pipeline.card.plan_text import plan_from_text
from pipeline.engine import help_text
from pipeline.media import write as media
from tests.strangers.tools import require
from tests.support import demo_files, demo_roms
from tests.support.cli import COMMANDS, ROOT, demo_copy, doit, own_command, within
from tests.support.needs import missing
from tests.system.test_readme import assert_shown
from tests.unit.sources.zips import pack

OWN_CARD = "Your first own card"
"""The section that test_readme.py runs."""


class Sample(NamedTuple):
    """A command as it is typed, what is shown of its output, and which document or help text has it."""

    where: str
    command: str
    shown: str

    @property
    def words(self) -> list[str]:
        """The command without what stands before ``doit``."""
        return re.sub(r"^(sudo )?(.venv/bin/)?", "", self.command).split()


def parts(where: str, text: str) -> Iterator[Sample]:
    """Yield each command of a block with what is shown of it; a block that begins without one has ""."""
    first, *others = re.split(r"^\$ ", text, flags=re.MULTILINE)
    if first.strip():
        yield Sample(where, "", first)
    for other in others:
        command, _, shown = other.partition("\n")
        yield Sample(where, command, shown)


def in_markdown(path: str) -> Iterator[Sample]:
    for section in (ROOT / path).read_text("utf-8").split("\n## ")[1:]:
        if not section.startswith(OWN_CARD):
            for kind, text in re.findall(r"^```(\w*)\n(.*?)^```", section, re.MULTILINE | re.DOTALL):
                yield from parts(path, text) if not kind and not text.startswith(("python3", ".ci")) else ()


def in_help(name: str) -> Iterator[Sample]:
    examples = help_text.text(name).partition("Examples\n")[2].partition("\nExit codes")[0]
    yield from parts(name, re.sub("^    ", "", examples, flags=re.MULTILINE).lstrip("\n"))


SAMPLES = [
    *in_markdown("README.md"),
    *in_markdown("inputs/README.md"),
    *(sample for name in help_text.names() for sample in in_help(name)),
]
SHOWN = [sample for sample in SAMPLES if sample.shown.strip()]


def replace_in(path: Path, *changes: tuple[str, str]) -> None:
    """Change texts of a manifest, each of which must be there."""
    text = path.read_text("utf-8")
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    path.write_text(text, "utf-8")


def run(folder: Path, sample: Sample) -> str:
    """Run a sample's command in a folder, and return what it said."""
    words = sample.words[1:]
    tasks = not words or words[0].partition(":")[0] in ("check", "rom", "plan", "config", "image", "record", "sheet")
    ran = doit(folder, *words) if tasks else own_command(folder, *words)
    return ran.out + ran.err


def before_the_first_build(folder: Path, sample: Sample) -> str:
    shutil.rmtree(folder / "build")
    return run(folder, sample._replace(command=sample.command or "doit"))


def with_two_mistakes(folder: Path, sample: Sample) -> str:
    replace_in(folder / "inputs/cards/arcade-evening.toml", ("\nsize = ", "\nsise = "))
    replace_in(folder / "inputs/titles/ladder-lending.toml", ('"glimmer"', '"glimer"'))
    said = doit(folder, "check").err.splitlines(keepends=True)
    return "".join(line for line in said if "volume.size" not in line)  # the size that is missing now


def with_a_chip_in_another_form(folder: Path, sample: Sample) -> str:
    chip = demo_files.wanted()["teapot-regatta/a1"]
    path, is_member, name = demo_files.hidden()["teapot-regatta/a1"].partition(">")
    if is_member:
        archive = folder / "inputs/files" / path
        with zipfile.ZipFile(archive) as old:
            kept = {item: old.read(item) for item in old.namelist() if item != name}
        pack(archive, kept)
    else:
        (folder / "inputs/files" / path).unlink()
    swapped = bytes(chip[at ^ 1] for at in range(len(chip)))
    pack(folder / "inputs/files/box-7.zip", {"a1.bin": swapped})
    replace_in(folder / "inputs/sources.toml", ('"files/cellar", ', '"files/cellar", "files/box-7.zip", '))
    shutil.rmtree(folder / "build")
    return run(folder, sample).replace("in 5 places", "in 4 places")


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


def after_a_chip_was_read_anew(folder: Path, sample: Sample) -> str:
    changed(folder, "moth-pantry", "1c")
    return run(folder, sample)


def after_a_month(folder: Path, sample: Sample) -> str:
    (folder / "last-month").mkdir()
    shutil.copyfile(folder / "build/cards/arcade-evening/record.json", folder / "last-month/record.json")
    inputs = folder / "inputs"
    replace_in(
        inputs / "cards/arcade-evening.toml", ('version = "1"', 'version = "2"\nsettings = { typing = "socket" }')
    )
    replace_in(inputs / "cores/glimmer.toml", ('release = "1.3"', 'release = "1.4"'))
    replace_in(inputs / "titles/kite-quarrel.toml", ('"upright", ', ""))
    changed(folder, "ladder-lending", "3y")
    doit(folder, "record:arcade-evening")
    return run(folder, sample)


def with_a_byte_changed(folder: Path, sample: Sample) -> str:
    image, copy = folder / "build/cards/arcade-evening/card.img", folder / "read-from-card.img"
    subprocess.run(["cp", "--sparse=always", str(image), str(copy)], check=True)
    plan = plan_from_text((image.parent / "plan.json").read_text("utf-8"))
    entry = next(entry for entry in plan.entries if entry.path == "GOODS/GLIMMER/LADDER.ROM")
    with copy.open("r+b") as file:
        file.seek(plan.volume.cluster_offset(entry.cluster) + 0x5123)
        byte = file.read(1)[0]
        file.seek(-1, os.SEEK_CUR)
        file.write(bytes([byte ^ 1]))
    return run(folder, sample)


def with_a_key(folder: Path, sample: Sample) -> str:
    require("ssh-keygen")
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", str(folder / "key")], check=True)
    return run(folder, sample._replace(command=sample.command.replace("~/.ssh/id_ed25519", str(folder / "key"))))


def without_faketime(folder: Path, sample: Sample) -> str:
    said = run(folder, sample)
    return said if shutil.which("faketime") else said.replace(" umask,", " umask, clock,")


def with_dumps(folder: Path, sample: Sample) -> str:
    manifest = folder / "inputs/titles/button-orchard.toml"
    manifest.write_text('name = "Button Orchard"\ncore = "glimmer"\n\n[chips.4t]\n', "utf-8")
    (folder / "dumps").mkdir()
    (folder / "dumps/4t.bin").write_bytes(b"button" * 682 + b"turn")
    pack(folder / "box-3.zip", {"orchard/4u.bin": b"orchard." * 512})
    return run(folder, sample)


def with_a_store(folder: Path, sample: Sample) -> str:
    variable, *words = sample.words
    name, _, place = variable.partition("=")
    environment = {name: f"{folder}{place}"}
    for _ in range(2):
        shutil.rmtree(folder / "build", ignore_errors=True)
        ran = doit(folder, *words[1:], **environment)
    return ran.out + ran.err


def by_hand(folder: Path, sample: Sample) -> str:
    """Make the card of look's sample with public tools, files in the gaps that others left."""
    image, first, size = folder / "card.img", 63, 16 << 20
    image.write_bytes(b"")
    os.truncate(image, size)
    words = [require("mkfs.fat"), "-F", "16", "-s", "4", "-n", "GARAGE", "-i", "1234ABCD", "-h", str(first)]
    words += ["--offset", str(first), str(image), str((size - first * 512) // 1024)]
    subprocess.run(words, check=True, capture_output=True)
    with image.open("r+b") as file:
        file.seek(446)  # the first partition entry: type 04 at sector 63
        file.write(struct.pack("<B3sB3sII", 0, b"\1\1\0", 4, b"\xfe\x3f\x20", first, size // 512 - first))
        file.seek(510)
        file.write(b"\x55\xaa")
    volume, file_ = f"{image}@@{first * 512}", folder / "file"
    system = zipfile.ZipFile(folder / "inputs/files/tallow-two-system.zip")
    for path, data in {
        "BENCH.SET": system.read("BENCH.SET"),
        "FIRST.GAP": bytes(6 * 2048),
        "NOTES.TXT": b"from the old box",
        "OTHER.GAP": bytes(8 * 2048),
        "CHOICES.TXT": b"; what this card can become\r\nQUILLON: Quillon (home-computer)\r\n",
        "DISCS.LIB": demo_files.wanted()["quillon/discs"],
        "FABRICS/QUILLON.FAB": demo_files.wanted()["quillon/bitstream"],
    }.items():
        if path == "DISCS.LIB":
            subprocess.run([require("mdel"), "-i", volume, "::/FIRST.GAP", "::/OTHER.GAP"], check=True)
        if "/" in path:
            subprocess.run([require("mmd"), "-i", volume, "::/FABRICS"], check=True)
        file_.write_bytes(data)
        subprocess.run([require("mcopy"), "-i", volume, str(file_), f"::/{path}"], check=True)
    return run(folder, sample)


class Person:
    """Standard input on which a person types."""

    def isatty(self) -> bool:
        return True


def with_a_reader(folder: Path, sample: Sample) -> str:
    """Have a loop device for a card in a reader, which ``lsblk`` tells of as it does of one; the card has version 1."""
    if not sys.platform.startswith("linux"):
        missing("disks are written on Linux only")
    card = folder / "inputs/cards/quillon-desk.toml"
    replace_in(card, ('version = "2"', 'version = "1"'))
    doit(folder, "sheet:quillon-desk")
    assert own_command(folder, "publish", "quillon-desk").code == 0
    behind = folder / "reader.bin"
    behind.write_bytes(b"")
    os.truncate(behind, 31_914_983_424)
    made = subprocess.run(
        [require("losetup"), "-f", "--show", str(behind)], capture_output=True, text=True, check=False
    )
    if made.returncode:
        missing(f"no loop device: {made.stderr.strip()}")
    device = made.stdout.strip()
    try:
        serial = str(behind)
        written = own_command(folder, "write", "quillon-desk", device, "--yes", "--serial", serial)
        assert written.code == 0, written.err
        replace_in(card, ('version = "1"', 'version = "2"'))
        replace_in(folder / "inputs/cores/quillon.toml", ('memory = "large"', 'memory = "small"'))
        doit(folder, "sheet:quillon-desk")
        node = {"path": device, "type": "disk", "size": behind.stat().st_size, "tran": "usb", "model": "Reader One"}
        node |= {"serial": "000000000820", "label": "QUILLON"}
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(media, "_lsblk", lambda: json.dumps({"blockdevices": [node]}))
            patch.setattr(media, "_backed", lambda disk: disk)  # else it is seen that a file is behind it
            patch.setattr(sys, "stdin", Person())
            patch.setattr(
                builtins, "input", lambda question: print(f"{question}{node['model']} 31.9 GB") or "Reader One 31.9 GB"
            )
            words = [device if word == "/dev/sdb" else word for word in sample.words[2:]]
            ran = within(folder, COMMANDS[sample.words[1]], *words)
        return (ran.out + ran.err).replace(device, "/dev/sdb")
    finally:
        subprocess.run([require("losetup"), "-d", device], check=True)


Preparation = Callable[[Path, Sample], str]

PREPARED: dict[tuple[str, str], Preparation] = {
    ("README.md", ""): before_the_first_build,
    ("check", "doit check"): with_two_mistakes,
    ("find", "doit find"): with_a_chip_in_another_form,
    ("store", "CARDKILN_STORE=/srv/cardkiln doit rom:moth-pantry"): with_a_store,
    ("look", "doit look card.img"): by_hand,
}
"""What comes before a sample, by where it stands and its command."""

BY_COMMAND: dict[str, Preparation] = {
    "doit why arcade-evening": after_a_chip_was_read_anew,
    "doit diff last-month/record.json arcade-evening": after_a_month,
    "doit verify read-from-card.img arcade-evening": with_a_byte_changed,
    "doit publish": with_a_key,
    "doit prove": without_faketime,
    "doit pin": with_dumps,
    "doit cards": with_a_reader,
    "doit write": with_a_reader,
    **{f"doit {stage}:": before_the_first_build for stage in ("rom", "plan", "config", "image", "record", "sheet")},
}
"""What comes before every sample whose command begins so."""


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the demo's folder after the first build; not to be changed."""
    folder = demo_copy(tmp_path_factory.mktemp("samples"))
    assert doit(folder).code == 0
    return folder


@pytest.mark.parametrize("sample", SHOWN, ids=[f"{sample.where}: {sample.command}" for sample in SHOWN])
def test_a_sample_is_what_the_program_says(sample: Sample, built: Path, tmp_path: Path) -> None:
    command = " ".join(sample.words)
    prepare = PREPARED.get((sample.where, command)) or next(
        (work for start, work in BY_COMMAND.items() if command.startswith(start)), None
    )
    if prepare is None:
        assert_shown(sample.shown, run(built, sample))
    else:
        folder = tmp_path / "demo"
        shutil.copytree(built, folder, symlinks=True)
        assert_shown(sample.shown, prepare(folder, sample))


def test_every_preparation_is_of_a_sample() -> None:
    commands = {(sample.where, " ".join(sample.words)) for sample in SHOWN}
    assert set(PREPARED) <= commands
    assert all(any(command.startswith(start) for _, command in commands) for start in BY_COMMAND)


@pytest.mark.parametrize("sample", [sample for sample in SAMPLES if sample.command], ids=lambda sample: sample.command)
def test_a_command_that_is_shown_is_one(sample: Sample) -> None:
    """Its name is that of a command or task, and each of its options is one that it has."""
    words = [word for word in sample.words if not word.startswith("CARDKILN_")]
    assert words[0] in ("doit", ".ci/card")
    if words[0] == "doit" and words[1:] and words[1] in COMMANDS:
        COMMANDS[words[1]]()._parsed(words[2:])
    elif words[0] == "doit":
        names = [word.partition(":")[0] for word in words[1:] if not word.startswith("-") and word != "json"]
        assert set(names) - {"4", "facts-are-current"} <= set(help_text.names()), names
