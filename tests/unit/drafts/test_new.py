"""``doit new``: one manifest, drafted from what files show; what only a person can know is a blank."""

from __future__ import annotations

import errno
import json
import os
import re
import shutil
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from pipeline.bitstreams.identify import identify
from pipeline.commands.new import New
from pipeline.commands.start import Start
from pipeline.drafts.source_files import SourceFile, chip_names
from pipeline.drafts.texts import described
from pipeline.errors import ManifestError
from pipeline.manifest.load import load
from pipeline.manifest.schema.copies import schemas
from pipeline.manifest.schema.validate import schema
from pipeline.model.content import Content, Location
from pipeline.model.text import shown
from tests.support.cli import within, write_tree
from tests.support.small import CHIP_A, CHIP_B, sha
from tests.unit.bitstreams.samples import made
from tests.unit.sources.zips import pack

ECP5 = made("ecp5-25k.bit")
ICE40 = made("ice40-hx8k.bin")
BLANKS_ARE = '"<blank>" stands for what only a person can know; "doit check" lists every blank.\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder of cards as ``doit start`` makes it."""
    assert within(tmp_path, Start, "club").code == 0
    return tmp_path / "club"


def drafted(folder: Path, *words: str) -> tuple[str, str]:
    """Return what a draft says, and what the command said of it."""
    ran = within(folder, New, *words)
    assert (ran.code, ran.err) == (0, "")
    (path,) = (folder / "inputs").rglob(f"{words[1]}.toml")
    text = path.read_text("utf-8")
    schema = json.loads(schemas()[f"{words[0]}.schema.json"])
    assert list(Draft202012Validator(schema).iter_errors(tomllib.loads(text))) == []
    assert text.splitlines()[0] == f"#:schema ../../schemas/{words[0]}.schema.json"
    return text, ran.out


RELEASE = {
    "glow.bit": ECP5,
    "README.md": b"Needs rgb.",
    "LICENSE.txt": b"CC0",
    "docs/keys.txt": b"x" * 4096,
    ".git/objects/1": ICE40,
    "docs/.DS_Store": b"x",
    "__MACOSX/glow.bit": ECP5,
}
CORE = f"""\
name = "<blank>"
kind = "<blank>"
release = "<blank>"
boards = ["my-board"]

# glow.bit: Lattice bitstream for LFE5U-25F (CABGA381)
[bitstream]
size = {len(ECP5)}
sha256 = "{sha(ECP5)}"

# Read-me: README.md. It may say what the core needs.
# Licence text: LICENSE.txt. State the licence in [rights] to publish the core.

# Other files. Those that the core needs on the card go into [[files]]:
#   docs/keys.txt, 4 KiB
"""


@pytest.mark.parametrize("is_folder", [True, False])
def test_a_core_is_drafted_from_a_release(is_folder: bool, folder: Path) -> None:
    name = "glow-1" if is_folder else "glow-1.zip"
    if is_folder:
        write_tree(folder / name, dict(RELEASE))
    else:
        pack(folder / name, RELEASE)
    text, said = drafted(folder, "core", "glow", name)
    head, _, rest = text.partition("\nname = ")
    assert head == (
        "#:schema ../../schemas/core.schema.json\n"
        f"# Drafted from {name}. {BLANKS_ARE}"
        '# "doit keys core" lists what else can be said here, such as what the core needs of displays and keyboards.'
    )
    assert f"name = {rest}" == CORE
    path = f"{name}/glow.bit" if is_folder else name
    assert said == (
        "written inputs/cores/glow.toml\n"
        "note    bitstream glow.bit: Lattice bitstream for LFE5U-25F (CABGA381)\n"
        f"note    in no place of sources.toml: {path}; add the folder or archive to its places\n"
        "blank   name, kind, release\n"
        "next    fill them in; doit check lists what is expected\n"
    )


def test_every_blank_is_told_by_the_check_until_it_is_filled_in(folder: Path) -> None:
    write_tree(folder / "inputs" / "files" / "glow-1", dict(RELEASE))
    text, said = drafted(folder, "core", "glow", "inputs/files/glow-1")
    assert "in no place" not in said
    with pytest.raises(ManifestError) as caught:
        load(folder / "inputs", folder)
    assert [problem.place.key for problem in caught.value.problems] == ["name", "kind", "release"]
    path = folder / "inputs" / "cores" / "glow.toml"
    path.write_text(text.replace('kind = "<blank>"', 'kind = "arcade"').replace("<blank>", "Glow"), "utf-8")
    assert load(folder / "inputs", folder).cores["glow"].bitstream.sha256 == sha(ECP5)


def test_of_several_bitstreams_the_one_for_the_board_is_chosen(folder: Path) -> None:
    write_tree(folder / "release", {"a.bin": ICE40, "b.bit": ECP5})
    text, said = drafted(folder, "core", "unsure", "release")
    assert "# Either a.bin: Lattice bitstream for " in text
    assert "# Either b.bit: Lattice bitstream for LFE5U-25F (CABGA381)\n" in text
    assert 'boards = ["<blank>"]' in text
    assert "note    2 bitstreams found; none is chosen\n" in said
    board = folder / "inputs" / "boards" / "my-board.toml"
    board.write_text(board.read_text("utf-8") + '\n[fpga]\npart = "LFE5U-25F"\n', "utf-8")
    text, _ = drafted(folder, "core", "sure", "release")
    assert 'boards = ["my-board"]' in text
    assert sha(ECP5) in text
    assert "# Also a.bin: Lattice bitstream for " in text


def test_a_bitstream_for_another_fpga_is_never_given_to_a_board(folder: Path) -> None:
    board = folder / "inputs" / "boards" / "my-board.toml"
    board.write_text(board.read_text("utf-8") + '\n[fpga]\npart = "LFE5U-85F"\n', "utf-8")
    (folder / "glow.bit").write_bytes(ECP5)
    text, said = drafted(folder, "core", "glow", "glow.bit")
    assert 'boards = ["<blank>"]' in text
    assert "note    not for board my-board: wrong device: " in said


def test_a_core_without_a_bitstream_is_told_how_to_pin_one(folder: Path) -> None:
    write_tree(folder / "release", {"notes.txt": b"nothing here"})
    text, said = drafted(folder, "core", "glow", "release")
    assert "# No file is a bitstream of a known kind.\n[bitstream]\n" in text
    assert "note    no bitstream of a known kind found\n" in said
    with pytest.raises(ManifestError) as caught:
        load(folder / "inputs", folder)
    assert "  hint: doit pin core:glow bitstream FILE writes it" in str(caught.value).splitlines()


def test_a_title_is_drafted_from_dumps_with_every_chip_pinned(folder: Path) -> None:
    pack(folder / "inputs" / "files" / "box.zip", {"moth/4u.bin": CHIP_B})
    write_tree(folder / "inputs" / "files", {"odd name (2).bin": CHIP_A, "more/4u.rom": CHIP_A})
    arguments = ("odd name (2).bin", "box.zip/moth/4u.bin", "more")
    text, said = drafted(folder, "title", "owl", *(f"inputs/files/{argument}" for argument in arguments))
    assert text.partition("\nname = ")[2] == (
        '"<blank>"\n'
        'core = "my-core"\n'
        "\n"
        "# inputs/files/odd name (2).bin\n"
        "[chips.odd-name-2]\n"
        'size = "1 KiB"\n'
        f'sha256 = "{sha(CHIP_A)}"\n'
        "\n"
        "# inputs/files/box.zip/moth/4u.bin\n"
        "[chips.4u]\n"
        'size = "1 KiB"\n'
        f'sha256 = "{sha(CHIP_B)}"\n'
        "\n"
        "# inputs/files/more/4u.rom\n"
        "[chips.4u-2]\n"
        'size = "1 KiB"\n'
        f'sha256 = "{sha(CHIP_A)}"\n'
        "\n"
        "# The ROM file: its name and size are in the core's read-me.\n"
        "[[rom]]\n"
        'path = "<blank>"\n'
        'size = "<blank>"\n'
        "\n"
        "# The chips in the order in which they were named, 3 KiB in all; correct it where they go otherwise.\n"
        '# "doit keys title.rom.steps" lists what a step can do, such as interleave. The first address is often 0.\n'
        "[[rom.steps]]\n"
        'at = "<blank>"\n'
        'join = ["odd-name-2", "4u", "4u-2"]\n'
    )
    assert said == (
        "written inputs/titles/owl.toml\n"
        "blank   name, rom.1.path, rom.1.size, rom.1.steps.1.at\n"
        "next    fill them in; doit check lists what is expected\n"
    )


def test_texts_among_dumps_are_no_chips_and_are_named(folder: Path) -> None:
    pack(folder / "box.zip", {"4t.bin": CHIP_A, "readme.txt": b"x", "LICENCE": b""})
    text, _ = drafted(folder, "title", "owl", "box.zip")
    assert list(tomllib.loads(text)["chips"]) == ["4t"]
    assert tomllib.loads(text)["rom"][0]["steps"] == [{"at": "<blank>", "chip": "4t"}]
    assert "# Taken for no dump: box.zip/LICENCE\n# Taken for no dump: box.zip/readme.txt\n" in text


@pytest.mark.parametrize(
    ("kind", "blanks"),
    [
        ("board", ["name", "volumes.1", "fpga.part", "cores.folder", "cores.bitstream"]),
        ("core", ["name", "kind", "release", "bitstream.size", "bitstream.sha256"]),
        ("title", ["name"]),
        ("card", ["name", "volume.size"]),
        ("station", ["name", "displays.1.name", "displays.1.inputs.1"]),
    ],
)
def test_each_kind_is_drafted_from_nothing(kind: str, blanks: list[str], folder: Path) -> None:
    _, said = drafted(folder, kind, "fern")
    assert said.splitlines()[1] == f"blank   {', '.join(blanks)}"
    with pytest.raises(ManifestError) as caught:
        load(folder / "inputs", folder)
    assert {problem.place.key for problem in caught.value.problems} == set(blanks)


def test_a_board_takes_its_fpga_from_a_bitstream(folder: Path) -> None:
    (folder / "glow.bit").write_bytes(ECP5)
    text, _ = drafted(folder, "board", "ash", "glow.bit")
    assert tomllib.loads(text)["fpga"] == {"part": "LFE5U-25F"}
    (folder / "notes.txt").write_bytes(b"x")
    text, said = drafted(folder, "board", "elm", "notes.txt")
    assert tomllib.loads(text)["fpga"] == {"part": "<blank>"}
    assert "note    0 bitstreams found, so the FPGA is not known\n" in said


def test_the_schema_line_leads_to_the_schemas_and_is_left_out_where_there_are_none(tmp_path: Path) -> None:
    (tmp_path / "own" / "deep" / "inputs").mkdir(parents=True)
    shutil.copytree(Path(__file__).parents[3] / "schemas", tmp_path / "own" / "schemas")
    inputs = tmp_path / "own" / "deep" / "inputs"
    assert within(tmp_path, New, "station", "shed", CARDKILN_INPUTS=str(inputs)).code == 0
    first = (inputs / "stations" / "shed.toml").read_text("utf-8").splitlines()[0]
    assert first == "#:schema ../../../schemas/station.schema.json"
    shutil.rmtree(tmp_path / "own" / "schemas")
    assert within(tmp_path, New, "station", "barn", CARDKILN_INPUTS=str(inputs)).code == 0
    assert (inputs / "stations" / "barn.toml").read_text("utf-8").startswith("# Drafted. ")


def test_as_json(folder: Path) -> None:
    ran = within(folder, New, "card", "night", "--json")
    assert json.loads(ran.out) == {
        "cardkiln-new": 1,
        "written": ["inputs/cards/night.toml"],
        "blanks": ["name", "volume.size"],
        "notes": [],
    }


@pytest.mark.parametrize(
    ("words", "code", "message"),
    [
        (
            ["core"],
            2,
            "expected KIND ID [FILE ...] or board ID --from CARD or "
            "titles FOLDER [--core ID] [--layout NAME] [--tag WORD]\n"
            "  hint: see doit help new\n",
        ),
        (["croe", "x"], 2, 'found "croe", expected a kind of manifest\n  hint: did you mean "core"?\n'),
        (["core", "My Core"], 2,
         'found "My Core", expected an id: lower-case words with hyphens\n  hint: try "my-core"\n'),
        (["core", "../x"], 2, 'found "../x", expected an id: lower-case words with hyphens\n  hint: try "x"\n'),
        (["core", "\u00e9"], 2,
         'found "\u00e9", expected an id: lower-case words with hyphens\n  hint: try "moth-pantry"\n'),
        (["core", "nul"], 2, 'found the id "nul", which some systems keep for a device\n  hint: try "nul-1"\n'),
        (["core", "my-core"], 2, "inputs/cores/my-core.toml: exists already; nothing was written\n"
         "  hint: choose another id, or move it away\n"),
        (["card", "x", "README.md"], 2,
         "a card is drafted from no file; expected card ID only\n  hint: leave the file out\n"),
        (["title", "x", "nowhere.bin"], 3, "nowhere.bin: there is no such file\n  hint: correct the path\n"),
        (["title", "x", "nothing"], 2, "nothing: holds no file to draft from\n  hint: name another\n"),
        (["title", "x", "empty.bin"], 3, "empty.bin: has 0 bytes; expected a dump\n  hint: leave it out\n"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_one_message_and_writes_nothing(
    words: list[str], code: int, message: str, folder: Path
) -> None:
    (folder / "empty.bin").touch()
    (folder / "nothing").mkdir()
    before = sorted(folder.rglob("*"))
    ran = within(folder, New, *words)
    assert (ran.code, ran.out, ran.err) == (code, "", message)
    assert sorted(folder.rglob("*")) == before


def test_inputs_elsewhere_are_named_by_their_path(folder: Path, tmp_path: Path) -> None:
    ran = within(tmp_path, New, "card", "my-card", CARDKILN_INPUTS=str(folder / "inputs"))
    assert ran.err.startswith("club/inputs/cards/my-card.toml: exists already")


def test_without_inputs_it_says_how_to_start(tmp_path: Path) -> None:
    ran = within(tmp_path, New, "core", "glow")
    assert (ran.code, ran.err) == (
        2,
        "inputs: there is no folder of inputs here\n  hint: doit start FOLDER makes one\n",
    )
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EACCES])
def test_a_full_disk_or_a_missing_permission_leaves_nothing(
    number: int, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """open(2) and write(2) of POSIX.1-2024 fail with these."""
    shutil.rmtree(folder / "inputs" / "stations")
    before = sorted(folder.rglob("*"))

    def failing(path: Path, text: str, **_: object) -> int:
        path.write_bytes(text.encode()[:5])
        raise OSError(number, os.strerror(number), str(path))

    monkeypatch.setattr(Path, "write_text", failing)
    ran = within(folder, New, "station", "shed")
    assert (ran.code, ran.err) == (
        3,
        f"inputs/stations/shed.toml: cannot be written: {os.strerror(number)}\n"
        "  hint: make room on the disk, or check the permissions\n",
    )
    assert sorted(folder.rglob("*")) == before


def test_a_release_that_is_hostile_is_refused_as_a_source_would_be(folder: Path) -> None:
    pack(folder / "up.zip", {"../../x.bit": ECP5})
    pack(folder / "bomb.zip", {"x.bit": bytes(40 << 20)})
    (folder / "cut.zip").write_bytes(pack(folder / "up.zip", {"a": ECP5}).read_bytes()[:200])
    pack(folder / "up.zip", {"../../x.bit": ECP5})
    before = sorted(folder.rglob("*"))
    for name in ("up", "bomb", "cut"):
        ran = within(folder, New, "core", "glow", f"{name}.zip")
        assert (ran.code, ran.out) == (1, "")
        assert ran.err.startswith(f"{name}.zip: ")
    assert sorted(folder.rglob("*")) == before


def test_the_limits_of_sources_hold(folder: Path) -> None:
    sources = folder / "inputs" / "sources.toml"
    sources.write_text(sources.read_text("utf-8") + "\n[limits]\nentries = 2\n", "utf-8")
    pack(folder / "glow.zip", RELEASE)
    ran = within(folder, New, "core", "glow", "glow.zip")
    assert (ran.code, ran.err) == (
        1,
        "glow.zip: has more than 2 entries, the limit\n  hint: unpack it into a folder, or raise limits.entries\n",
    )


@given(st.text(st.characters(exclude_characters="/\0", exclude_categories=["Cs"]), min_size=1, max_size=40))
def test_a_name_in_a_release_never_gets_out_of_its_comment(name: str) -> None:
    line = f"# {shown(name)}: {described(identify(ECP5))}"  # type: ignore[arg-type]  # it is one
    assert tomllib.loads(f"a = 1\n{line}\nb = 2\n") == {"a": 1, "b": 2}


def test_an_ending_with_a_number_is_part_of_a_chips_name_where_files_differ_in_nothing_else() -> None:
    """Dumps named by game and position are common practice."""
    content = Content(sha256="0" * 64, size=1)
    names = ["moth.7b", "moth.7c", "row 1.bin"]
    files = [SourceFile(path=name, argument=name, location=Location(path=name), content=content) for name in names]
    assert list(chip_names(files)) == ["moth.7b", "moth.7c", "row-1"]


@given(st.lists(st.text(min_size=1, max_size=50), max_size=6))
def test_every_file_gives_a_chip_a_name_of_its_own_that_can_be_one(names: list[str]) -> None:
    content = Content(sha256="0" * 64, size=1)
    files = [SourceFile(path=name, argument=name, location=Location(path=name), content=content) for name in names]
    chips = list(chip_names(files))
    pattern = schema("title")["$defs"]["chip-name"]["pattern"]
    assert len(set(chips)) == len(names)
    assert all(re.fullmatch(pattern, chip) for chip in chips)
