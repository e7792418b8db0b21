"""Cards that nobody should have to draft a board from: an honest draft or one message, and nothing half written."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from pipeline.commands.new import New
from pipeline.manifest.text.blank import BLANK
from tests.support.cli import Ran, digests, within, write_tree
from tests.unit.image.cards import build, plan_of, volume_of
from tests.unit.survey.hand_made import HandMade, bitstreams, make
from tests.unit.volume.making import by_mkfs

LOGIC = bitstreams("ecp5-25k.bit")
FILES = {"PLANS/HERON/LOGIC.BIT": LOGIC["HERON"], "PLANS/OATS/LOGIC.BIT": LOGIC["OATS"]}
EXISTS = "inputs/boards/ash.toml: exists already; nothing was written\n  hint: choose another id, or move it away\n"
NO_CARD = "there is no such file or folder\n  hint: name an image, a disk or a folder\n"
USAGE = "--from: expected board ID --from CARD\n  hint: see doit help new\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with inputs, and a card of mkfs.fat and mtools with two cores."""
    (tmp_path / "inputs").mkdir()
    make(HandMade(fat_bits=16, megabytes=16, files=FILES, drafted={}), tmp_path / "card.img", tmp_path)
    return tmp_path


def draft(folder: Path, card: str = "card.img") -> tuple[Ran, str]:
    """Draft a board, and return what the command said and what it wrote, "" for nothing."""
    ran = within(folder, New, "board", "ash", "--from", card)
    path = folder / "inputs" / "boards" / "ash.toml"
    return ran, path.read_text("utf-8") if path.exists() else ""


def test_a_damaged_card_is_refused(folder: Path) -> None:
    data = bytearray((folder / "card.img").read_bytes())
    at = data.index(b"LOGIC   BIT")
    data[at + 26 : at + 28] = b"\xf0\x1f"
    (folder / "card.img").write_bytes(data)
    ran, text = draft(folder)
    assert (ran.code, ran.out, text) == (1, "", "")
    assert ran.err.splitlines()[0].startswith("card.img: PLANS/HERON/LOGIC.BIT: chain: its chain ")
    assert ran.err.splitlines()[1] == "  hint: take a sound copy; doit look shows what is wrong"
    assert digests(folder / "inputs") == {}


def test_an_exfat_volume_is_one_message(folder: Path) -> None:
    """The mark "EXFAT   " at offset 3: exFAT file system specification (Microsoft, 2019), 3.1.2 FileSystemName."""
    data = bytearray(1 << 20)
    data[0:11], data[510:512] = b"\xeb\x76\x90EXFAT   ", b"\x55\xaa"
    (folder / "card.img").write_bytes(data)
    ran, text = draft(folder)
    assert (ran.code, ran.out, text, ran.err.count("\n")) == (3, "", "", 2)
    assert "exFAT" in ran.err
    assert not (folder / "inputs" / "boards").exists()


def test_names_that_cannot_be_read_are_left_out_and_named(folder: Path) -> None:
    data = bytearray((folder / "card.img").read_bytes())
    at = data.index(b"OATS       ")
    data[at : at + 4] = b"O\x01\x1bS"
    (folder / "card.img").write_bytes(data)
    ran, text = draft(folder)
    assert (ran.code, ran.err) == (0, "")
    assert '# Not looked at: "PLANS/O\ufffd\ufffdS" and "PLANS/O\ufffd\ufffdS/LOGIC.BIT".\n' in text
    assert "# A single bitstream shows no pattern; each of these fits it.\n" in text
    assert text.isprintable() or all(mark.isprintable() or mark == "\n" for mark in text)


def test_an_empty_volume_shows_its_type_and_nothing_else(folder: Path) -> None:
    by_mkfs(folder / "card.img", 16)
    ran, text = draft(folder)
    assert (ran.code, ran.err) == (0, "")
    assert ran.out == (
        "written inputs/boards/ash.toml\n"
        "note    0 files looked at, 0 bitstreams recognised\n"
        "note    7 keys written, 2 more suggested in comments; check each against its evidence\n"
        "blank   name, fpga.part, cores.folder, cores.bitstream\n"
        "next    fill them in; doit check lists what is expected; then doit adopt card.img ash drafts cores and card\n"
    )
    assert tomllib.loads(text) == {
        "name": BLANK,
        "volumes": ["fat16"],
        "partitioned": False,
        "label-entry": "first",
        "fpga": {"part": BLANK},
        "cores": {"folder": BLANK, "bitstream": BLANK},
    }


def test_the_folder_of_a_mounted_card_leaves_the_volume_blank(folder: Path) -> None:
    write_tree(folder / "mounted", {**FILES, "._LITTER": b"x"})
    (folder / "mounted" / "link").symlink_to(folder / "card.img")
    ran, text = draft(folder, "mounted")
    assert (ran.code, ran.err) == (0, "")
    values = tomllib.loads(text)
    assert (values["volumes"], values["partitioned"]) == ([BLANK], BLANK)
    assert "; then doit adopt IMAGE ash drafts cores and card\n" in ran.out
    assert values["cores"] == {"folder": "PLANS/{core}", "bitstream": "LOGIC.BIT"}
    assert "link" not in text
    assert "LITTER" not in text


def test_nothing_is_written_over(folder: Path) -> None:
    _, text = draft(folder)
    assert text
    ran, again = draft(folder, "nowhere")
    assert (ran.code, ran.out, ran.err, again) == (2, "", EXISTS, text)


@pytest.mark.parametrize(
    ("words", "code", "message"),
    [
        (["core", "ash", "--from", "card.img"], 2, USAGE),
        (["board", "ash", "card.img", "--from", "card.img"], 2, USAGE),
        (["board", "ash", "--from", "nowhere"], 3, f"nowhere: {NO_CARD}"),
        (["board", "ash", "--from", ""], 3, NO_CARD),
        (["board", "Ash", "--from", "card.img"], 2,
         'found "Ash", expected an id: lower-case words with hyphens\n  hint: try "ash"\n'),
    ],
)  # fmt: skip
def test_what_cannot_be_is_one_message(words: list[str], code: int, message: str, folder: Path) -> None:
    ran = within(folder, New, *words)
    assert (ran.code, ran.out, ran.err) == (code, "", message)
    assert digests(folder / "inputs") == {}


@pytest.mark.parametrize("count", [2_000, pytest.param(60_000, marks=pytest.mark.long)])
def test_many_files_are_looked_at_and_few_are_named(count: int, folder: Path) -> None:
    files = {f"D{number // 2000}/T{number % 2000}.INI": b"key = %d\r\n" % number for number in range(count)}
    build(
        plan_of({**FILES, **files}, volume_of(32, size=1 << 30), label="MANY"), {**FILES, **files}, folder / "card.img"
    )
    ran, text = draft(folder)
    assert (ran.code, ran.err) == (0, "")
    assert f"note    {count + 2:,} files looked at, 2 bitstreams recognised\n" in ran.out
    assert f"# Only the first 40 of {count:,} keys are listed.\n" in text
    assert len(text) < 20_000


SEVERAL = {"A.TXT": b"a", "a long name.txt": b"b", "C.TXT": b"c"}


@pytest.mark.parametrize(
    ("after", "files", "label_entry", "evidence"),
    [
        (0, {}, "first", '# The label "ASHCARD" is entry 1 of the root directory.'),
        (1, SEVERAL, "second", '# The label "ASHCARD" is entry 2 of the root directory, behind "A.TXT".'),
        (1, {"a long name.txt": b"b"}, None, '# The label "ASHCARD" is entry 2 of the root directory.'),
        (3, SEVERAL, None, '# The label "ASHCARD" is entry 4 of the root directory.'),
    ],
)
@pytest.mark.parametrize("fat_bits", [16, 32])
def test_where_the_label_is(
    fat_bits: int, after: int, files: dict[str, bytes], label_entry: str | None, evidence: str, tmp_path: Path
) -> None:
    (tmp_path / "inputs").mkdir()
    megabytes = {16: 16, 32: 40}[fat_bits]
    hand_made = HandMade(
        fat_bits=fat_bits, megabytes=megabytes, files=files, drafted={}, label="ASHCARD", labelled_after=after
    )
    make(hand_made, tmp_path / "card.img", tmp_path)
    ran, text = draft(tmp_path)
    assert (ran.code, ran.err) == (0, "")
    assert f"{evidence}\n" in text
    assert tomllib.loads(text).get("label-entry") == label_entry


def test_a_label_that_only_the_boot_sector_has_is_named(folder: Path) -> None:
    """Offset 43 of a FAT16 boot sector: Microsoft FAT32 File System Specification 1.03 (2000), BS_VolLab."""
    data = bytearray((folder / "card.img").read_bytes())
    data[43:54] = b"ONLYBOOT   "
    (folder / "card.img").write_bytes(data)
    _, text = draft(folder)
    shown = " ".join(text.replace("\n# ", " ").split())
    assert (
        "The root directory has no label, so the card does not show where the board expects it; the boot sector has "
        'the label "ONLYBOOT".'
    ) in shown
    assert "label-entry" not in tomllib.loads(text)
