"""Rules of boards and cores (common practice): one case that keeps each rule, one that breaks it."""

from __future__ import annotations

import pytest

from pipeline.card.rules import broken_rules
from pipeline.card.select import Selection
from pipeline.model.content import CardFile
from pipeline.model.manifest import Board, Card, Core, TitleRules
from tests.support import samples


def messages(
    *files: CardFile, board: Board | None = None, cores: tuple[Core, ...] = (), card: Card | None = None
) -> list[str]:
    selection = Selection(
        card=card or samples.card(),
        board=board or samples.board(),
        cores=cores or (samples.core(),),
        titles=(samples.title(),),
        settings={},
        fat_bits=16,
    )
    return [str(problem) for problem in broken_rules(selection, files)]


def test_a_card_that_keeps_every_rule_has_no_problems() -> None:
    rules = TitleRules(names="short", largest=4, most=1)
    board = samples.board(core_slots=1, largest=64 << 20, reserved=("BENCH.SET", "SYSTEM/**"))
    files = [
        samples.card_file("GOODS/SNAIL.ROM", b"abcd", kind="rom-file", owner="snail-race"),
        samples.card_file("BENCH.SET", kind="config"),
        samples.card_file("SYSTEM/BOOT.BIN", kind="board-file"),
        samples.card_file("SYSTEMS.TXT"),
    ]
    assert messages(*files, board=board, cores=(samples.core(titles=rules),)) == []


@pytest.mark.parametrize(
    ("board", "core", "path", "data", "expected"),
    [
        (
            samples.board(largest=(64 << 20) - 1),
            samples.core(),
            "X.TXT",
            b"",
            'inputs/cards/desk.toml: volume.size: 64 MiB is more than board "oak" takes: 67,108,863 bytes\n'
            "  see inputs/boards/oak.toml: largest-card\n"
            "  hint: make the volume smaller; a larger card may carry it",
        ),
        (
            samples.board(reserved=("SYSTEM/**",)),
            samples.core(),
            "system/x.txt",
            b"",
            'inputs/cards/desk.toml: files.1: "system/x.txt" is reserved by board "oak" ("SYSTEM/**")\n'
            "  see inputs/boards/oak.toml: reserved\n"
            "  hint: put the file somewhere else",
        ),
        (
            samples.board(),
            samples.core(titles=TitleRules(names="short")),
            "GOODS/Snail race.rom",
            b"",
            'inputs/cards/desk.toml: files.1: "Snail race.rom" is not a short name, '
            'and core "fern" reads only short names\n'
            "  see inputs/cores/fern.toml: titles.names\n"
            "  hint: use up to 8 upper-case letters or digits, a dot, and up to 3 more",
        ),
        (
            samples.board(),
            samples.core(titles=TitleRules(largest=1024)),
            "GOODS/SNAIL.ROM",
            b"x" * 1025,
            'inputs/cards/desk.toml: files.1: "SNAIL.ROM" has 1,025 bytes, and core "fern" reads at most 1 KiB\n'
            "  see inputs/cores/fern.toml: titles.largest\n"
            "  hint: this title needs another core",
        ),
    ],
    ids=["card-size", "reserved", "short-names", "title-size"],
)
def test_a_broken_rule_says_what_where_and_what_to_do(
    board: Board, core: Core, path: str, data: bytes, expected: str
) -> None:
    kind = "rom-file" if path.startswith("GOODS") else "card-file"
    file = samples.card_file(path, data, kind=kind, owner="snail-race")
    assert messages(file, board=board, cores=(core,)) == [expected]


def test_more_cores_than_slots_are_counted() -> None:
    cores = (samples.core("fern"), samples.core("moss"))
    assert messages(board=samples.board(core_slots=1), cores=cores) == [
        'inputs/cards/desk.toml: cores: 2 cores are on the card, but board "oak" holds 1\n'
        "  see inputs/boards/oak.toml: cores.slots\n"
        "  hint: remove 1 of them, or make a second card"
    ]


def test_more_titles_in_a_folder_than_its_core_reads_are_counted_by_folder() -> None:
    core = samples.core(titles=TitleRules(most=1))
    paths = ["GOODS/A.ROM", "goods/B.ROM", "GOODS/C/A.ROM"]
    files = [samples.card_file(path, kind="rom-file", owner="snail-race") for path in paths]
    assert messages(*files, cores=(core,)) == [
        'inputs/cards/desk.toml: titles: folder "GOODS" gets 2 files, and core "fern" reads at most 1\n'
        "  see inputs/cores/fern.toml: titles.most\n"
        "  hint: take 1 off, or give some titles a folder of their own"
    ]


@pytest.mark.parametrize(
    ("facts", "release", "is_old"),
    [
        # ISO 8601-1:2019, 5.2.2: dates of less precision leave the day, then the month out; they sort as text.
        ("2026-05-01", "2026-05-02", True),
        ("2026-05-01", "2026-05-01", False),
        ("2026-05-02", "2026-05-01", False),
        ("2026-05", "2026-05-31", False),
        ("2026-04", "2026-05-01", True),
        ("2026-12-31", "2027", True),
        ("2026", "2026-12", False),
        ("", "2026-05-01", False),
        ("2026-05-01", "", False),
    ],
)
def test_facts_older_than_the_release_are_pointed_out(facts: str, release: str, is_old: bool) -> None:
    told = messages(cores=(samples.core(date=facts, release_date=release),))
    assert told == (
        [
            f'inputs/cores/fern.toml: date: the facts on core "fern" are of {facts}, its release 1.0 of {release}\n'
            "  see inputs/cores/fern.toml: release-date\n"
            "  hint: look at what the new release says, correct the manifest, and set its date"
        ]
        if is_old
        else []
    )
