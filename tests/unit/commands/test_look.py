"""``doit look``: a card made by hand with mkfs.fat and mtools, as a person sees it."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from pipeline.commands.look import LookAt
from tests.strangers.tools import require
from tests.support.building import build_card_in, build_in
from tests.support.cli import doit, own_command, within, write_tree
from tests.support.small import BOARD, CARD, small_project
from tests.unit.volume.by_hand import CHANGES, FILES, made

UNJUDGED = (
    'silenced by board oak: the bitstream of core "fern": not checked: it is not a bitstream of a kind known here; '
    "the board names no FPGA: invented for the tests: no FPGA configures from it\n        "
)

SEEN = """\
volume  partition type 04 at sector 63, 16 MiB: FAT16, read here
        8,167 clusters of 2 KiB, 8,146 free
        label GARAGE, serial 1234-ABCD
tree    11 files in 6 folders, 1 of them in more than one piece
        BENCH.SET                          49  cluster 2
        NOTES.TXT                          22  cluster 3
        DISCS.LIB                       7,530  4 pieces: 4, 6, 8, ...
        FABRICS/                               cluster 5
          FERN/                                cluster 7
            FERN.FAB                      720  cluster 15
            SIGN.TXT                        6  cluster 16
          MOSS/                                cluster 9
            MOSS.FAB                      780  cluster 17
            SIGN.TXT                       13  cluster 18
        GOODS/                                 cluster 11
          FERN/                                cluster 12
            SNAIL.ROM                   2,048  cluster 19
            dump of chip a.bin          1,024  cluster 20
        PICTURES/                              cluster 13
          a long name.raw               3,072  clusters 21-22
        ._DISCS.LIB                         4  cluster 14
first   BENCH.SET, which has the lowest file cluster too
health  nothing is wrong
litter  ._DISCS.LIB
board   oak, best match (3 of its paths exist)
holds   core fern
        title snail-race
        FABRICS/MOSS/MOSS.FAB: unknown core (in the board's core folder)
rules   the volume label is before the first file, the board expects it after: build the card
        core fern needs language regional: in BENCH.SET, set form in [words] to 1
        DISCS.LIB is the third entry and lies in four pieces; it must be the first file in one piece: copy it onto a \
freshly formatted card before all others, or build the card
        silenced by board oak: the bitstream of core "FABRICS/MOSS/MOSS.FAB": not checked: it is not a bitstream of a \
kind known here; the board names no FPGA: invented for the tests: no FPGA configures from it
        silenced by board oak: the bitstream of core "fern": not checked: it is not a bitstream of a kind known here; \
the board names no FPGA: invented for the tests: no FPGA configures from it
        not checked: cores-are-played, cores-are-seen, every-content-is-found, image-is-the-one-pinned, \
required-stations-work, rights-are-stated, timestamp-can-be-stored
known   BENCH.SET: board file of oak
        DISCS.LIB: core file of fern
        FABRICS/FERN/FERN.FAB: bitstream of fern
        GOODS/FERN/SNAIL.ROM: ROM file of snail-race
        GOODS/FERN/dump of chip a.bin: chip a1 of snail-race
"""


@pytest.fixture(scope="module")
def by_hand(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("by-hand")
    for tool in ("mkfs.fat", "mcopy"):
        require(tool)
    made(folder / "card.img", folder)
    return folder / "card.img"


def project(tmp_path: Path, by_hand: Path) -> Path:
    small_project(tmp_path, dict(CHANGES))
    shutil.copyfile(by_hand, tmp_path / "card.img")
    return tmp_path


def test_a_card_made_by_hand_is_told_and_how_to_mend_it(by_hand: Path, tmp_path: Path) -> None:
    folder = project(tmp_path, by_hand)
    ran = own_command(folder, "look", "card.img")

    assert (ran.code, ran.err) == (1, "")
    assert ran.out == SEEN
    assert (folder / "card.img").read_bytes() == by_hand.read_bytes()


def test_damage_is_told_under_health(by_hand: Path, tmp_path: Path) -> None:
    folder = project(tmp_path, by_hand)
    data = bytearray((folder / "card.img").read_bytes())
    at = data.index(b"DISCS   LIB")
    data[at + 28 : at + 32] = (40_000).to_bytes(4, "little")
    (folder / "card.img").write_bytes(data)
    ran = own_command(folder, "look", "card.img", "--board", "oak")

    assert "health  size: DISCS.LIB: 40,000 bytes take 20 clusters, its chain has 4\nlitter" in ran.out
    assert "DISCS.LIB is missing" not in ran.out
    assert "DISCS.LIB is not the core file of fern that the manifest means: copy that one, or pin this one" in ran.out
    assert "board   oak, as asked\n" in ran.out
    assert ran.code == 1


def test_a_plain_folder_is_held_against_the_board_without_places(tmp_path: Path) -> None:
    folder = small_project(tmp_path, dict(CHANGES))
    write_tree(folder / "mounted", {path: data for path, data in FILES.items() if path != "DISCS.LIB"})
    ran = own_command(folder, "look", "mounted")

    assert ran.out.startswith(
        "folder  9 files; a folder does not show their position on the card\nlitter  ._DISCS.LIB\n"
    )
    assert "        DISCS.LIB is missing, the core file of fern: copy it there\n" in ran.out
    assert ran.code == 1


def test_a_built_card_has_nothing_wrong(tmp_path: Path) -> None:
    folder = small_project(tmp_path)
    assert doit(folder).code == 0
    ran = own_command(folder, "look", "build/cards/desk/card.img")

    assert (ran.code, ran.err) == (0, "")
    assert "health  nothing is wrong\n" in ran.out
    assert "holds   card desk, identified by its serial\n        core fern\n" in ran.out
    assert (
        f"rules   {UNJUDGED}no violation of the rules that can be checked here\n"
        "        not checked: every-content-is-found, image-is-the-one-pinned, rights-are-stated, "
        "timestamp-can-be-stored\n"
    ) in ran.out


def test_a_card_that_check_refuses_is_refused_by_look_too(tmp_path: Path) -> None:
    board = BOARD.replace("[cores]", 'reserved = ["SYSTEM/**"]\n[cores]')
    card = CARD + '[[files]]\npath = "SYSTEM/X.BIN"\nfrom = "files/own/x"\n'
    silence = '[silence]\nreserved-paths-are-the-boards = "tried"\n'
    folder = small_project(
        tmp_path,
        {
            "inputs/boards/oak.toml": board,
            "inputs/files/own/x": b"x",
            "inputs/cards/desk.toml": card + silence,
        },
    )
    build_card_in(folder)
    image = str(folder / "build/cards/desk/card.img")
    broken = '"SYSTEM/X.BIN" is reserved by board "oak" ("SYSTEM/**"): put the file somewhere else'

    ran = within(folder, LookAt, image)
    assert ran.code == 0
    assert f"rules   silenced by card desk: {broken.rpartition(':')[0]}: tried\n" in ran.out
    (folder / "inputs/cards/desk.toml").write_text(card, "utf-8")
    ran = within(folder, LookAt, image)
    assert ran.code == 1
    assert f"rules   {broken}\n        {UNJUDGED}not checked: " in ran.out
    assert [str(problem).splitlines()[0] for problem in build_in(folder).card("desk").judgement.errors] == [
        'inputs/cards/desk.toml: files.1: "SYSTEM/X.BIN" is reserved by board "oak" ("SYSTEM/**")'
    ]


def test_json_is_one_document(by_hand: Path, tmp_path: Path) -> None:
    seen = json.loads(own_command(project(tmp_path, by_hand), "look", "--json", "card.img").out)

    assert seen["cardkiln-look"] == 2
    assert seen["board"] == {"id": "oak", "why": "best match (3 of its paths exist)"}
    assert seen["volume"]["serial"] == "1234-ABCD"
    assert [item["path"] for item in seen["volume"]["items"] if len(item["extents"]) > 1] == ["DISCS.LIB"]
    assert seen["unknown-cores"] == ["FABRICS/MOSS/MOSS.FAB"]


def test_without_manifests_the_volume_is_told_all_the_same(by_hand: Path, tmp_path: Path) -> None:
    shutil.copyfile(by_hand, tmp_path / "card.img")
    ran = own_command(tmp_path, "look", "card.img")

    assert ran.code == 0
    assert ran.out.endswith("board   no board: inputs: found no such folder, expected the folder of inputs\n")


def test_what_cannot_be_looked_at_is_said(tmp_path: Path) -> None:
    folder = small_project(tmp_path, {"zeros.img": bytes(4096)})

    ran = own_command(folder, "look", "zeros.img")
    assert (ran.code, ran.out) == (3, "")
    assert ran.err == (
        "zeros.img: the first sector holds only zeros; expected a partition table or a FAT boot sector\n"
        "  hint: name an image, a disk or a folder that holds a card\n"
    )
    ran = own_command(folder, "look", "nothing.img")
    assert (ran.code, ran.err) == (
        3,
        "nothing.img: there is no such file or folder\n  hint: name an image, a disk or a folder\n",
    )
    ran = own_command(folder, "look", "--board", "ok", "inputs")
    assert (ran.code, ran.err) == (2, 'found "ok", expected the id of a board\n  hint: did you mean "oak"?\n')
    ran = own_command(folder, "look")
    assert (ran.code, ran.err) == (2, "expected PATH\n  hint: see doit help look\n")
