"""A card that anybody made, held against a board and its cores: each rule, word for word."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from pipeline.errors import Place
from pipeline.inspect.card_under_test import CardUnderTest, FileOnCard
from pipeline.inspect.catalogue import DeclaredCard, best_board, core_folders
from pipeline.inspect.conformance import judge_card, setting_of
from pipeline.model.content import CardFile, Origin
from pipeline.model.manifest import Board, ConfigFile, Core, Fpga, Needs, OwnFile, Setting, TitleRules
from tests.support.samples import board, card, content, core, manifest, title
from tests.unit.image.cards import build, plan_of, volume_of
from tests.unit.volume.making import reading_of

CASES = Path(__file__).parents[2] / "cases/rules"

FABRIC = {"FABRICS/FERN/FERN.FAB": b"fern"}
"""The bitstream of the sample core where it belongs."""

LANGUAGE = Setting(name="language", path="BENCH.SET", section="words", key="form", choices={"in": "0", "out": "1"})


def expected(
    path: str, data: bytes, kind: str = "core-file", owner: str = "fern", placement: str = "anywhere"
) -> CardFile:
    return CardFile(
        path=path,
        content=content(data),
        placement=placement,
        origin=Origin(kind=kind, owner=owner),
        place=Place(),
    )


BITSTREAM = expected("FABRICS/FERN/FERN.FAB", b"fern", "bitstream")


def card_with(
    files: Mapping[str, bytes], known: tuple[CardFile, ...] = (BITSTREAM,), oak: Board | None = None,
    fern: Core | None = None, **changes: Any,
) -> CardUnderTest:  # fmt: skip
    oak = oak or board()
    file = OwnFile(path="A.DAT", placement="anywhere", key="files.1")
    on_card = (
        FileOnCard(path=path, size=len(data), sha256=hashlib.sha256(data).hexdigest()) for path, data in files.items()
    )
    return CardUnderTest(
        manifest=manifest(oak, fern or core(), title(files=(file,))),
        board=oak,
        known=known,
        files=tuple(on_card),
        read=lambda path: files[path],
        **changes,
    )  # fmt: skip


def said(*arguments: Any, **changes: Any) -> list[str]:
    judgement = judge_card(card_with(*arguments, **changes)).judgement
    return [f"{problem.what}: {problem.hint}" for problem in judgement.errors]


def test_a_card_as_it_should_be_breaks_nothing() -> None:
    assert said(FABRIC) == []


def test_a_core_is_known_by_its_place_and_by_its_bytes() -> None:
    assert [one.id for one in card_with(FABRIC).cores] == ["fern"]
    assert [one.id for one in card_with({"fabrics/fern/fern.fab": b"other"}).cores] == ["fern"]
    assert [one.id for one in card_with({"OLD.BIT": b"fern"}).cores] == ["fern"]
    assert card_with({"OLD.BIT": b"other"}).cores == ()
    assert card_with({**FABRIC, "FABRICS/MOSS/MOSS.FAB": b"x"}).unknown_bitstreams == (
        ("MOSS", "FABRICS/MOSS/MOSS.FAB"),
    )


def test_a_file_elsewhere_missing_or_other_is_told() -> None:
    disc = expected("DISCS.LIB", b"discs")

    assert said({"OLD/FERN.BIT": b"fern"}) == [
        "OLD/FERN.BIT is the bitstream of fern; it must be FABRICS/FERN/FERN.FAB: move it there"
    ]
    assert said(FABRIC, (BITSTREAM, disc)) == ["DISCS.LIB is missing, the core file of fern: copy it there"]
    assert said({**FABRIC, "discs.lib": b"disks"}, (BITSTREAM, disc)) == [
        "discs.lib is not the core file of fern that the manifest means: copy that one, or pin this one"
    ]
    assert said({"READ.ME": b""}, (BITSTREAM, disc)) == [], "its core is not on the card"


def test_a_title_is_asked_for_all_its_files_once_one_is_there() -> None:
    one, two = (expected(f"GOODS/FERN/{name}.DAT", name.encode(), "title-file", "snail-race") for name in "AB")
    known = (BITSTREAM, one, two)

    assert card_with(FABRIC, known).titles == ()
    assert said(FABRIC, known) == []
    assert said({**FABRIC, "GOODS/FERN/A.DAT": b"A"}, known) == [
        "GOODS/FERN/B.DAT is missing, the title file of snail-race: copy it there"
    ]


def test_settings_that_a_core_needs_are_told_with_the_line_to_change() -> None:
    oak = board(settings={"language": LANGUAGE})
    fern = core(needs=Needs(settings={"language": "out"}))
    right, wrong = b"[words]\nform = 1\n", b"[words]\nform = 0\n"

    assert said({**FABRIC, "BENCH.SET": right}, oak=oak, fern=fern) == []
    assert said({**FABRIC, "BENCH.SET": wrong}, oak=oak, fern=fern) == [
        "core fern needs language out: in BENCH.SET, set form in [words] to 1"
    ]
    assert said(FABRIC, oak=oak, fern=fern) == [
        "BENCH.SET is missing, and core fern needs language out in it: copy the board's"
    ]
    assert (setting_of(right, LANGUAGE), setting_of(wrong, LANGUAGE), setting_of(b"", LANGUAGE)) == ("out", "in", "")


def test_a_menu_file_that_is_not_there_is_told() -> None:
    menu = ConfigFile(path="SIGN.TXT", line_ending="lf", encoding="ascii", key="cores.menu", lines=("{name}",))

    assert said(FABRIC, oak=board(menu=menu)) == [
        "FABRICS/FERN/SIGN.TXT is missing, which names core fern in the menu: write it"
    ]


def test_a_core_that_the_one_menu_does_not_name_is_told_with_its_line() -> None:
    menu = ConfigFile(
        path="CHOICES.TXT", line_ending="crlf", encoding="ascii", key="cores.menu", head=("; all",),
        lines=("{core}: {name}",),
    )  # fmt: skip
    oak = board(menu=menu, one_menu=True)

    assert said(FABRIC, oak=oak) == ["CHOICES.TXT is missing, which names core fern in the menu: write it"]
    assert said({**FABRIC, "CHOICES.TXT": b"MOSS: Moss\n"}, oak=oak) == [
        'CHOICES.TXT does not name core fern: add the line "FERN: Fern"'
    ]
    assert said({**FABRIC, "choices.txt": b"; mine\nFERN: Fern\n"}, oak=oak) == []


def test_rules_of_a_core_for_its_titles_are_told() -> None:
    fern = core(titles=TitleRules(names="short", largest=4, most=1))
    files = {**FABRIC, "GOODS/FERN/a long name.rom": b"12345", "GOODS/FERN/B.ROM": b""}

    assert said(files, fern=fern) == [
        '"a long name.rom" has 5 bytes, and core "fern" reads at most 4 bytes: this title needs another core',
        '"a long name.rom" is not a short name, and core "fern" reads only short names: '
        "use up to 8 upper-case letters or digits, a dot, and up to 3 more",
        'folder "GOODS/FERN" gets 2 files, and core "fern" reads at most 1: '
        "take 1 off, or give some titles a folder of their own",
    ]


def test_too_many_cores_for_the_board_are_told() -> None:
    files = {**FABRIC, "FABRICS/MOSS/MOSS.FAB": b"x"}

    assert said(files, oak=board(core_slots=1)) == [
        '2 cores are on the card, but board "oak" holds 1: remove 1 of them, or make a second card'
    ]


def test_a_volume_that_board_or_core_cannot_read_is_told(tmp_path: Path) -> None:
    build(plan_of(FABRIC, volume_of(16, partitioned=False), label=""), FABRIC, tmp_path / "card.img")
    reading = reading_of((tmp_path / "card.img").read_bytes())
    oak, fern = board(volumes=("fat12", "fat32"), largest=1 << 20), core(needs=Needs(volumes=("fat32",)))

    assert said(FABRIC, oak=oak, fern=fern, reading=reading, size=8 << 20) == [
        "the board expects a partition table, and the card has none: build the card",
        "the volume is FAT16, and board oak reads FAT12 or FAT32: format the card anew",
        "the volume is FAT16, and core fern reads FAT32: format the card anew",
        '8 MiB is more than board "oak" takes: 1 MiB: make the volume smaller; a larger card may carry it',
    ]


def test_a_reserved_place_is_the_boards_on_a_card_too() -> None:
    oak = board(reserved=("SYSTEM/**",))
    system = expected("SYSTEM/BOOT.BIN", b"boot", "board-file", "oak")

    assert said({**FABRIC, "SYSTEM/BOOT.BIN": b"boot"}, (BITSTREAM, system), oak=oak) == []
    assert said({**FABRIC, "SYSTEM/BOOT.BIN": b"boot", "SYSTEM/X.BIN": b"x"}, (BITSTREAM, system), oak=oak) == [
        '"SYSTEM/X.BIN" is reserved by board "oak" ("SYSTEM/**"): put the file somewhere else'
    ]


def test_a_content_with_two_roles_is_copied_and_not_moved() -> None:
    empty = expected("START.BIN", b"start", "board-file", "oak")
    other = expected("FERN.INI", b"start")

    assert said({**FABRIC, "START.BIN": b"start"}, (BITSTREAM, empty, other)) == [
        "FERN.INI is missing, the core file of fern; START.BIN, the board file of oak, has the same content: "
        "copy it, and keep both"
    ]
    assert said({**FABRIC, "START.BIN": b"start", "OLD.INI": b"start"}, (BITSTREAM, empty, other)) == [
        "OLD.INI is the core file of fern; it must be FERN.INI: move it there"
    ]


def test_two_cores_that_need_different_choices_are_told() -> None:
    oak = board(settings={"language": LANGUAGE})
    fern = core(needs=Needs(settings={"language": "out"}))
    moss = core("moss", needs=Needs(settings={"language": "in"}))
    bitstreams = (BITSTREAM, expected("FABRICS/MOSS/MOSS.FAB", b"moss", "bitstream", "moss"))
    files = {**FABRIC, "FABRICS/MOSS/MOSS.FAB": b"moss", "BENCH.SET": b"[words]\nform = 1\n"}
    test = replace(card_with(files, bitstreams, oak=oak), manifest=manifest(oak, fern, moss))

    assert [problem.what for problem in judge_card(test).judgement.errors] == [
        "core moss needs language in",
        'board setting "language" is needed with different values: fern "out", moss "in"',
    ]


def test_a_name_that_cannot_be_on_a_card_is_told() -> None:
    assert said({**FABRIC, "AUX.TXT": b""}) == [
        '"AUX.TXT": the name "AUX.TXT" is kept for the device AUX by Windows, with any extension: '
        "put another character before it"
    ]


def test_a_bitstream_for_another_fpga_is_told_whether_its_core_is_known_or_not() -> None:
    """The bitstream of the rule's case, which says that it is for another maker's FPGA."""
    wrong = (CASES / "bitstream-is-for-the-fpga/inputs/files/attic/engine.bin").read_bytes()
    files = {"FABRICS/FERN/FERN.FAB": wrong, "FABRICS/MOSS/MOSS.FAB": wrong}
    test = replace(card_with(files, oak=board(fpga=Fpga(part="XC7S6"))), read_whole=lambda path: files[path])

    errors = [problem for problem in judge_card(test).judgement.errors if problem.rule]
    assert {problem.rule for problem in errors} == {"bitstream-is-for-the-fpga"}
    assert [problem.what.partition(": ")[0] for problem in errors] == [
        'the bitstream of core "FABRICS/MOSS/MOSS.FAB"',
        'the bitstream of core "fern"',
    ]


def test_a_file_that_the_card_keeps_for_its_user_is_no_title() -> None:
    fern = core(titles=TitleRules(names="short"))
    files = {**FABRIC, "GOODS/FERN/saved on monday.dat": b"level 3"}
    declared = DeclaredCard(card=card(keep=("GOODS/FERN/**",)), files=(), jobs=(), is_identified=True)

    assert said(files, fern=fern) == [
        '"saved on monday.dat" is not a short name, and core "fern" reads only short names: '
        "use up to 8 upper-case letters or digits, a dot, and up to 3 more"
    ]
    assert said(files, fern=fern, declared=(declared,)) == []


def test_rules_that_cannot_be_checked_are_named(tmp_path: Path) -> None:
    always = {"every-content-is-found", "image-is-the-one-pinned", "rights-are-stated", "timestamp-can-be-stored"}
    stations = {"cores-are-seen", "cores-are-played", "required-stations-work"}
    volume = {
        "board-takes-the-card", "contents-fit", "files-are-not-too-large", "folders-have-room", "label-is-legal",
        "one-file-is-first", "volume-is-read-by-all",
    }  # fmt: skip
    assert set(judge_card(card_with(FABRIC)).not_checked) == always | stations | volume

    build(plan_of(FABRIC, volume_of(16), label=""), FABRIC, tmp_path / "card.img")
    reading = reading_of((tmp_path / "card.img").read_bytes())
    declared = DeclaredCard(card=card(), files=(), jobs=(), is_identified=True)
    assert set(judge_card(card_with(FABRIC, reading=reading)).not_checked) == always | stations
    assert set(judge_card(card_with(FABRIC, reading=reading, declared=(declared,))).not_checked) == always


def test_a_first_file_is_held_to_its_place(tmp_path: Path) -> None:
    files = {"AAA.TXT": b"a", "DISCS.LIB": b"discs", **FABRIC}
    build(plan_of(files, volume_of(16), label=""), files, tmp_path / "card.img")
    reading = reading_of((tmp_path / "card.img").read_bytes())
    known = (BITSTREAM, expected("DISCS.LIB", b"discs", placement="first"))

    assert said(files, known, reading=reading) == [
        "DISCS.LIB is the second entry; it must be the first file in one piece: "
        "copy it onto a freshly formatted card before all others, or build the card"
    ]


def test_the_board_whose_places_are_there_is_guessed() -> None:
    oak = board(settings={"language": LANGUAGE}, reserved=("SYSTEM/**",))
    elm = replace(oak, id="elm", core_folder="CORES", bitstream="{core}.BIN", settings={}, reserved=())
    both = manifest(oak, elm)

    guessed = best_board(both, ["FABRICS/FERN/FERN.FAB", "bench.set", "SYSTEM/A", "SYSTEM/B"])
    assert guessed is not None
    assert (guessed.board, guessed.places) == ("oak", 3)
    other = best_board(both, ["cores/fern.bin"])
    assert other is not None
    assert other.board == "elm"
    assert best_board(both, ["READ.ME"]) is None
    assert list(core_folders(elm, ["CORES/FERN.BIN", "CORES/deeper/FERN.BIN"])) == [("FERN", "CORES/FERN.BIN")]
