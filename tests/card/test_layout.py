from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.card.layout import lay_out
from pipeline.errors import ManifestError, Place, Problem
from pipeline.fat.directory import directory_bytes, tree_of
from pipeline.fat.entries import SLOT
from pipeline.fat.geometry import fit_volume
from pipeline.fat.names import fold, name_problem
from pipeline.model.content import CardFile, Content, Origin
from pipeline.model.plan import Entry, Plan, Volume

MIB = 2**20
WHERE = Place("inputs/cards/club-night.toml")
MOMENT = datetime(2026, 11, 25, 20, 0, 1)
ORIGIN = Origin(kind="card-file", owner="club-night")

FAT12 = fit_volume(2 * MIB, 12, partitioned=True)
FAT16 = fit_volume(64 * MIB, 16, partitioned=True)
FAT32 = fit_volume(64 * MIB, 32, partitioned=True)


def asked(number: int) -> Place:
    return Place("inputs/cards/club-night.toml", key=f"files.{number}")


def file(path: str, size: int = 1, placement: str = "anywhere", number: int = 1) -> CardFile:
    content = Content(sha256=f"{number:064x}", size=size)
    return CardFile(path=path, content=content, placement=placement, origin=ORIGIN, place=asked(number))


def plan_of(
    *files: CardFile,
    volume: Volume = FAT16,
    label: str = "CLUBNIGHT",
    label_entry: str = "second",
    timestamp: datetime = MOMENT,
    folders: Sequence[str] = (),
) -> Plan:
    return lay_out(
        "club-night",
        files,
        volume,
        label=label,
        label_entry=label_entry,
        serial=0x1234ABCD,
        timestamp=timestamp,
        where=WHERE,
        folders=folders,
    )


def problems_of(*files: CardFile, volume: Volume = FAT16, label: str = "", **other: object) -> tuple[Problem, ...]:
    with pytest.raises(ManifestError) as caught:
        plan_of(*files, volume=volume, label=label, **other)  # type: ignore[arg-type]  # each test names its own
    return caught.value.problems


def test_a_card_laid_out() -> None:
    """By the rules: first file, folders, one-piece files, the others, each in directory order; clusters of 4 KiB."""
    plan = plan_of(
        file("GAMES/Moth Patrol.rom", 10_000, number=1),
        file("GAMES/BAT.ROM", 4_096, "one-piece", number=2),
        file("DISCS.LIB", 4_097, "first", number=3),
        file("ATTIC.TXT", 1, number=4),
        file("GAMES/EMPTY", 0, number=5),
        folders=["SAVES/OLD"],
    )

    assert plan.volume.cluster_bytes == 4096
    assert plan == Plan(
        card="club-night",
        volume=FAT16,
        label="CLUBNIGHT",
        label_entry="second",
        serial=0x1234ABCD,
        timestamp=datetime(2026, 11, 25, 20, 0, 0),
        root_clusters=0,
        entries=(
            Entry(path="DISCS.LIB", short="DISCS.LIB", cluster=2, clusters=2, size=4_097, sha256=f"{3:064x}"),
            Entry(path="ATTIC.TXT", short="ATTIC.TXT", cluster=8, clusters=1, size=1, sha256=f"{4:064x}"),
            Entry(path="GAMES", short="GAMES", cluster=4, clusters=1),
            Entry(path="GAMES/BAT.ROM", short="BAT.ROM", cluster=7, clusters=1, size=4_096, sha256=f"{2:064x}"),
            Entry(path="GAMES/EMPTY", short="EMPTY", cluster=0, clusters=0, size=0, sha256=f"{5:064x}"),
            Entry(
                path="GAMES/Moth Patrol.rom",
                short="MOTHPA~1.ROM",
                cluster=9,
                clusters=3,
                size=10_000,
                sha256=f"{1:064x}",
            ),
            Entry(path="SAVES", short="SAVES", cluster=5, clusters=1),
            Entry(path="SAVES/OLD", short="OLD", cluster=6, clusters=1),
        ),
    )


def test_on_fat32_the_root_directory_comes_before_the_first_file() -> None:
    """Microsoft FAT specification 1.03: the root is a chain from cluster 2. Here 17 slots of 32 bytes, in 512."""
    plan = plan_of(file("FIRST.BIN", 1, "first"), *(file(f"F{number}") for number in range(15)), volume=FAT32)

    assert plan.volume.cluster_bytes == 512
    assert plan.root_clusters == 2
    assert (plan.entries[0].path, plan.entries[0].cluster) == ("FIRST.BIN", 4)


def test_an_empty_card_has_a_root_directory_and_nothing_else() -> None:
    assert plan_of(volume=FAT32, label="", label_entry="none").root_clusters == 1
    assert plan_of(volume=FAT16, label="").entries == ()


def test_without_a_label_the_plan_wants_no_entry_for_one() -> None:
    assert plan_of(label="", label_entry="second").label_entry == "none"


names = st.text(st.sampled_from("abAB1~_-. éЖ日😀+"), min_size=1, max_size=18).filter(
    lambda name: name_problem(name) is None
)
paths = st.lists(names, min_size=1, max_size=4).map("/".join)


@st.composite
def cards(draw: st.DrawFn) -> tuple[list[CardFile], Plan]:
    """Draw files whose paths do not collide, and their plan."""
    chosen: dict[str, str] = {}
    for path in draw(st.lists(paths, max_size=25)):
        parts = path.split("/")
        spelled = "/".join(chosen.get(fold("/".join(parts[: n + 1])), part) for n, part in enumerate(parts))
        above = [fold("/".join(parts[:n])) for n in range(1, len(parts))]
        if fold(path) not in chosen and not any(f"file {folder}" in chosen for folder in above):
            chosen[f"file {fold(path)}"] = spelled
            for n, part in enumerate(parts):
                chosen.setdefault(fold("/".join(parts[: n + 1])), part)
    placement = st.sampled_from(["one-piece", "anywhere"])
    sizes = st.one_of(st.just(0), st.integers(1, 30_000))
    files = [
        file(path, draw(sizes), draw(placement), number)
        for number, (key, path) in enumerate(sorted(chosen.items()))
        if key.startswith("file ")
    ]
    if draw(st.booleans()):
        files.append(file("1ST.BIN", draw(st.integers(1, 30_000)), "first", 99))
    volume = draw(st.sampled_from([FAT12, FAT16, FAT32]))
    return files, plan_of(*draw(st.permutations(files)), volume=volume)


@given(cards())
def test_every_file_is_planned_once_and_every_folder_it_lies_in(drawn: tuple[list[CardFile], Plan]) -> None:
    files, plan = drawn

    planned = [(entry.path, entry.size, entry.sha256) for entry in plan.entries if not entry.is_folder]
    assert sorted(planned) == sorted((asked.path, asked.content.size, asked.content.sha256) for asked in files)
    folders = {entry.path for entry in plan.entries if entry.is_folder}
    assert folders == {asked.path[:end] for asked in files for end, sign in enumerate(asked.path) if sign == "/"}


@given(cards())
def test_the_same_files_in_any_order_give_the_same_plan(drawn: tuple[list[CardFile], Plan]) -> None:
    files, plan = drawn

    assert plan_of(*files, volume=plan.volume) == plan


@given(cards())
def test_runs_are_disjoint_and_cover_the_clusters_from_2_without_a_gap(drawn: tuple[list[CardFile], Plan]) -> None:
    _, plan = drawn

    used = [2 + number for number in range(plan.root_clusters)]
    for entry in plan.entries:
        used += range(entry.cluster, entry.cluster + entry.clusters)
    assert sorted(used) == list(range(2, 2 + len(used)))
    assert len(used) <= plan.volume.clusters


@given(cards())
def test_runs_are_as_long_as_what_they_hold(drawn: tuple[list[CardFile], Plan]) -> None:
    """Microsoft FAT specification 1.03: an empty file has cluster 0; a folder at least one cluster."""
    _, plan = drawn
    tree = tree_of(plan)

    for entry in plan.entries:
        size = len(directory_bytes(plan, entry.path, tree)) if entry.is_folder else entry.size
        assert entry.clusters == -(-size // plan.volume.cluster_bytes)
        assert bool(entry.cluster) == bool(entry.clusters)
    root = len(directory_bytes(plan, "", tree))
    if plan.volume.fat_bits == 32:
        assert plan.root_clusters == max(1, -(-root // plan.volume.cluster_bytes))
    else:
        assert root <= plan.volume.root_entries * SLOT


@given(cards())
def test_placed_files_come_in_their_order(drawn: tuple[list[CardFile], Plan]) -> None:
    files, plan = drawn
    placement = {asked.path: asked.placement for asked in files}
    order = ["first", "folder", "one-piece", "anywhere"]

    placed = sorted((entry for entry in plan.entries if entry.clusters), key=lambda entry: entry.cluster)

    groups = [order.index("folder" if entry.is_folder else placement[entry.path]) for entry in placed]
    assert groups == sorted(groups)


@given(cards())
def test_the_first_file_is_first_in_every_sense(drawn: tuple[list[CardFile], Plan]) -> None:
    """Slot 0 of the root, no long name before it, the lowest cluster of all files, one run."""
    files, plan = drawn
    first = [asked.path for asked in files if asked.placement == "first"]

    if first:
        entry = plan.entries[0]
        assert [entry.path] == [entry.short] == first
        assert directory_bytes(plan, "", tree_of(plan))[:11] == b"1ST     BIN"
        assert entry.cluster == 2 + plan.root_clusters
        assert all(entry.cluster < other.cluster for other in plan.entries[1:] if other.clusters)


@given(cards())
def test_folders_stand_before_what_they_hold_and_children_in_order_of_name(drawn: tuple[list[CardFile], Plan]) -> None:
    files, plan = drawn
    first = {asked.path for asked in files if asked.placement == "first"}
    seen = {""}
    last: dict[str, tuple[bool, str]] = {}

    for entry in plan.entries:
        assert entry.parent in seen
        key = (entry.path not in first, fold(entry.name))
        assert last.get(entry.parent, (False, "")) < key
        last[entry.parent] = key
        if entry.is_folder:
            seen.add(entry.path)


def test_names_that_differ_only_in_case_collide() -> None:
    assert problems_of(file("GAMES/moth.rom", number=1), file("GAMES/MOTH.ROM", number=2)) == (
        Problem(
            asked(1),
            'file "GAMES/moth.rom" and file "GAMES/MOTH.ROM" are one name to readers that ignore letter case and how '
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
    files = [file("GAMES/A", number=1), file("games/B", number=2), file("games/C", number=3)]
    assert problems_of(*files) == (
        Problem(
            asked(2),
            'folder "games" and folder "GAMES" are one name to readers that ignore letter case and how accents are '
            "written",
            "rename one of them",
            (asked(1),),
        ),
    )


def test_a_path_asked_for_twice() -> None:
    assert problems_of(file("GAMES/A", number=1), file("GAMES/A", number=2)) == (
        Problem(
            asked(2),
            'file "GAMES/A" is asked for twice',
            "ask for it once, or give one of them another path",
            (asked(1),),
        ),
    )


def test_a_file_and_a_folder_of_one_name() -> None:
    assert problems_of(file("GAMES", number=1), file("GAMES/A", number=2)) == (
        Problem(asked(2), '"GAMES" is asked for as a folder and as a file', "rename one of them", (asked(1),)),
    )


@pytest.mark.parametrize(
    ("path", "what", "hint"),
    [
        (
            "GAMES/what?.rom",
            '"GAMES/what?.rom": the name "what?.rom" holds ?, and no name may hold any of " * / : < > ? \\ |',
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
            '"/A": the name "A" stands after a /, as if there were anything above the card\'s root',
            "take the / out",
        ),
        (
            "A\\B",
            '"A\\B": the name "A\\B" holds \\, and no name may hold any of " * / : < > ? \\ |',
            "leave it out or write _",
        ),
        (
            "A\nB",
            '"A\\u000aB": the name "A\\u000aB" holds U+000A, which is no character of a name',
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
        ("DISCS.LIB", 0, "is empty; expected at least 1 byte", "an empty file lies nowhere"),
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
    files = [file(f"GAMES/{number}", 0, number=number) for number in range(65_534)]

    assert plan_of(*files, volume=FAT32).entries[0].clusters * 512 == 2 * MIB
    assert problems_of(*files, file("GAMES/X", 0, number=65_534), volume=FAT32) == (
        Problem(
            asked(0),
            'the folder "GAMES" takes 65,537 directory slots of 32 bytes; it may have 65,536',
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
    assert problems_of(full, file("GAMES/MORE", 4_097, number=2)) == (
        Problem(
            replace(WHERE, key="volume.size"),
            f"files and folders take {FAT16.clusters + 3:,} clusters of 4 KiB; the volume has {FAT16.clusters:,}, "
            "3 too few",
            "ask for a card at least 12,288 bytes larger, or leave files out",
        ),
    )


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
            "take the label out, or change label-entry of the board",
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
            f"the timestamp is {moment:%Y-%m-%d}; expected 1980-01-01 to 2100-02-28, which every reader shows right",
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
