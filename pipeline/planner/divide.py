"""The search for the fewest cards: exact, the same every time, bounded in steps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.planner import solver
from pipeline.planner.item import Limits, PackingItem
from pipeline.planner.load import fit, room_for
from pipeline.planner.reasons import Apart, Bound, bound, pairs_apart, shares

STEPS = 10_000
"""Of the own search over one number of cards: items that are tried on a card."""


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


def divide(items: Sequence[PackingItem], limits: Limits, steps: int = STEPS, effort: float = solver.EFFORT) -> Division:
    """Return the fewest cards that hold all items.

    The own search comes first, and keeps items of one kind together as far as that is no hindrance. What it leaves
    open the solver decides, where it is installed, without regard to kinds (``effort``: 0 to go without it). Cards and
    what is on each are ordered by id. Every item must fit on a card alone; raises ValueError otherwise.
    """
    items = sorted(items, key=lambda item: item.id)
    for item in items:
        if room_for((item,), limits) is None:
            raise ValueError(f"{item.id} does not fit on a card alone")
    apart = pairs_apart(items, limits)
    least = bound(items, limits, apart)
    is_proved, found = True, None
    for count in range(least.cards, len(items) + 1):
        search = _Search(items, limits, apart, count, steps)
        found, is_decided = search.run()
        if not is_decided and effort and solver.is_there():
            found, is_decided = solver.solve(items, limits, apart, count, effort)
        if found is not None:
            break
        is_proved = is_proved and is_decided
    cards = []
    for card in found or ():
        room = room_for(card, limits)
        if room is None:
            raise AssertionError("the search gave a card that does not fit")
        cards.append((room.fat_bits, tuple(sorted(item.id for item in card))))
    return Division(cards=tuple(sorted(cards, key=lambda card: card[1])), apart=apart, bound=least, is_proved=is_proved)


class _Search:
    """Items put onto at most ``count`` cards one after the other, and taken back: the largest first.

    Each is tried on the card with most of its kind, then on the fullest, then on an empty one: so what is found at once
    is what first-fit decreasing gives.
    """

    def __init__(
        self, items: Sequence[PackingItem], limits: Limits, apart: Sequence[Apart], count: int, steps: int
    ) -> None:
        self.limits, self.count, self.steps = limits, count, steps
        self.share = dict(zip((item.id for item in items), shares(items, limits), strict=True))
        self.order = sorted(items, key=lambda item: (-self.share[item.id], item.kind, item.id))
        self.apart = {frozenset((pair.one, pair.other)) for pair in apart}
        self.cards: list[list[PackingItem]] = []

    def run(self) -> tuple[list[list[PackingItem]] | None, bool]:
        """Return the cards, None where there is no way; and whether that is decided, or the steps came to an end."""
        taken: list[list[PackingItem]] = []  # by item in order: the card it is on
        untried = [self._choices(0)]
        for _ in range(self.steps):
            if len(taken) == len(self.order):
                return self.cards, True
            if not untried[-1]:
                untried.pop()
                if not taken:
                    return None, True
                taken.pop().pop()
                self.cards = [card for card in self.cards if card]
                continue
            card, item = untried[-1].pop(), self.order[len(taken)]
            if self._fits(card, item):
                if not card:
                    self.cards.append(card)
                card.append(item)
                taken.append(card)
                untried.append(self._choices(len(taken)))
        return None, False

    def _choices(self, number: int) -> list[list[PackingItem]]:
        """Return the cards that the item of a number may go onto, the best last."""
        if number == len(self.order):
            return []
        kind = self.order[number].kind
        cards = sorted(
            self.cards,
            key=lambda card: (
                sum(item.kind == kind for item in card),
                sum(self.share[item.id] for item in card),
            ),
        )
        return [*([[]] if len(cards) < self.count else []), *cards]

    def _fits(self, card: Sequence[PackingItem], item: PackingItem) -> bool:
        if any(frozenset((placed.id, item.id)) in self.apart for placed in card):
            return False
        return any(fit((*card, item), room, self.limits) for room in self.limits.rooms)
