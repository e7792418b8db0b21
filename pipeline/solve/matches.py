"""Where parts of sources stand in the finished file, whatever was done to their lines: direct, or in lanes."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from typing import NamedTuple

from pipeline.roms.operations.table import PIECES
from pipeline.solve.atoms import Atom, AtomSource, Changes, changed, common, differing
from pipeline.solve.values import differences, find_changes

WINDOW = 16
"""Differences that are looked up at a time."""
SPACING = 15
"""Bytes from one looked-up place of a run to the next, at least; odd, so that it meets units at every phase."""
MOST_ANCHORS = 100_000
"""Places that are remembered at a time: bounds memory."""
MOST_ALIKE = 32
"""Places with the same differences that are remembered; more are repeats, which are told from the first ones."""
SHORTEST = 24
"""Bytes of a part that counts as found; fewer are found by chance."""
MOST_FOUND = 5_000
NEAR = 32
"""Bytes between two parts of a chip, or between one and the end of its chip, that may differ."""
UNITS = (1, 2, 4)
"""Bytes of a unit within which lines may have been exchanged."""
FIELD = 4
"""Bytes that may differ where a check field lies over a part."""
ROUND = 16
"""Parts of chips begin and end at multiples of so many bytes, as a rule."""
MOST_WRONG = 64
"""Bytes that may differ in one part."""


class LaneMatches(NamedTuple):
    """One lane of a run: ``unit`` bytes at ``start``, and every ``lanes`` units from there."""

    start: int
    lanes: int
    unit: int

    def cut(self, data: bytes, units: int | None = None) -> bytes:
        """Return the lane's bytes, all or so many units."""
        step = self.lanes * self.unit
        whole = max((len(data) - self.start - self.unit) // step + 1, 0)
        units = whole if units is None else min(units, whole)
        end = self.start + units * step
        if self.unit == 1:
            return data[self.start : end : step]
        lane = bytearray(units * self.unit)
        for j in range(self.unit):
            lane[j :: self.unit] = data[self.start + j : end : step][:units]
        return bytes(lane)


@dataclass(frozen=True, slots=True)
class Match:
    """An atom in a lane, ``at`` bytes from the lane's start."""

    lane: LaneMatches
    at: int
    atom: Atom
    wrong: int = 0


@dataclass(slots=True)
class _Run:
    lane: LaneMatches
    data: bytes
    weights: bytes


def find_matches(
    target: bytes, lanes: Iterable[LaneMatches], sources: Sequence[AtomSource], unit: int, open_: bytes
) -> list[Match]:
    """Return the parts of sources that stand in lanes of the target, changed within units of so many bytes.

    ``open_``: a byte for each of the target's, 1 where it is still to be explained.
    """
    runs = []
    for lane in lanes:
        data = lane.cut(target)
        if len(data) >= (WINDOW + 1) * unit:
            runs.append(_Run(lane, data, differences(data, unit)))
    anchors = _anchors(runs, unit, open_)
    found: list[Match] = []
    covered: dict[tuple[int, int, int], list[tuple[int, int]]] = defaultdict(list)
    for number, source in enumerate(sources):
        weights = differences(source.data, unit)
        units = weights[::unit]
        for n in range(len(units) - WINDOW + 1):
            places = anchors.get(units[n : n + WINDOW])
            if places is None:
                continue
            at = n * unit
            for run_number, run_at in places:
                known = covered[number, run_number, run_at - at]
                if any(start <= run_at < end for start, end in known):
                    continue
                match = _extended(source, weights, at, runs[run_number], run_at, unit)
                if match is None:
                    known.append((run_at, run_at + WINDOW * unit))
                else:
                    found.append(match)
                    known.append((match.at, match.at + match.atom.size))
            if len(found) > MOST_FOUND:
                return found
    return found


def _anchors(runs: Sequence[_Run], unit: int, open_: bytes) -> dict[bytes, list[tuple[int, int]]]:
    anchors: dict[bytes, list[tuple[int, int]]] = {}
    total = sum(len(run.weights) for run in runs)
    spacing = max(SPACING, total // MOST_ANCHORS | 1)
    for number, run in enumerate(runs):
        lane = run.lane
        step = lane.lanes * lane.unit
        for at in range(0, len(run.weights) - (WINDOW - 1) * unit, spacing):
            window = run.weights[at : at + WINDOW * unit : unit]
            if len(window) - window.count(0) < 6 or len(set(window)) < 3:
                continue
            if not open_[lane.start + at // lane.unit * step]:
                continue
            places = anchors.setdefault(window, [])
            if len(places) < MOST_ALIKE:
                places.append((number, at))
    return anchors


def _extended(source: AtomSource, weights: bytes, at: int, run: _Run, run_at: int, unit: int) -> Match | None:
    """Return the longest part around a place at which the differences agree, None where no change explains it."""
    ahead = common(weights[at::unit], run.weights[run_at::unit])
    behind = 0
    if at >= unit and run_at >= unit:
        behind = common(weights[at - unit :: -unit], run.weights[run_at - unit :: -unit])
    changes = _solved(source.data, at, run.data, run_at, unit, behind, ahead + 1)
    if changes is None:
        return None
    whole = changed(source.data[: len(source.data) // unit * unit], changes)
    after = common(whole[at:], run.data[run_at:]) // unit
    before = 0
    if at and run_at:
        before = common(whole[at - 1 :: -1], run.data[run_at - 1 :: -1]) // unit
    size = (before + after) * unit
    start = at - before * unit
    wanted = SHORTEST * unit if unit > 1 else SHORTEST
    if size < min(wanted, len(source.data)) or size < WINDOW:
        return None
    return Match(run.lane, run_at - before * unit, Atom(source, start, size, changes, unit))


def _solved(source: bytes, at: int, run: bytes, run_at: int, unit: int, behind: int, ahead: int) -> Changes | None:
    for cut in (0, 3, 8, 24):
        back, front = max(behind - cut, 0), max(ahead - cut, min(ahead, WINDOW + 1))
        before = source[at - back * unit : at + front * unit]
        after = run[run_at - back * unit : run_at + front * unit]
        changes = find_changes(before, after, unit)
        if changes is not None:
            return changes
    window = (WINDOW + 1) * unit
    return find_changes(source[at : at + window], run[run_at : run_at + window], unit)


def tolerant(matches: Sequence[Match], target: bytes) -> list[Match]:
    """Return the matches, and those that a few differing bytes keep from being longer.

    Two of one chip that go on at the same place become one across a short gap, and each reaches to the ends of its
    chip where they are near.
    """
    alike: dict[object, list[Match]] = defaultdict(list)
    for match in matches:
        atom = match.atom
        alike[match.lane, atom.source, str(atom.then), match.at - atom.offset].append(match)
    found = list(matches)
    for few in alike.values():
        few.sort(key=lambda match: match.at)
        lane = few[0].lane.cut(target)
        group = [few[0]]
        for match in few[1:]:
            if match.at - group[-1].at - group[-1].atom.size > NEAR:
                found += _wider(group[0], group[-1], lane)
                group = []
            group.append(match)
        found += _wider(group[0], group[-1], lane)
        for match in few:
            found += _beside(match, lane)
    return found


def _beside(match: Match, lane: bytes) -> Iterator[Match]:
    """Yield the rest of the chip where it stands on the other side of a part: runs of one value are not looked up."""
    atom = match.atom
    end, size = atom.offset + atom.size, len(atom.source.data) // atom.unit * atom.unit
    if atom.size < size:
        first, second = end, atom.offset
    else:
        first = second = size // 2 // atom.unit * atom.unit
    for start, stop, at in ((first, size, match.at - size + first), (0, second, match.at + atom.size)):
        if stop - start >= SHORTEST and at >= 0:
            rest = Atom(atom.source, start, stop - start, atom.then, atom.unit)
            found = lane[at : at + rest.size]
            wrong = differing(rest.data, found) if len(found) == rest.size else rest.size
            if wrong <= FIELD:
                yield Match(match.lane, at, rest, wrong)


def _wider(first: Match, last: Match, lane: bytes) -> Iterator[Match]:
    """Yield matches from the first to the last: to the ends of the chip, and to round places of it."""
    atom = first.atom
    start, end = atom.offset, last.atom.offset + last.atom.size
    shift = first.at - start
    size = len(atom.source.data) // atom.unit * atom.unit
    low, high = max(-shift, 0), min(size, len(lane) - shift)
    starts = {start, start // ROUND * ROUND, 0 if start <= NEAR else start}
    ends = {end, -(-end // ROUND) * ROUND, size if size - end <= NEAR else end}
    for a in sorted(starts):
        for b in sorted(ends):
            if (
                (a, b) == (atom.offset, atom.offset + atom.size)
                or a < low
                or b > high
                or a % atom.unit
                or b % atom.unit
            ):
                continue
            wide = Atom(atom.source, a, b - a, atom.then, atom.unit)
            wrong = differing(wide.data, lane[shift + a : shift + b])
            if wrong <= MOST_WRONG:
                yield Match(first.lane, shift + a, wide, wrong)


def direct() -> Iterator[LaneMatches]:
    """Yield the one lane of a run as it stands."""
    yield LaneMatches(0, 1, 1)


def kinds() -> list[tuple[int, int]]:
    """Return every number of lanes and width of their units that the steps of a manifest can interleave."""
    operation = PIECES["interleave"]
    units = []
    for unit in UNITS:
        try:
            operation.arguments["unit"].parse(unit)
        except ValueError:
            continue
        units.append(unit)
    return [(count, unit) for count, unit in product(sorted(operation.parts), units)]
