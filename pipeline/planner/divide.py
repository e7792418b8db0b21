"""The search for the fewest cards: exact, the same every time, bounded in steps."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations_with_replacement

from pipeline.planner import solver
from pipeline.planner.item import Limits, Parcel, Room
from pipeline.planner.load import clash, clusters, fit, room_for
from pipeline.planner.reasons import Apart, Bound, bound, pairs_apart

STEPS = 30_000
"""Of one search: one number of cards, of given FAT types."""

WHOLE = 1 << 40
"""A card, where shares of it are added up; shares are rounded down, so that no way is ever missed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Division:
    """What goes onto each card, by id, with the FAT type of each.

    ``bound``: the best reason in plain words why no fewer cards do; where it is below the number of cards, all ways of
    dividing over fewer were tried (``is_proved``), or the search was given up before that.
    """

    cards: tuple[tuple[int, tuple[str, ...]], ...]
    apart: tuple[Apart, ...]
    bound: Bound
    is_proved: bool


def divide(parcels: Sequence[Parcel], limits: Limits, steps: int = STEPS, effort: float = solver.EFFORT) -> Division:
    """Return the fewest cards that hold all parcels.

    Of equally few, the one in which parcels lie with others of their kind, as far as that was tried first: a parcel is
    tried on the card that has most of its kind, then on the fullest. What only the solver found minds no kinds
    (``effort``: 0 to go without it). Cards and what is on each are ordered by id. Every parcel must fit on a card
    alone; raises ValueError otherwise.
    """
    parcels = sorted(parcels, key=lambda one: one.id)
    for one in parcels:
        if room_for((one,), limits) is None:
            raise ValueError(f"{one.id} does not fit on a card alone")
    apart = pairs_apart(parcels, limits)
    least = bound(parcels, limits, apart)
    is_proved, found = True, None
    for count in range(least.cards, len(parcels) + 1):
        found, proved = _search(parcels, limits, apart, count, steps, effort)
        if found is not None:
            break
        is_proved = is_proved and proved
    cards = []
    for card in found or ():
        room = room_for(card, limits)
        if room is None:
            raise AssertionError("the search gave a card that does not fit")
        cards.append((room.fat_bits, tuple(sorted(one.id for one in card))))
    return Division(cards=tuple(sorted(cards, key=lambda card: card[1])), apart=apart, bound=least, is_proved=is_proved)


def _search(
    parcels: Sequence[Parcel], limits: Limits, apart: Sequence[Apart], count: int, steps: int, effort: float
) -> tuple[list[list[Parcel]] | None, bool]:
    """Return ``count`` cards or fewer, None where there is no way; and whether that is proved.

    Each way of choosing the FAT types of the cards is searched by itself, since then the room is known exactly; all of
    them shortly, in several orders, as each is quick where another is slow. What that leaves open the solver decides;
    where it is not installed, or gives up too, all are searched longer.
    """
    open_rooms = list(combinations_with_replacement(limits.rooms, count))
    short, middle = min(steps, 4 * len(parcels)), steps // 10
    turns = [
        (short, by_kind, clashing, shares)
        for shares, clashing in ((False, False), (False, True), (True, False))
        for by_kind in (True, False)
    ]
    found, open_rooms = _turns(parcels, limits, apart, open_rooms, turns)
    if found is None and open_rooms and effort and solver.is_there():
        found, open_rooms = _solved(parcels, limits, apart, open_rooms, effort)
    if found is None and open_rooms:
        turns = [(middle, False, False, True), (middle, True, True, False), (middle, False, True, False)]
        turns += [(steps, False, False, True), (middle, False, False, False)]
        found, open_rooms = _turns(parcels, limits, apart, open_rooms, turns)
    return found, found is not None or not open_rooms


def _turns(
    parcels: Sequence[Parcel],
    limits: Limits,
    apart: Sequence[Apart],
    open_rooms: Sequence[tuple[Room, ...]],
    turns: Sequence[tuple[int, bool, bool, bool]],
) -> tuple[list[list[Parcel]] | None, list[tuple[Room, ...]]]:
    """Return what the first turn that finds anything finds; and the choices of FAT types that may still hold all."""
    still_open = list(open_rooms)
    for steps, by_kind, clashing, shares in turns:
        open_rooms, still_open = still_open, []
        for rooms in open_rooms:
            search = _Search(parcels, limits, apart, rooms, by_kind=by_kind, clashing=clashing, shares=shares)
            found = search.run(steps)
            if found is not None:
                return found, still_open
            if search.left <= 0:
                still_open.append(rooms)
    return None, still_open


def _solved(
    parcels: Sequence[Parcel],
    limits: Limits,
    apart: Sequence[Apart],
    open_rooms: Sequence[tuple[Room, ...]],
    effort: float,
) -> tuple[list[list[Parcel]] | None, list[tuple[Room, ...]]]:
    """Return what the solver finds, and the choices of FAT types it did not decide."""
    still_open = []
    for rooms in open_rooms:
        found, is_decided = solver.solve(parcels, limits, apart, rooms, effort)
        if found is not None:
            return found, []
        if not is_decided:
            still_open.append(rooms)
    return None, still_open


class _Search:
    """Parcels put onto the cards one after the other, and taken back: the largest first.

    ``left``: steps that may still be taken. Of cards that are alike only one is tried, and what was found to be no
    beginning is not begun again. ``by_kind``: a card with most parcels of the same kind is tried first, otherwise the
    fullest. ``clashing``: those that clash with most go before the largest. ``shares``: size is what is taken of a card
    of that type, otherwise bytes.
    """

    def __init__(
        self,
        parcels: Sequence[Parcel],
        limits: Limits,
        apart: Sequence[Apart],
        rooms: Sequence[Room],
        *,
        by_kind: bool,
        clashing: bool,
        shares: bool,
    ) -> None:
        kinds = tuple(dict.fromkeys(rooms))
        empty = {room: room.clusters - clusters((), room, limits) for room in kinds}
        self.size = {
            room: {
                one.id: one.clusters.get(room.fat_bits, 0) * WHOLE // max(empty[room], 1)
                if shares
                else one.clusters.get(room.fat_bits, 0) * room.cluster_bytes
                for one in parcels
            }
            for room in kinds
        }
        least = {
            one.id: min((self.size[room][one.id] for room in kinds if room.fat_bits in one.types), default=WHOLE << 20)
            for one in parcels
        }
        self.enemies: dict[str, set[str]] = {one.id: set() for one in parcels}
        for pair in apart:
            self.enemies[pair.one].add(pair.other)
            self.enemies[pair.other].add(pair.one)
        by_id = {one.id: one for one in parcels}
        # those of other types do not count: here the type of each card is settled
        rivals = {
            one.id: sum(bool(by_id[id_].types & one.types and clash(by_id[id_], one)) for id_ in self.enemies[one.id])
            for one in parcels
        }
        self.order = sorted(
            parcels, key=lambda one: (-rivals[one.id] * clashing, -least[one.id], -rivals[one.id], one.kind, one.id)
        )
        self.needs = [self._needs(self.order[number:], least, kinds) for number in range(len(parcels))]
        self.look = _looks(parcels, limits, self.enemies)
        self.limits, self.rooms, self.by_kind = limits, rooms, by_kind
        self.cards: list[list[Parcel]] = [[] for _ in rooms]
        self.free = [WHOLE if shares else empty[room] * room.cluster_bytes for room in rooms]
        self.left = 0
        self.failed: set[tuple[int, tuple[tuple[int, ...], ...]]] = set()

    def run(self, steps: int) -> list[list[Parcel]] | None:
        """Return the cards, or None when there is no way or ``left`` came to 0."""
        self.left = steps
        return [list(card) for card in self.cards if card] if self._put(0) else None

    def _needs(
        self, rest: Sequence[Parcel], least: Mapping[str, int], kinds: Sequence[Room]
    ) -> tuple[tuple[frozenset[int], int, int], ...]:
        """Return (FAT types, sizes, the smallest) for what can lie on no others, for all and for each type alone."""
        found = []
        for types in (frozenset(room.fat_bits for room in kinds), *(frozenset({room.fat_bits}) for room in kinds)):
            there = frozenset(room.fat_bits for room in kinds)
            sizes = [least[one.id] for one in rest if one.types & there <= types]
            if sizes:
                found.append((types, sum(sizes), min(sizes)))
        return tuple(found)

    def _is_too_much(self, number: int) -> bool:
        """Whether the parcels from ``number`` on take more than all that is left on the cards they can lie on."""
        for types, total, smallest in self.needs[number]:
            pairs = zip(self.rooms, self.free, strict=True)
            free = sum(left for room, left in pairs if room.fat_bits in types and left >= smallest)
            if total > free:
                return True
        return False

    def _put(self, number: int) -> bool:
        """Put the parcels from ``number`` on; leaves the cards as they were where it cannot."""
        if number == len(self.order):
            return True
        if self._is_too_much(number):
            return False
        parcel = self.order[number]
        state = (number, tuple(sorted(map(self._looks_of, range(len(self.cards))))))
        if state in self.failed:
            return False
        for index in self._choices(parcel):
            self.left -= 1
            if self.left <= 0:
                return False
            if not fit((*self.cards[index], parcel), self.rooms[index], self.limits):
                continue
            size = self.size[self.rooms[index]][parcel.id]
            self.cards[index].append(parcel)
            self.free[index] -= size
            if self._put(number + 1):
                return True
            self.cards[index].pop()
            self.free[index] += size
        if self.left > 0:
            self.failed.add(state)
        return False

    def _choices(self, parcel: Parcel) -> list[int]:
        """Return the cards a parcel may go onto, the best first; of those that are alike only one."""
        enemies = self.enemies[parcel.id]
        alike: dict[tuple[int, ...], tuple[int, int, int]] = {}
        for index, card in enumerate(self.cards):
            room = self.rooms[index]
            if room.fat_bits not in parcel.types or self.free[index] < self.size[room][parcel.id]:
                continue
            if not any(one.id in enemies for one in card):
                same = sum(one.kind == parcel.kind for one in card) if self.by_kind else 0
                alike.setdefault(self._looks_of(index), (-same, self.free[index], index))
        return [index for _, _, index in sorted(alike.values())]

    def _looks_of(self, index: int) -> tuple[int, ...]:
        return (self.rooms[index].fat_bits, *sorted(self.look[one.id] for one in self.cards[index]))


def _looks(parcels: Sequence[Parcel], limits: Limits, enemies: Mapping[str, set[str]]) -> dict[str, int]:
    """Return a number for each parcel, the same for parcels that can take each other's place on any card."""
    times = Counter(entry for entries in (limits.entries, *(one.entries for one in parcels)) for entry in set(entries))
    looks: dict[object, int] = {}
    numbers = {}
    for one in parcels:
        entries = [
            (folder, name if times[folder, name, slots] > 1 else "", slots) for folder, name, slots in one.entries
        ]
        look = (one.types, tuple(sorted(one.clusters.items())), one.kind, tuple(sorted(entries)))
        numbers[one.id] = looks.setdefault((look, frozenset(enemies[one.id])), len(looks))
    return numbers
