"""The division over cards: against all divisions of small sets, and against a general solver on larger ones."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from dataclasses import replace

import highspy
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.planner.divide import STEPS, Division, divide
from pipeline.planner.item import Limits, PackingItem, Room
from pipeline.planner.load import room_for

FAT16 = Room(fat_bits=16, clusters=100, cluster_bytes=512, taken=4, root_slots=16)
FAT32 = Room(fat_bits=32, clusters=160, cluster_bytes=512, taken=4, root_slots=0)
BOTH = Limits(rooms=(FAT16, FAT32))


def item(id: str, size: int, types: Sequence[int] = (16, 32), **changes: object) -> PackingItem:
    return PackingItem(
        id=id, kind=str(changes.pop("kind", "arcade")), types=frozenset(types),
        clusters=dict.fromkeys(types, size), **changes,  # type: ignore[arg-type]  # what the test changes
    )  # fmt: skip


def cards(division: Division) -> list[tuple[str, ...]]:
    return [ids for _, ids in division.cards]


def test_nothing_wanted_takes_no_card() -> None:
    division = divide((), BOTH)
    assert (division.cards, division.apart, division.is_proved) == ((), (), True)


def test_what_fits_together_is_one_card_of_the_preferred_type() -> None:
    assert divide([item("b", 40), item("a", 50)], BOTH).cards == ((16, ("a", "b")),)
    assert divide([item("b", 60), item("a", 50)], BOTH).cards == ((32, ("a", "b")),)


def test_a_pair_is_kept_apart_with_both_sides_named() -> None:
    wanted = [
        item("fern", 1, (16,), first="DISCS.LIB", settings=(("language", "regional"),), paths=frozenset({"x"})),
        item("moss", 1, (32,)),
        item("reed", 1, (16,), first="GOODS.LIB"),
        item("sedge", 1, (16,), settings=(("language", "standard"),)),
        item("thyme", 1, (16,), paths=frozenset({"x"})),
        item("vetch", 1, (16,), folders=frozenset({"x"})),
        item("yarrow", 96, (16,)),
    ]
    division = divide(wanted, BOTH)
    assert [pair.why for pair in division.apart if "fern" in (pair.one, pair.other)] == [
        "fern can lie on FAT16 only, moss on FAT32 only",
        'fern asks for "DISCS.LIB" as the first file on the card, reed for "GOODS.LIB"',
        'fern needs the board setting language to be "regional", sedge "standard"',
        'fern and thyme both have a file "x"',
        '"x" is a file of one of fern and vetch, and a folder of the other',
        "fern and yarrow take 101 clusters with the board's own files; FAT16 on this card has 100",
    ]
    assert len(division.cards) == 5


def test_the_reason_for_the_number_is_told() -> None:
    slots = divide([item(name, 1) for name in "abcde"], Limits(rooms=(FAT16,), core_slots=2))
    assert (len(slots.cards), slots.bound.why) == (3, "5 cores are wanted, and the board holds 2")
    full = divide([item(name, 40) for name in "abcde"], Limits(rooms=(FAT16,)))
    assert (len(full.cards), full.bound.cards) == (3, 3)
    assert full.bound.why == "together they fill 209 % of a card, each counted on the volume type where it is smallest"
    alone = divide([item(name, 60) for name in "abc"], Limits(rooms=(FAT16,)))
    assert (len(alone.cards), alone.bound.why) == (3, "no two of these can share a card: a, b, c")


def test_things_of_one_kind_stay_together() -> None:
    wanted = [item(name, 30, kind="console" if name in "ace" else "arcade") for name in "abcdef"]
    assert cards(divide(wanted, Limits(rooms=(FAT16,)))) == [("a", "c", "e"), ("b", "d", "f")]


def test_folders_that_are_shared_count_as_the_layout_counts_them() -> None:
    wanted = [item(name, 0, (16,), entries=(("", "games", 1), ("games", name, 7))) for name in "abcd"]
    # two cores: 2 + 14 slots are 512 bytes, one cluster; three take another
    tight = Room(fat_bits=16, clusters=1, cluster_bytes=512, taken=0, root_slots=16)
    assert len(divide(wanted, Limits(rooms=(tight,))).cards) == 2


def test_the_fixed_root_directory_is_a_limit() -> None:
    wanted = [item(name, 1, (16,), entries=(("", name, 6),)) for name in "abcd"]
    division = divide(wanted, Limits(rooms=(FAT16,)))
    assert len(division.cards) == 2


def test_giving_up_is_said() -> None:
    wanted = [item(f"c{number:02}", 34 + number % 3) for number in range(12)]
    for effort in (0, 1e-9):  # without the solver, and with one that gives up too
        division = divide(wanted, Limits(rooms=(FAT16,)), steps=3, effort=effort)
        assert not division.is_proved
        assert len(division.cards) <= 12
    assert divide(wanted, Limits(rooms=(FAT16,)), steps=3).is_proved


def partitions(items: Sequence[PackingItem]) -> Iterator[list[list[PackingItem]]]:
    if not items:
        yield []
        return
    for smaller in partitions(items[1:]):
        yield [[items[0]], *smaller]
        for number, card in enumerate(smaller):
            yield [*smaller[:number], [items[0], *card], *smaller[number + 1 :]]


items = st.lists(
    st.tuples(
        st.integers(0, 90),
        st.sampled_from([(16,), (32,), (16, 32)]),
        st.sampled_from(["", "", "", "A.LIB"]),
        st.sampled_from(["", "", "on", "off"]),
        st.integers(1, 6),
    ),
    max_size=6,
)


@settings(max_examples=150, deadline=None)
@given(items, st.integers(0, 3), st.sampled_from([STEPS, 1]))
def test_no_division_of_a_small_set_has_fewer_cards(
    rows: list[tuple[int, tuple[int, ...], str, str, int]], slots: int, steps: int
) -> None:
    """With one step, the solver decides whatever the bounds leave open."""
    wanted = [
        item(
            f"c{number}", size, types, first=first, settings=(("s", choice),) if choice else (),
            entries=(("", "games", 1), ("games", f"c{number}", count)),
        )
        for number, (size, types, first, choice, count) in enumerate(rows)
    ]  # fmt: skip
    limits = Limits(rooms=(FAT16, FAT32), core_slots=slots)
    division = divide(wanted, limits, steps=steps)
    fewest = min(len(one) for one in partitions(wanted) if all(room_for(card, limits) for card in one))
    by_id = {one.id: one for one in wanted}
    assert len(division.cards) == fewest
    assert division.is_proved
    assert division.bound.cards <= fewest
    assert sorted(id_ for _, ids in division.cards for id_ in ids) == sorted(by_id)
    assert all(room_for([by_id[id_] for id_ in ids], limits) for _, ids in division.cards)


def solved(wanted: Sequence[PackingItem], count: int) -> int:
    """Return the fewest cards as HiGHS, a general solver of integer programs, has them.

    A binary for each item on each card, for each card of each type; the same type for all that is on a card.
    """
    solver = highspy.Highs()  # type: ignore[no-untyped-call]  # it has no type information
    solver.silent()
    rooms = (FAT16, FAT32)
    used = [[solver.addBinary() for _ in rooms] for _ in range(count)]
    for card in used:
        solver.addConstr(sum(card) <= 1)
    places = {one.id: [[solver.addBinary() for _ in rooms] for _ in range(count)] for one in wanted}
    for one in wanted:
        solver.addConstr(sum(x for card in places[one.id] for x in card) == 1)
    for index in range(count):
        for kind, room in enumerate(rooms):
            weights = sum(one.clusters.get(room.fat_bits, 1000) * places[one.id][index][kind] for one in wanted)
            own = 0 if room.root_slots else 1  # the root directory of FAT32 is a cluster
            solver.addConstr(weights <= (room.clusters - room.taken - own) * used[index][kind])
            for name in ("A.LIB",):
                firsts = [places[one.id][index][kind] for one in wanted if one.first == name]
                if firsts:
                    solver.addConstr(sum(firsts) <= 1)
    solver.minimize(sum(x for card in used for x in card))
    return round(solver.getObjectiveValue())


def random_items(seed: int, count: int, largest: int) -> list[PackingItem]:
    chance = random.Random(seed)
    return [
        item(
            f"c{number:02}",
            chance.randint(3, largest),
            chance.choice([(16,), (16,), (32,), (16, 32)]),
            first="A.LIB" if chance.random() < 0.15 else "",
            kind=chance.choice(["arcade", "console", "home"]),
        )
        for number in range(count)
    ]


def test_a_general_solver_finds_no_fewer() -> None:
    for seed in range(6):
        wanted = random_items(seed, 12, 60)
        for division in (divide(wanted, BOTH), divide(wanted, BOTH, steps=1)):
            assert division.is_proved
            assert len(division.cards) == solved(wanted, len(division.cards))


@pytest.mark.long
def test_a_general_solver_finds_no_fewer_for_twenty() -> None:
    for seed in range(20):
        wanted = random_items(seed, 12 + seed % 9, 60)
        division = divide(wanted, BOTH)
        assert division.is_proved
        assert len(division.cards) == solved(wanted, len(division.cards))


def test_forty_cores_are_divided_and_proved() -> None:
    for seed in range(1, 7):
        for largest in (10, 20, 45, 75):
            wanted = random_items(seed, 40, largest)
            division = divide(wanted, BOTH)
            by_id = {one.id: one for one in wanted}
            assert division.is_proved
            assert sorted(id_ for _, ids in division.cards for id_ in ids) == sorted(by_id)
            assert all(room_for([by_id[id_] for id_ in ids], BOTH) for _, ids in division.cards)
            assert seed > 1 or division == divide(list(reversed(wanted)), BOTH)


def large_items(seed: int, largest: int) -> list[PackingItem]:
    """Forty items of hundreds of times more clusters, so that hardly any two are alike."""
    chance = random.Random(seed)
    items = []
    for one in random_items(seed, 40, largest):
        size = max(one.clusters.values()) * 601 + chance.randint(-300, 300)
        items.append(replace(one, clusters=dict.fromkeys(one.clusters, size)))
    return items


@pytest.mark.long
def test_forty_cores_of_many_clusters_are_divided_and_proved() -> None:
    limits = Limits(rooms=tuple(replace(room, clusters=room.clusters * 601) for room in (FAT16, FAT32)))
    for seed in range(1, 13):
        for largest in (20, 45, 60, 75):
            wanted = large_items(seed, largest)
            division = divide(wanted, limits)
            assert division.is_proved
            assert len(division.cards) <= len(divide(wanted, limits, effort=0).cards)


def test_the_solver_never_goes_by_less_than_shared_folders_take() -> None:
    """Two cores take one cluster of the folder they share, and the third a second one, which there is not."""
    wanted = [item(name, 2, (16,), entries=(("", "games", 1), ("games", name, 7))) for name in "abcd"]
    for clusters, cards in ((4, 4), (5, 2), (7, 2), (8, 2), (10, 1)):
        tight = Limits(rooms=(Room(fat_bits=16, clusters=clusters, cluster_bytes=512, taken=0, root_slots=16),))
        division = divide(wanted, tight, steps=1)
        assert (len(division.cards), division.is_proved) == (cards, True)
