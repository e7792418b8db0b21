"""A name from a card, a folder, an archive or an argument never changes what a terminal shows, and stops no command.

What is looked for: control characters (ECMA-48, 5.2 and 5.3), direction marks (Unicode Standard Annex #9, 2.1 to 2.7),
line and paragraph separators, and halves of surrogate pairs (The Unicode Standard, chapter 4, "General Category").
A POSIX file name is any bytes but NUL and "/" (POSIX.1-2017, 3.170), a FAT long name any 16-bit units (Microsoft FAT32
File System Specification 1.03, "Long Directory Entries").
"""

from __future__ import annotations

import contextlib
import io
import itertools
import json
import os
import shutil
import sys
import tarfile
import unicodedata
import zipfile
from dataclasses import replace
from pathlib import Path
from unittest import mock

import pytest

from pipeline.commands.base import OwnCommand
from pipeline.commands.write import Log
from pipeline.device.disk import Disk
from pipeline.distribute.publish import publish
from pipeline.media.write import COLUMNS
from tests.support import small
from tests.support.building import build_card_in, build_in
from tests.support.cli import COMMANDS, call, command, write_tree
from tests.unit.commands.test_publish import RIGHTS, WITH_RIGHTS

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="other systems' file names are not any bytes")

ENCODINGS = ("ascii", "latin-1", "utf-8")

MARK = "FORGED"
NAME = f"x\x1b[31m\x9b2J\u202e\u2066y\u2028\n{MARK}\r\x07\x7f\udcff"
"""A file name on POSIX: the last character stands for the byte FF, which is no UTF-8."""
TEXT = NAME[:-1]
"""One that is UTF-8."""
UNITS = "\x1b\u202e\ud800\n\u2028"
"""The first five 16-bit units of a long name on FAT, the third half of a pair."""
PLACEHOLDER = "qwzxv"
DANGEROUS = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}


ISOLATES = {"\u2068", "\u2069"}
"""Put around each name by the page itself (Unicode Standard Annex #9, 2.4)."""


def dangerous(text: str) -> set[str]:
    """Return the characters, and the lines that a name pretends to be, that must not be in what a person reads."""
    found = {character for character in set(text) - {"\n"} if unicodedata.category(character) in DANGEROUS}
    return found | {line for line in text.split("\n") if line.lstrip().startswith(MARK)}


def said(folder: Path, kind: type[OwnCommand], arguments: list[str], encoding: str) -> tuple[int, bytes, bytes]:
    """Return the exit code of a command and the bytes that come out; an exception would be a traceback."""
    out, err = (io.TextIOWrapper(io.BytesIO(), encoding=encoding, newline="\n") for _ in range(2))
    with (
        contextlib.chdir(folder),
        mock.patch.dict(os.environ, {"CARDKILN_INPUTS": "inputs"}),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        code = kind().parse_execute(arguments)
        out.flush()
        err.flush()
    return code, out.buffer.getvalue(), err.buffer.getvalue()


def check(folder: Path, kind: type[OwnCommand], *arguments: str) -> set[int]:
    """Run a command as text under every encoding and as JSON; return its exit codes."""
    codes = set()
    for encoding in ENCODINGS:
        code, out, err = said(folder, kind, list(arguments), encoding)
        assert dangerous(out.decode(encoding) + err.decode(encoding)) == set(), (kind.name, arguments)
        assert out or err
        codes.add(code)
    if any(option["name"] == "json" for option in kind.cmd_options):
        _, out, err = said(folder, kind, ["--json", *arguments], "utf-8")
        assert dangerous(out.decode("ascii") + err.decode("utf-8")) == set(), (kind.name, arguments)
        json.loads(out)
    return codes


def hostile_files(folder: Path, name: str = NAME) -> None:
    """Write files, folders and archives with hostile names below a folder."""
    (folder / name).mkdir(parents=True)
    (folder / name / f"{name}.bin").write_bytes(b"inside" * 100)
    (folder / f"{name}.rom").write_bytes(small.CHIP_A)
    with zipfile.ZipFile(folder / f"{name}.zip", "w") as archive:
        archive.writestr(f"a/{TEXT}.bin", b"zipped" * 100)
    with tarfile.open(folder / f"{name}.tar", "w") as tar:
        member = tarfile.TarInfo(f"b/{NAME}.bin")
        member.size = 600
        tar.addfile(member, io.BytesIO(b"packed" * 100))


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a project with a built and published card, hostile sources, and the card in hostile states.

    ``mounted``: a folder. ``card.img``: the image with its own names changed into hostile ones.
    """
    folder = small.small_project(
        tmp_path_factory.mktemp("hostile"),
        {
            "inputs/files/own/save.bin": b"kept" * 10,
            **{path: text for path, text in WITH_RIGHTS.items() if path != "inputs/cards/desk.toml"},
            "inputs/cards/desk.toml": f'keep = ["SLATE/**"]\n{small.CARD}\n{RIGHTS}\n[[files]]\n'
            f'path = "{PLACEHOLDER}-long-name.bin"\nfrom = "files/own/save.bin"\n',
        },
    )
    build_card_in(folder)
    hostile_files(folder / "inputs/files/attic")
    for file in json.loads((folder / "build/cards/desk/record.json").read_bytes())["files"]:
        write_tree(folder / "mounted", {file["path"]: "of an older build"})
    hostile_files(folder / "mounted")
    hostile_files(folder / "mounted/SLATE")
    image = (folder / "build/cards/desk/card.img").read_bytes()
    place = PLACEHOLDER.encode("utf-16-le")
    assert image.count(place) == 1
    image = image.replace(place, UNITS.encode("utf-16-le", "surrogatepass")).replace(b"DESK   ", b"D\x1b[31m\x07")
    (folder / "card.img").write_bytes(image)
    hostile_files(folder / "dumps")
    hostile_files(folder / "texts", TEXT)
    shutil.copytree(publish(build_in(folder), "desk", "gzip", None)[0].folder, folder / "published")
    (folder / "published" / NAME).write_bytes(b"more")
    return folder


@pytest.mark.parametrize("name", COMMANDS)
def test_an_argument_is_never_shown_raw(scene: Path, tmp_path: Path, name: str) -> None:
    kind = COMMANDS[name]
    valued = [option["long"] for option in kind.cmd_options if option["type"] is str]
    shutil.copytree(scene / "inputs", tmp_path / "inputs", symlinks=True)
    for count in range(1, 4):
        check(tmp_path, kind, *[NAME] * count)
    check(tmp_path, kind, f"--{NAME}")
    for option, count in itertools.product(valued, range(3)):
        check(tmp_path, kind, f"--{option}", NAME, *["desk", NAME][:count])
    for word in ("desk", "oak", "title", "core", "snail-race", "title:snail-race", "core.bitstream"):
        for words in ([word, NAME], [word, NAME, NAME], [f"{word}{NAME}"], [f"{word}:{NAME}"], [f"{word}.{NAME}"]):
            check(tmp_path, kind, *words)


@pytest.mark.parametrize(
    ("name", "arguments", "code"),
    [
        ("find", [], 0),
        ("find", ["--all"], 0),
        ("jobs", [], 0),
        ("why", ["desk"], 0),
        ("map", ["snail-race"], 0),
        ("look", ["card.img"], 1),
        ("look", ["mounted"], 1),
        ("diff", ["desk", "card.img"], 1),
        ("diff", ["card.img", "mounted"], 1),
        ("verify", ["card.img", "desk"], 1),
        ("verify", ["mounted", "desk"], 1),
        ("update", ["--list", "desk", "mounted"], 0),
        ("update", ["--list", "--clean", "desk", "mounted"], 0),
        ("keep", ["desk", "mounted"], 1),
        ("adopt", ["--as", "one", "card.img", "oak"], 0),
        ("adopt", ["--as", "two", "mounted", "oak"], 3),
        ("new", ["title", "three", f"dumps/{NAME}"], 2),
        ("new", ["title", "three", "texts"], 0),
        ("new", ["core", "four", "dumps"], 2),
        ("new", ["core", "four", "texts"], 0),
        ("pin", ["title:snail-race", "chips.a1", f"dumps/{NAME}.rom"], 0),
        ("pin", ["title:snail-race", "chips.a1", f"dumps/{NAME}.zip"], 3),
        ("solve", [f"dumps/{NAME}.rom", "dumps"], 2),
        ("solve", [f"texts/{TEXT}.rom", "texts"], 1),
        ("receive", ["published"], 1),
        ("start", [f"{NAME}-started"], 0),
    ],
    ids=lambda value: ascii(value),
)
def test_names_of_files_and_on_cards_are_never_shown_raw(
    scene: Path, tmp_path: Path, name: str, arguments: list[str], code: int
) -> None:
    folder = tmp_path / "scene"
    shutil.copytree(scene, folder, symlinks=True)
    encoding = "ascii"
    first, out, err = said(folder, COMMANDS[name], arguments, encoding)
    assert dangerous(out.decode(encoding) + err.decode(encoding)) == set()
    assert first == code, (out, err)
    check(folder, COMMANDS[name], *arguments)
    assert written_badly(folder) == {}


DISK = Disk(
    path=f"/dev/{NAME}", kind="disk", size=16 << 20, buses=frozenset({"usb"}), read_only=False, model=NAME,
    serial=NAME, label=NAME, uses=(), parts=(),
)  # fmt: skip
"""A reader may call itself anything, and so may a card."""


@pytest.mark.parametrize(
    ("name", "arguments"), [("cards", []), ("write", ["desk", DISK.path]), ("write", ["desk", "--serial=1", DISK.path])]
)
@pytest.mark.parametrize("uses", [(), (f"/mnt/{NAME} is mounted",)], ids=["free", "used"])
def test_names_of_disks_are_never_shown_raw(
    scene: Path, monkeypatch: pytest.MonkeyPatch, name: str, arguments: list[str], uses: tuple[str, ...]
) -> None:
    for module in ("cards", "write"):
        monkeypatch.setattr(f"pipeline.media.{module}.disks", lambda: (replace(DISK, uses=uses),))
    check(scene, COMMANDS[name], *arguments)


def test_the_log_of_written_cards_is_utf8_and_safe_to_show(tmp_path: Path) -> None:
    log = Log(tmp_path / "batch")
    log.add([dict.fromkeys(COLUMNS, NAME)])
    assert written_badly(tmp_path) == {}
    assert [path.name for path in sorted(tmp_path.iterdir())] == ["batch.csv", "batch.json"]


@pytest.mark.parametrize(
    "environment",
    [
        {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"},
        {"LC_ALL": "C.UTF-8", "PYTHONIOENCODING": "latin-1"},
    ],
    ids=["C", "latin-1"],
)
def test_a_build_from_hostile_sources_shows_no_name_raw(tmp_path: Path, environment: dict[str, str]) -> None:
    small.small_project(tmp_path)
    hostile_files(tmp_path / "inputs/files/attic")
    ran = call(tmp_path, command(tmp_path), **environment)
    assert (ran.code, dangerous(ran.out + ran.err)) == (0, set())
    assert written_badly(tmp_path / "build") == {}


def written_badly(folder: Path) -> dict[Path, set[str]]:
    """Return the texts among all files that are no UTF-8, or hold what must not be shown raw, with that."""
    texts = [path for path in folder.rglob("*") if path.suffix in (".html", ".json", ".csv", ".toml", ".md")]
    bad = {path: dangerous(path.read_text(encoding="utf-8").replace("\r\n", "\n")) - ISOLATES for path in texts}
    return {path: found for path, found in bad.items() if found}
