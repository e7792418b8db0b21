"""``doit find`` as a person runs it: what every card lacks, what was found in another form, what nothing wants."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path

import bincopy
import pytest

from tests.support import small
from tests.support.cli import doit, own_command
from tests.unit.roms.workshop import noise

CHIP_B = small.CHIP_B
SWAPPED = bytes(CHIP_B[at ^ 1] for at in range(len(CHIP_B)))
TITLE = small.TITLE.replace("[chips.b1]\n", '[chips.b1]\npart = "2708"\ncrc32 = "0badc0de"\n')
TWICE = noise(512) * 2
DUMP_B = "inputs/files/attic/dump(2).bin"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return small.small_project(tmp_path, {"inputs/titles/snail-race.toml": TITLE})


def test_all_is_there(folder: Path) -> None:
    ran = own_command(folder, "find")
    assert (ran.code, ran.out, ran.err) == (0, "3 of 3 contents found in 1 place\n", "")


def test_what_a_card_lacks_is_listed_by_who_asks_for_it(folder: Path) -> None:
    for name in ("core.bin", "dump(2).bin", "x/dump(1).bin"):
        (folder / "inputs/files/attic" / name).unlink()
    ran = own_command(folder, "find")
    assert (ran.code, ran.err) == (1, "")
    assert ran.out == (
        "0 of 3 contents found in 1 place\n"
        "\n"
        "desk: 3 contents missing\n"
        "  Fern (inputs/cores/fern.toml)\n"
        "    FABRICS/FERN/FERN.FAB: 720 bytes\n"
        f"      SHA-256 {small.sha(small.BITSTREAM)}\n"
        "  Snail race (inputs/titles/snail-race.toml)\n"
        "    chip a1: 1 KiB\n"
        f"      SHA-256 {small.sha(small.CHIP_A)}\n"
        "    chip b1: 2708, 1 KiB, CRC-32 0badc0de\n"
        f"      SHA-256 {small.sha(CHIP_B)}\n"
    )


def test_another_form_in_an_archive_is_named_with_the_step_that_makes_it_good(folder: Path) -> None:
    (folder / DUMP_B).unlink()
    (folder / "inputs/files/attic/x/dump(1).bin").unlink()
    with zipfile.ZipFile(folder / "inputs/files/attic/box.zip", "w") as archive:
        archive.writestr("tray/b.bin", SWAPPED)
    ran = own_command(folder, "find")
    assert ran.code == 1
    assert (
        "    chip b1: 2708, 1 KiB, CRC-32 0badc0de\n"
        f"      SHA-256 {small.sha(CHIP_B)}\n"
        "      found, but byte-swapped, as tray/b.bin in inputs/files/attic/box.zip\n"
        f'      to use it, declare size = 1024 and sha256 = "{small.sha(SWAPPED)}", '
        "and begin its then with { swap-bytes = 16 }\n"
    ) in ran.out
    assert "nothing wants" not in ran.out


def hex_text(data: bytes) -> bytes:
    """Return Intel HEX text as bincopy writes it."""
    dump = bincopy.BinFile()
    dump.add_binary(data)
    return str(dump.as_ihex()).encode()


OTHER_FORMS = {
    "behind a header of 16 bytes": b"header, 16 bytes" + CHIP_B,
    "as intel-hex text behind a byte order mark": b"\xef\xbb\xbf" + hex_text(CHIP_B),
}


@pytest.mark.parametrize("how", OTHER_FORMS)
def test_what_is_told_to_write_is_what_makes_the_build_succeed(folder: Path, how: str) -> None:
    (folder / DUMP_B).write_bytes(OTHER_FORMS[how])
    ran = own_command(folder, "find", "--json")
    assert ran.code == 1
    (asker,) = json.loads(ran.out)["cards"][0]["lacks"]
    (lack,) = asker["contents"]
    form = lack["found-as"]
    assert (form["how"], form["path"], form["member"]) == (how, DUMP_B, None)
    declared = f'size = "1 KiB"\nsha256 = "{small.sha(CHIP_B)}"'
    fixed = TITLE.replace(declared, f'size = {form["size"]}\nsha256 = "{form["sha256"]}"')
    fixed = fixed.replace('part = "2708"\ncrc32 = "0badc0de"\n', "")
    fixed = fixed.replace('"b1"]', f'{{ chip = "b1", then = [{{ {form["change"]} }}] }}]')
    (folder / "inputs/titles/snail-race.toml").write_text(fixed, encoding="utf-8")
    ran = doit(folder, "rom:snail-race")
    assert (ran.code, ran.err) == (0, "")
    assert (folder / "build/roms/snail-race/SNAIL.ROM").read_bytes() == small.ROM


def test_even_and_odd_bytes_in_two_files_are_told_with_both(folder: Path) -> None:
    chip = noise(1024)
    rom = small.CHIP_A + chip
    manifest = TITLE.replace(small.sha(CHIP_B), small.sha(chip)).replace(small.sha(small.ROM), small.sha(rom))
    (folder / "inputs/titles/snail-race.toml").write_text(manifest, encoding="utf-8")
    even, odd = chip[::2], chip[1::2]
    attic = folder / "inputs/files/attic"
    (attic / "b-even.bin").write_bytes(even)
    (attic / "b-odd.bin").write_bytes(odd)
    assert (
        "      found, but in two files, its even bytes and its odd ones, as inputs/files/attic/b-even.bin and "
        "inputs/files/attic/b-odd.bin\n"
        f'      to use them, declare a chip "first" with size = 512 and sha256 = "{small.sha(even)}" and '
        f'a chip "second" with size = 512 and sha256 = "{small.sha(odd)}", '
        'and write { interleave = ["first", "second"] } in place of this chip\n'
    ) in own_command(folder, "find").out
    ran = own_command(folder, "find", "--json")
    (asker,) = json.loads(ran.out)["cards"][0]["lacks"]
    form = asker["contents"][0]["found-as"]
    assert (form["path"], form["second"]["path"]) == ("inputs/files/attic/b-even.bin", "inputs/files/attic/b-odd.bin")
    chips = "".join(
        f'[chips.{name}]\nsize = {half["size"]}\nsha256 = "{half["sha256"]}"\n'
        for name, half in (("first", form), ("second", form["second"]))
    )
    before, after = manifest[: manifest.index("[chips.b1]")], manifest[manifest.index("[[rom]]") :]
    fixed = before + chips + after.replace('"b1"]', f"{{ {form['change']} }}]")
    (folder / "inputs/titles/snail-race.toml").write_text(fixed, encoding="utf-8")
    ran = doit(folder, "rom:snail-race")
    assert (ran.code, ran.err) == (0, "")
    assert (folder / "build/roms/snail-race/SNAIL.ROM").read_bytes() == rom


def test_a_text_dump_with_one_wrong_sum_is_named_with_line_and_sum(folder: Path) -> None:
    lines = hex_text(CHIP_B).splitlines()
    right = int(lines[2][-2:], 16)
    lines[2] = lines[2][:-2] + b"%02X" % (right ^ 1)
    (folder / DUMP_B).write_bytes(b"\n".join(lines))
    ran = own_command(folder, "find")
    assert ran.code == 1
    assert (
        "      found, but as intel-hex text with a wrong sum "
        f"(line 3: the record's sum is {right ^ 1:02X}; expected {right:02X}), as {DUMP_B}\n"
        "      correct the file, or dump the chip again\n"
    ) in ran.out


def test_it_is_never_used_by_itself(folder: Path) -> None:
    (folder / DUMP_B).write_bytes(SWAPPED)
    (folder / "inputs/files/attic/x/dump(1).bin").unlink()
    ran = doit(folder)
    assert ran.code == 1
    assert "found, but byte-swapped, as inputs/files/attic/dump(2).bin; to use it, declare size = 1024" in ran.err
    assert not (folder / "build/roms/snail-race/SNAIL.ROM").exists()


def test_the_nearest_file_is_looked_at_for_signs_of_a_bad_dump(folder: Path) -> None:
    (folder / DUMP_B).write_bytes(TWICE)
    (folder / "inputs/files/attic/x/dump(1).bin").unlink()
    ran = own_command(folder, "find")
    assert (
        "      nearest is inputs/files/attic/dump(2).bin: same size (1,024 bytes), but its SHA-256 is "
        f"{small.sha(TWICE)}\n"
        "      seen there: both halves are equal: an address line was stuck, "
        "or a smaller part was read as a larger one\n"
    ) in ran.out
    assert "both halves are equal" in doit(folder).err


def test_what_is_built_lacks_nothing_that_is_needed(folder: Path) -> None:
    assert doit(folder).code == 0
    (folder / DUMP_B).unlink()
    (folder / "inputs/files/attic/x/dump(1).bin").unlink()
    ran = own_command(folder, "find")
    assert (ran.code, ran.err) == (0, "")
    assert "chip a1: 1 KiB, already built\n" in ran.out


def test_files_that_nothing_wants_are_listed_up_to_a_number(folder: Path) -> None:
    for number in range(23):
        (folder / f"inputs/files/attic/spare {number:02}").write_bytes(bytes([number]) * 10)
    (folder / "inputs/files/attic/second copy").write_bytes(CHIP_B)
    ran = own_command(folder, "find")
    assert (ran.code, ran.err) == (0, "")
    lines = ran.out.splitlines()
    assert lines[1:4] == ["", "23 unused files, 230 bytes", "  inputs/files/attic/spare 00, 10 bytes"]
    assert lines[-1] == "  ... and 3 more; doit find --all lists them"
    assert len(lines) == 3 + 20 + 1
    whole = own_command(folder, "find", "--all").out.splitlines()
    assert whole[-1] == "  inputs/files/attic/spare 22, 10 bytes"


def test_the_same_as_json(folder: Path) -> None:
    (folder / DUMP_B).unlink()
    (folder / "inputs/files/attic/x/dump(1).bin").write_bytes(b"?" * 100)
    ran = own_command(folder, "find", "--json")
    assert (ran.code, ran.err) == (1, "")
    document = json.loads(ran.out)
    chip = {"size": 1024, "built": False}
    assert document == {
        "cardkiln-find": 1,
        "places": ["inputs/files/attic"],
        "wanted": 3,
        "found": 1,
        "cards": [
            {
                "card": "desk",
                "lacks": [
                    {
                        "name": "Snail race",
                        "manifest": "inputs/titles/snail-race.toml",
                        "contents": [
                            chip | {"what": "chip a1", "part": "", "sha256": small.sha(small.CHIP_A), "crc32": None},
                            chip
                            | {"what": "chip b1", "part": "2708", "sha256": small.sha(CHIP_B), "crc32": "0badc0de"},
                        ],
                    }
                ],
            }
        ],
        "titles-on-no-card": [],
        "untried": 0,
        "unwanted": [{"path": "inputs/files/attic/x/dump(1).bin", "member": None, "size": 100}],
        "warnings": [],
    }


def test_an_argument_is_refused(folder: Path) -> None:
    ran = own_command(folder, "find", "chips")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err == 'found "chips", expected options only\n  hint: see doit help find\n'


def test_titles_on_no_card_are_searched_for_too(folder: Path) -> None:
    slug = small.TITLE.replace("Snail race", "Slug race").replace(small.sha(small.CHIP_A), small.sha(b"gone"))
    (folder / "inputs/titles/slug-race.toml").write_text(slug, encoding="utf-8")
    (folder / "inputs/files/attic/other").write_bytes(b"x" * 77)
    ran = own_command(folder, "find")
    assert (ran.code, ran.err) == (0, "")
    assert ran.out == (
        "3 of 4 contents found in 1 place\n"
        "\n"
        "titles on no card: 1 content missing\n"
        "  Slug race (inputs/titles/slug-race.toml)\n"
        "    chip a1: 1 KiB\n"
        f"      SHA-256 {small.sha(b'gone')}\n"
        "\n"
        "1 unused file, 77 bytes\n"
        "  inputs/files/attic/other, 77 bytes\n"
    )
