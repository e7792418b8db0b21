from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import pytest

from pipeline.errors import Problem
from pipeline.fat.geometry import fit_volume
from pipeline.model.content import Content
from pipeline.model.plan import Volume
from tests.unit.card.laying_out import FAT12, FAT16, FAT32, MIB, WHERE, asked, file, plan_of, problems_of


def test_names_that_differ_only_in_case_collide() -> None:
    assert problems_of(file("GOODS/moth.rom", number=1), file("GOODS/MOTH.ROM", number=2)) == (
        Problem(
            asked(1),
            'file "GOODS/moth.rom" and file "GOODS/MOTH.ROM" are one name to readers that ignore letter case and how '
            "accents are written",
            "rename one of them",
            (asked(2),),
        ),
    )


def test_names_that_differ_only_in_composition_collide() -> None:
    composed, decomposed = "Gr\u00fcn", "Gru\u0308n"
    assert problems_of(file(composed, number=1), file(decomposed, number=2)) == (
        Problem(
            asked(1),
            f'file "{composed}" and file "{decomposed}" are one name to readers that ignore letter case and how '
            "accents are written",
            "rename one of them",
            (asked(2),),
        ),
    )


def test_folders_that_differ_only_in_case_collide_once() -> None:
    files = [file("GOODS/A", number=1), file("goods/B", number=2), file("goods/C", number=3)]
    assert problems_of(*files) == (
        Problem(
            asked(2),
            'folder "goods" and folder "GOODS" are one name to readers that ignore letter case and how accents are '
            "written",
            "rename one of them",
            (asked(1),),
        ),
    )


def test_a_path_asked_for_twice() -> None:
    assert problems_of(file("GOODS/A", number=1), file("GOODS/A", number=2)) == (
        Problem(
            asked(2),
            'file "GOODS/A" is asked for twice',
            "ask for it once, or give one of them another path",
            (asked(1),),
        ),
    )


def test_a_file_and_a_folder_of_one_name() -> None:
    assert problems_of(file("GOODS", number=1), file("GOODS/A", number=2)) == (
        Problem(asked(2), '"GOODS" is asked for as a folder and as a file', "rename one of them", (asked(1),)),
    )


@pytest.mark.parametrize(
    ("path", "what", "hint"),
    [
        (
            "GOODS/what?.rom",
            '"GOODS/what?.rom": the name "what?.rom" holds ?, and no name may hold any of " * / : < > ? \\ |',
            "leave it out or write _",
        ),
        (
            "../X",
            '"..": the name ".." is "..", which stands for a folder itself or its parent',
            "give it a name of its own",
        ),
        ("A//B", '"A/": the name "" is empty', "give it at least one character"),
        ("A/", '"A/": the name "" is empty', "give it at least one character"),
        (
            "/A",
            '"/A": the name "A" follows a leading /, which no path on a card has',
            "remove the /",
        ),
        (
            "A\\B",
            '"A\\B": the name "A\\B" holds \\, and no name may hold any of " * / : < > ? \\ |',
            "leave it out or write _",
        ),
        (
            "A\nB",
            '"A\\nB": the name "A\\nB" holds U+000A, which is not a character of a name',
            "leave it out",
        ),
        (
            "AUX/A.TXT",
            '"AUX": the name "AUX" is kept for the device AUX by Windows, with any extension',
            "put another character before it",
        ),
        ("A./B", '"A.": the name "A." ends with a dot, which readers drop', "leave it out"),
        (
            "x" * 256,
            f'"{"x" * 256}": the name "{"x" * 256}" has 256 UTF-16 units, and a name may have 255',
            "shorten it by 1",
        ),
    ],
)
def test_names_no_reader_would_accept(path: str, what: str, hint: str) -> None:
    assert problems_of(file(path)) == (Problem(asked(1), what, hint),)


def test_an_illegal_folder_is_told_once_and_its_files_are_checked_on() -> None:
    assert problems_of(file("A?/B", number=1), file("A?/C", number=2), file("A?/D:", number=3)) == (
        Problem(
            asked(1),
            '"A?": the name "A?" holds ?, and no name may hold any of " * / : < > ? \\ |',
            "leave it out or write _",
        ),
        Problem(
            asked(3),
            '"A?/D:": the name "D:" holds :, and no name may hold any of " * / : < > ? \\ |',
            "leave it out or write _",
        ),
    )


def test_a_path_of_3000_folders_is_laid_out() -> None:
    assert len(plan_of(file("A/" * 3_000 + "B")).entries) == 3_001


def test_only_one_file_can_be_first() -> None:
    files = [file("B.LIB", placement="first", number=1), file("A.LIB", placement="first", number=2)]
    assert problems_of(*files) == (
        Problem(
            asked(1),
            '"A.LIB" and "B.LIB" both ask to be the first file on the card',
            'keep placement = "first" for one of them',
            (asked(2),),
        ),
    )


@pytest.mark.parametrize(
    ("path", "size", "what", "hint"),
    [
        ("LIB/DISCS.LIB", 1, "lies in a folder; expected in the root", 'make its path "DISCS.LIB"'),
        (
            "Disc library.bin",
            1,
            "has a long name, whose slots would stand before its entry; expected upper-case 8.3",
            'name it "DISCLI~1.BIN" or the like',
        ),
        (
            "discs.lib",
            1,
            "has a long name, whose slots would stand before its entry; expected upper-case 8.3",
            'name it "DISCS.LIB" or the like',
        ),
        ("DISCS.LIB", 0, "is empty; expected at least 1 byte", "an empty file has no position"),
    ],
)
def test_what_keeps_a_file_from_being_first(path: str, size: int, what: str, hint: str) -> None:
    assert problems_of(file(path, size, "first")) == (
        Problem(asked(1), f'"{path}" asks to be the first file on the card but {what}', hint),
    )


def test_the_fixed_root_directory_holds_512_slots_and_the_label_is_one() -> None:
    """Microsoft FAT specification 1.03, BPB_RootEntCnt."""
    files = [file(f"F{number}", 0, number=number) for number in range(511)]

    assert len(plan_of(*files).entries) == 511
    assert len(plan_of(*files, file("MORE", 0), label="").entries) == 512
    assert problems_of(*files, file("MORE", 0), label="FULL") == (
        Problem(
            WHERE,
            "the root folder takes 513 directory slots of 32 bytes; it may have 512",
            "put files into folders; a name that is upper-case 8.3 takes one slot, longer ones more",
        ),
    )
    assert len(plan_of(*files, file("MORE", 0), volume=FAT32).entries) == 512


def test_long_names_count_in_the_root_directory() -> None:
    files = [file(f"A long name {number:03}", 0, number=number) for number in range(171)]

    assert problems_of(*files)[0].what == "the root folder takes 513 directory slots of 32 bytes; it may have 512"
    assert len(plan_of(*files[1:], label="").entries) == 170


def test_a_folder_holds_65536_slots_with_its_dot_entries() -> None:
    """Microsoft FAT specification 1.03: a directory may have 65,536 entries of 32 bytes, 2 MiB."""
    files = [file(f"GOODS/{number}", 0, number=number) for number in range(65_534)]

    assert plan_of(*files, volume=FAT32).entries[0].clusters * 512 == 2 * MIB
    assert problems_of(*files, file("GOODS/X", 0, number=65_534), volume=FAT32) == (
        Problem(
            asked(0),
            'the folder "GOODS" takes 65,537 directory slots of 32 bytes; it may have 65,536',
            "spread its files over several folders; a name that is upper-case 8.3 takes one slot, longer ones more",
        ),
    )


def test_a_file_stays_a_cluster_below_4_gib() -> None:
    """Files end at 2**32 - 1 bytes (Microsoft); fsck.fat 4.2 takes a chain of 2**32 bytes for an empty one."""
    volume = fit_volume(32_000_000_000, 32, partitioned=True)
    most = 2**32 - 32_768

    assert plan_of(file("BIG.BIN", most), volume=volume).entries[0].clusters == 131_071
    assert problems_of(file("BIG.BIN", most + 1), volume=volume) == (
        Problem(
            asked(1),
            '"BIG.BIN" has 4,294,934,529 bytes; a file on this volume may have 4,294,934,528',
            "split it, or leave it out",
        ),
    )


def test_a_card_that_is_too_small_says_by_how_much() -> None:
    full = file("FULL.BIN", FAT16.clusters * 4096)

    assert plan_of(full).entries[0].clusters == FAT16.clusters
    assert problems_of(full, file("GOODS/MORE", 4_097, number=2)) == (
        Problem(
            replace(WHERE, key="volume.size"),
            f"files and folders take {FAT16.clusters + 3:,} clusters of 4 KiB; the volume has {FAT16.clusters:,}, "
            "3 too few",
            "ask for a card at least 12,288 bytes larger, or leave files out",
        ),
    )


@pytest.mark.parametrize("volume", [FAT12, FAT16, FAT32], ids=["FAT12", "FAT16", "FAT32"])
def test_one_cluster_too_many_is_too_many(volume: Volume) -> None:
    room = volume.clusters - (1 if volume.root_entries == 0 else 0)  # on FAT32 the root directory takes one
    size = room * volume.cluster_bytes

    assert plan_of(file("FULL.BIN", size), volume=volume).entries[0].clusters == room
    (problem,) = problems_of(file("FULL.BIN", size + 1), volume=volume)
    assert problem.what.endswith(f"the volume has {volume.clusters:,}, 1 too few")


@pytest.mark.parametrize(
    ("label", "label_entry", "what", "hint"),
    [
        ("Club", "second", 'the label "Club" has lower-case letters', "write CLUB"),
        (
            "CLUB NIGHT 12",
            "first",
            'the label "CLUB NIGHT 12" has 13 characters, and a volume label may have 11',
            "shorten it by 2",
        ),
        (
            "CLUB",
            "none",
            'the label is "CLUB", but the board wants no entry for a label on the card; expected none',
            "remove the label, or change label-entry of the board",
        ),
    ],
)
def test_labels_that_cannot_be(label: str, label_entry: str, what: str, hint: str) -> None:
    place = replace(WHERE, key="volume.label")
    assert problems_of(label=label, label_entry=label_entry) == (Problem(place, what, hint),)


@pytest.mark.parametrize("moment", [datetime(1979, 12, 31), datetime(2100, 3, 1)])
def test_timestamps_that_not_every_reader_shows_right(moment: datetime) -> None:
    assert problems_of(timestamp=moment) == (
        Problem(
            replace(WHERE, key="volume.timestamp"),
            f"the timestamp is {moment:%Y-%m-%d}; expected 1980-01-01 to 2100-02-28, "
            "which every reader shows correctly",
            "choose another moment",
        ),
    )


@pytest.mark.parametrize("moment", [datetime(1980, 1, 1), datetime(2100, 2, 28, 23, 59, 58)])
def test_the_outermost_timestamps(moment: datetime) -> None:
    assert plan_of(timestamp=moment).timestamp == moment


def test_all_problems_are_told_at_once() -> None:
    problems = problems_of(
        file("A?", number=1),
        file("B/C", number=2, placement="first"),
        file("b/c", number=3),
        file("HUGE", 2**32, number=4),
        label="lower",
    )

    assert [(problem.place.key, problem.what.split(";")[0][:44]) for problem in problems] == [
        ("files.1", '"A?": the name "A?" holds ?, and no name may'),
        ("files.2", '"B/C" asks to be the first file on the card '),
        ("files.3", 'file "b/c" and file "B/C" are one name to re'),
        ("files.3", 'folder "b" and folder "B" are one name to re'),
        ("files.4", '"HUGE" has 4,294,967,296 bytes'),
        ("volume.label", 'the label "lower" has lower-case letters'),
        ("volume.size", "files and folders take 1,048,578 clusters of"),
    ]


def test_a_file_of_unknown_size_is_a_mistake_of_the_caller() -> None:
    unknown = replace(file("A"), content=Content(sha256="0" * 64))

    with pytest.raises(ValueError, match=r"^the size of A is not known$"):
        plan_of(unknown)
