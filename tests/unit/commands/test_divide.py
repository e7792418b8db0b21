"""``doit divide`` as a person runs it."""

from __future__ import annotations

import json
from pathlib import Path

from tests.support import small
from tests.support.cli import Ran, doit, own_command

MOSS = small.CORE.replace('"Fern"', '"Moss"').replace('language = "regional" }', 'language = "standard" }')
REED = small.CORE.replace('"Fern"', '"Reed"').replace('["fat16"]', '["fat32"]')
CHANGES: dict[str, str | bytes] = {"inputs/cores/moss.toml": MOSS, "inputs/cores/reed.toml": REED}


def divide(folder: Path, *words: str) -> Ran:
    return own_command(folder, "divide", "oak", "--size", "64 MB", *words)


def test_the_cards_and_the_reasons_are_told(tmp_path: Path) -> None:
    ran = divide(small.small_project(tmp_path, CHANGES))
    assert (ran.code, ran.err) == (0, "")
    assert ran.out == (
        "3 cores and 1 title for board oak: 3 cards\n"
        "  oak-1: FAT16, fern; 1 title\n"
        "  oak-2: FAT16, moss; 0 titles\n"
        "  oak-3: FAT32, reed; 0 titles\n"
        "why     no two of these can share a card: fern, moss, reed\n"
        'apart   fern needs the board setting language to be "regional", moss "standard"\n'
        "apart   fern can lie on FAT16 only, reed on FAT32 only\n"
        "apart   moss can lie on FAT16 only, reed on FAT32 only\n"
    )
    assert sorted(path.name for path in (tmp_path / "inputs/cards").iterdir()) == ["desk.toml"]


def test_drafts_that_are_written_pass_the_check_and_are_not_written_over(tmp_path: Path) -> None:
    folder = small.small_project(tmp_path, CHANGES)
    ran = divide(folder, "--write", "--as", "club")
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.endswith("".join(f"written inputs/cards/club-{number}.toml\n" for number in (1, 2, 3)))
    assert (folder / "inputs/cards/club-1.toml").read_text() == (
        '# Drafted by "doit divide oak". "doit keys card" lists what else can be said here.\n'
        'name = "Oak, card 1 of 3"\nversion = "1"\nboard = "oak"\ncores = ["fern"]\ntitles = ["snail-race"]\n\n'
        '[volume]\nsize = 64000000\ntype = "fat16"\nlabel = "CLUB1"\n'
    )
    checked = doit(folder, "check")
    assert (checked.code, checked.err) == (0, "")
    assert "1 board, 3 cores, 1 title, 4 cards: no problems" in checked.out
    (folder / "inputs/cards/club-1.toml").unlink()
    again = divide(folder, "--write", "--as", "club")
    assert (again.code, again.out) == (2, "")
    assert again.err == "".join(
        f"inputs/cards/club-{number}.toml: exists already; nothing was written\n"
        "  hint: choose another id with --as, or move it away\n"
        for number in (2, 3)
    )
    assert not (folder / "inputs/cards/club-1.toml").exists()


def test_cores_that_one_menu_names_share_a_card(tmp_path: Path) -> None:
    moss = small.CORE.replace('"Fern"', '"Moss"')
    ran = divide(
        small.small_project(tmp_path, {"inputs/cores/moss.toml": moss, "inputs/boards/oak.toml": small.ONE_MENU})
    )
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.startswith("2 cores and 1 title for board oak: 1 card\n  oak-1: FAT16, fern, moss; 1 title\n")


def test_json_has_all_of_it(tmp_path: Path) -> None:
    ran = divide(small.small_project(tmp_path, CHANGES), "--json", "--cores", "fern,moss")
    document = json.loads(ran.out)
    assert (ran.code, document["cardkiln-divide"], document["fewest"], document["at-least"]) == (0, 1, True, 2)
    assert [(card["id"], card["cores"]) for card in document["cards"]] == [("oak-1", ["fern"]), ("oak-2", ["moss"])]
    assert [pair["cores"] for pair in document["apart"]] == [["fern", "moss"]]


def test_all_that_is_not_known_is_told_at_once(tmp_path: Path) -> None:
    ran = divide(small.small_project(tmp_path), "--cores", "fren,", "--titles", "snail-rac", "--stations", "<b>")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err == (
        'found "<b>", expected the id of a station\n  hint: the ids are the names of the files in inputs/stations\n'
        'found "fren", expected the id of a core\n  hint: did you mean "fern"?\n'
        'found "snail-rac", expected the id of a title\n  hint: did you mean "snail-race"?\n'
    )


def test_a_size_is_needed_and_has_to_be_one(tmp_path: Path) -> None:
    folder = small.small_project(tmp_path)
    ran = own_command(folder, "divide", "oak")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err == (
        'how large are the cards? Board "oak" states no largest-card\n  hint: state it, as in --size "2 GB"\n'
    )
    ran = own_command(folder, "divide", "oak", "--size", "huge")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err == "--size: 'huge' is not a size; expected whole bytes or text such as \"4 KiB\"\n"


def test_a_core_that_fits_on_no_card_is_told(tmp_path: Path) -> None:
    large = small.CORE.replace(f"size = {len(small.BITSTREAM)}", 'size = "80 MB"')
    ran = divide(small.small_project(tmp_path, {"inputs/cores/fern.toml": large}))
    assert (ran.code, ran.out) == (2, "")
    assert ran.err == (
        "inputs/cores/fern.toml: alone on a card of 64,000,000 bytes, FAT16: files and folders take 19,539 clusters "
        "of 4 KiB; the volume has 15,601, 3,938 too few\n  hint: leave out titles, or take larger cards\n"
    )


def test_a_core_for_another_board_is_refused(tmp_path: Path) -> None:
    other: dict[str, str | bytes] = {"inputs/boards/elm.toml": small.BOARD.replace('"Oak"', '"Elm"')}
    ran = own_command(small.small_project(tmp_path, other), "divide", "elm", "--cores", "fern", "--size", "64 MB")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err == (
        'inputs/cores/fern.toml:4:10: boards: core "fern" is for oak, and the cards are for board "elm"\n'
        "  hint: leave it out\n"
    )


def test_a_board_without_cores_needs_no_card(tmp_path: Path) -> None:
    other: dict[str, str | bytes] = {"inputs/boards/elm.toml": small.BOARD.replace('"Oak"', '"Elm"')}
    ran = own_command(small.small_project(tmp_path, other), "divide", "elm", "--size", "64 MB")
    assert (ran.code, ran.out, ran.err) == (0, "0 cores and 0 titles for board elm: 0 cards\n", "")
