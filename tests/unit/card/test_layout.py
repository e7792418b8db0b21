from __future__ import annotations

from datetime import datetime

from hypothesis import given
from hypothesis import strategies as st

from pipeline.fat.directory import directory_bytes, tree_of
from pipeline.fat.entries import SLOT
from pipeline.fat.names import fold, name_problem
from pipeline.model.content import CardFile
from pipeline.model.plan import Entry, Plan
from tests.unit.card.laying_out import FAT12, FAT16, FAT32, file, plan_of


def test_a_card_laid_out() -> None:
    """By the rules: first file, folders, one-piece files, the others, each in directory order; clusters of 4 KiB."""
    plan = plan_of(
        file("GOODS/Moth Pantry.rom", 10_000, number=1),
        file("GOODS/BAT.ROM", 4_096, "one-piece", number=2),
        file("DISCS.LIB", 4_097, "first", number=3),
        file("ATTIC.TXT", 1, number=4),
        file("GOODS/EMPTY", 0, number=5),
        folders=["SLATE/OLD"],
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
            Entry(path="GOODS", short="GOODS", cluster=4, clusters=1),
            Entry(path="GOODS/BAT.ROM", short="BAT.ROM", cluster=7, clusters=1, size=4_096, sha256=f"{2:064x}"),
            Entry(path="GOODS/EMPTY", short="EMPTY", cluster=0, clusters=0, size=0, sha256=f"{5:064x}"),
            Entry(
                path="GOODS/Moth Pantry.rom",
                short="MOTHPA~1.ROM",
                cluster=9,
                clusters=3,
                size=10_000,
                sha256=f"{1:064x}",
            ),
            Entry(path="SLATE", short="SLATE", cluster=5, clusters=1),
            Entry(path="SLATE/OLD", short="OLD", cluster=6, clusters=1),
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
