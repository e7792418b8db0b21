"""The last word on a number of cards: CP-SAT of OR-Tools, a general solver, where it is installed."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.util import find_spec
from itertools import combinations_with_replacement
from typing import Any

from pipeline.planner.item import Limits, PackingItem, Room
from pipeline.planner.load import clusters, fit
from pipeline.planner.reasons import Apart

EFFORT = 4.0
"""Of one choice of FAT types, in the solver's own measure, about a second each; not time, so it ends alike anywhere."""

ROUNDS = 30
"""How often a card of the solver's that is too full after all is forbidden, and the solver asked again."""


def is_there() -> bool:
    """Whether the extra with the solver is installed."""
    return find_spec("ortools") is not None


def solve(
    items: Sequence[PackingItem], limits: Limits, apart: Sequence[Apart], count: int, effort: float
) -> tuple[list[list[PackingItem]] | None, bool]:
    """Return at most ``count`` cards, None where there is no way; and whether that is decided.

    Each way of choosing the FAT types of the cards is a program by itself, since then the room is known exactly.
    """
    is_decided = True
    for rooms in combinations_with_replacement(limits.rooms, count):
        cards, decided = _solve(items, limits, apart, rooms, effort)
        if cards is not None:
            return cards, True
        is_decided = is_decided and decided
    return None, is_decided


def _solve(
    items: Sequence[PackingItem], limits: Limits, apart: Sequence[Apart], rooms: Sequence[Room], effort: float
) -> tuple[list[list[PackingItem]] | None, bool]:
    """Return the cards of these FAT types, None where there is no way; and whether that is decided.

    The solver knows what shared folders take at least. Where a card of its answer does not fit as the layout counts,
    the smallest part of it that does not is forbidden on every card of that type. So "no way" holds, and whatever comes
    back fits.
    """
    program = _Program(items, limits, apart, rooms)
    for _ in range(ROUNDS):
        cards, is_decided = program.run(effort)
        if cards is None:
            return None, is_decided
        bad = [(room, card) for room, card in zip(rooms, cards, strict=True) if not fit(card, room, limits)]
        if not bad:
            return [card for card in cards if card], True
        for room, card in bad:
            program.forbid(room, _smallest_bad(card, room, limits))
        effort -= program.spent
        if effort <= 0:
            break
    return None, False


class _Program:
    """A variable for each item on each card it can lie on."""

    def __init__(
        self, items: Sequence[PackingItem], limits: Limits, apart: Sequence[Apart], rooms: Sequence[Room]
    ) -> None:
        from ortools.sat.python import cp_model  # imported late: an extra, and most divisions do not need it

        self.module: Any = cp_model
        self.model: Any = cp_model.CpModel()
        self.solver: Any = cp_model.CpSolver()
        self.solver.parameters.num_workers = 1  # of several workers, now one and now another would find an answer first
        self.items, self.rooms = items, rooms
        self.on: list[dict[str, Any]] = [
            {item.id: self.model.new_bool_var("") for item in items if room.fat_bits in item.types} for room in rooms
        ]
        for item in items:
            self.model.add_exactly_one(on[item.id] for on in self.on if item.id in on)
        free = {room: _free(items, room, limits) for room in rooms}
        for room, on in zip(rooms, self.on, strict=True):
            load = sum(item.clusters[room.fat_bits] * on[item.id] for item in items if item.id in on)
            self.model.add(load <= free[room])
            if limits.core_slots:
                self.model.add(sum(on.values()) <= limits.core_slots)
            for pair in apart:
                if pair.one in on and pair.other in on:
                    self.model.add_at_most_one(on[pair.one], on[pair.other])

    def forbid(self, room: Room, card: Sequence[PackingItem]) -> None:
        """Keep items from lying together on any card of a type."""
        for card_room, on in zip(self.rooms, self.on, strict=True):
            if card_room == room:
                self.model.add(sum(on[item.id] for item in card) < len(card))

    def run(self, effort: float) -> tuple[list[list[PackingItem]] | None, bool]:
        """Return what lies on each card, None where there is no way; and whether that is decided."""
        self.solver.parameters.max_deterministic_time = effort
        status = self.solver.solve(self.model)
        if status not in (self.module.OPTIMAL, self.module.FEASIBLE):
            return None, status == self.module.INFEASIBLE
        value = self.solver.boolean_value
        return [[item for item in self.items if item.id in on and value(on[item.id])] for on in self.on], True

    @property
    def spent(self) -> float:
        """What the last run took, in the solver's own measure of effort."""
        return float(self.solver.response_proto.deterministic_time)


def _free(items: Sequence[PackingItem], room: Room, limits: Limits) -> int:
    """Return the clusters for what items hold alone: whichever come, they bring at least the least shared folders."""
    alone = [
        clusters((item,), room, limits) - item.clusters[room.fat_bits] for item in items if room.fat_bits in item.types
    ]
    return max(0, room.clusters - min(alone, default=room.clusters))


def _smallest_bad(card: Sequence[PackingItem], room: Room, limits: Limits) -> list[PackingItem]:
    """Return a part of a card that does not fit, of which every smaller part does."""
    left = list(card)
    for item in card:
        rest = [kept for kept in left if kept is not item]
        if not fit(rest, room, limits):
            left = rest
    return left
