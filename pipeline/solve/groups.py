"""Lanes that were found, put together as interleaves."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from pipeline.solve.atoms import Atom, AtomSource, Built, Span, bytes_of, differing, is_run
from pipeline.solve.matches import LaneMatches, Match
from pipeline.solve.merge import interleaved, joined, leaves, merged

LEAST = 8
"""Bytes of a lane, at least."""
SHORTEST_RUN = 16
"""Bytes of one value that may stand for a lane, at least."""
MOST_STARTS = 4_000
MOST_SIZES = 4
"""Sizes of an interleave for which a lane that was not found is worked out."""
MOST_TRIES = 64
"""Starts at which lanes that were not found are worked out from their bytes."""

LaneSolver = Callable[[bytes], Atom | Built | None]


@dataclass(frozen=True, slots=True)
class _Part:
    """Units of a lane, counted from its phase, and what they are."""

    start: int
    end: int
    made: Atom | Built
    wrong: int = 0


def groups(target: bytes, matches: Iterable[Match], chips: Mapping[str, bytes], solve_lane: LaneSolver) -> list[Span]:
    """Return every interleave that the matches allow; where one lane lacks, ``solve_lane`` is asked for it."""
    kinds: dict[tuple[int, int], dict[int, list[_Part]]] = defaultdict(lambda: defaultdict(list))
    for match in matches:
        part = _in_units(match)
        if part:
            kinds[match.lane.lanes, match.lane.unit][match.lane.start].append(part)
    found: list[Span] = []
    for (count, unit), phases in sorted(kinds.items()):
        found += _Kind(target, count, unit, phases, chips).spans(solve_lane)
    return found


def _in_units(match: Match) -> _Part | None:
    """Return a match cut to whole units of its lane, None where nothing remains."""
    unit, atom = match.lane.unit, match.atom
    both = max(unit, atom.unit)
    if match.wrong:
        if match.at % unit or atom.size % unit:
            return None
        return _Part(match.at // unit, (match.at + atom.size) // unit, atom, match.wrong)
    front = next((n for n in range(both) if (match.at + n) % unit == 0 and n % atom.unit == 0), None)
    size = (atom.size - (front or 0)) // both * both
    if front is None or size < LEAST:
        return None
    start = (match.at + front) // unit
    return _Part(start, start + size // unit, atom.trimmed(front, size))


@dataclass(slots=True)
class _Kind:
    """All lanes of one number and width."""

    target: bytes
    count: int
    unit: int
    phases: dict[int, list[_Part]]
    chips: Mapping[str, bytes]

    def spans(self, solve_lane: LaneSolver) -> Iterator[Span]:
        step = self.count * self.unit
        starts = {
            phase + part.start * step - lane * self.unit
            for phase, parts in self.phases.items()
            for part in parts
            for lane in range(self.count)
        }
        tries = MOST_TRIES
        done: list[Span] = []
        lacking = []
        for start in sorted(start for start in starts if start >= 0)[:MOST_STARTS]:
            chains = [self._chain(start, lane) for lane in range(self.count)]
            if all(chains):
                done += self._built(start, chains)
            else:
                lacking.append((start, chains))
        for start, chains in lacking:
            if any(span.start <= start < span.end for span in done) or not tries:
                continue
            tries -= 1
            full = self._completed(start, chains, solve_lane)
            if full:
                done += self._built(start, full)
        yield from done

    def _first(self, start: int, lane: int) -> tuple[int, int]:
        """Return the phase of a lane and its first unit, in an interleave that begins at an address."""
        step = self.count * self.unit
        return (start + lane * self.unit) % step, (start + lane * self.unit) // step

    def _chain(self, start: int, lane: int) -> list[_Part]:
        """Return the parts that follow one another in a lane from the start of an interleave on."""
        phase, first = self._first(start, lane)
        parts, at, chain = self.phases.get(phase, []), first, list[_Part]()
        while True:
            fitting = [part for part in parts if part.start <= at < part.end and (part.start == at or not part.wrong)]
            exact = [part for part in fitting if part.start == at]
            if not fitting:
                blank = self._run_at(phase, at, min((part.start for part in parts if part.start > at), default=None))
                if blank is None:
                    return chain
                chain.append(blank)
                at = blank.end
                continue
            best = max(exact or fitting, key=_preference)
            front = (at - best.start) * self.unit
            if not isinstance(best.made, Atom) or front % best.made.unit:
                return chain
            made = best.made.trimmed(front, best.made.size - front)
            chain.append(_Part(at, best.end, made, best.wrong))
            at = best.end

    def _run_at(self, phase: int, at: int, before: int | None) -> _Part | None:
        """Return the run of one value that a lane has at a unit, up to the next part at most."""
        step = self.count * self.unit
        data = LaneMatches(phase + at * step, self.count, self.unit).cut(
            self.target, None if before is None else before - at
        )
        size = len(data) - len(data.lstrip(data[:1]))
        size -= size % self.unit
        if size < SHORTEST_RUN:
            return None
        return _Part(at, at + size // self.unit, run(data[0], size))

    def _completed(self, start: int, chains: Sequence[list[_Part]], solve_lane: LaneSolver) -> list[list[_Part]] | None:
        """Return the chains with those that lack worked out from the bytes of the lane, None where one stays open."""
        known = [(chain, self._first(start, lane)[1]) for lane, chain in enumerate(chains) if chain]
        most = min(chain[-1].end - first for chain, first in known)
        whole = {len(part.made.source.data) // self.unit for chain, _ in known for part in chain[:1]
                 if isinstance(part.made, Atom)}  # fmt: skip
        sizes = {most, min(chain[0].end - first for chain, first in known), *(size for size in whole if size <= most)}
        for units in sorted(sizes, reverse=True)[:MOST_SIZES]:
            full = self._with(start, chains, units, solve_lane)
            if full:
                return full
        return None

    def _with(
        self, start: int, chains: Sequence[list[_Part]], units: int, solve_lane: LaneSolver
    ) -> list[list[_Part]] | None:
        full = []
        for lane, chain in enumerate(chains):
            _, first = self._first(start, lane)
            if chain:
                full.append(chain)
                continue
            data = LaneMatches(start + lane * self.unit, self.count, self.unit).cut(self.target, units)
            if len(data) < units * self.unit:
                return None
            made = solve_lane(data)
            if made is None:
                return None
            full.append([_Part(first, first + units, made)])
        return full

    def _built(self, start: int, chains: Sequence[list[_Part]]) -> Iterator[Span]:
        """Yield the interleaves that begin at an address: one up to each run of one value that goes across all lanes.

        Where all lanes end together and nothing is gained by one, each is several.
        """
        firsts = [self._first(start, lane)[1] for lane in range(self.count)]
        units = min(chain[-1].end - first for chain, first in zip(chains, firsts, strict=True))
        begin = 0
        for blank_start, blank_end in [*_common_runs(chains, firsts, units), (units, units)]:
            if (blank_start - begin) * self.unit >= LEAST:
                end = self._without_blank(start, begin, blank_start, chains, firsts)
                cut = [_cut(chain, first, begin, end, self.unit) for chain, first in zip(chains, firsts, strict=True)]
                lanes = [lane for lane in cut if lane is not None]
                if len(lanes) == self.count:
                    yield from self._spans(start + begin * self.count * self.unit, lanes)
            begin = blank_end

    def _without_blank(
        self, start: int, begin: int, end: int, chains: Sequence[list[_Part]], firsts: Sequence[int]
    ) -> int:
        """Return the first end of a lane's part behind which all lanes hold one value: a fill, and no lanes."""
        step = self.count * self.unit
        ends = {part.end - first for chain, first in zip(chains, firsts, strict=True) for part in chain}
        for part_end in sorted(place for place in ends if begin < place < end):
            rest = self.target[start + part_end * step : start + end * step]
            if rest.count(rest[0]) == len(rest):
                return part_end
        return end

    def _spans(self, start: int, lanes: Sequence[list[Span]]) -> Iterator[Span]:
        whole = [joined([span.made for span in merged(lane)]) for lane in lanes]
        ends = sorted(set.intersection(*({span.end for span in lane} for lane in lanes)))
        if len(ends) == 1 or sum(map(leaves, whole)) < sum(map(len, lanes)):
            yield self._span(start, self.count * lanes[0][-1].end, whole)
            return
        begin = 0
        for end in ends:
            part = [[span for span in lane if begin <= span.start < end] for lane in lanes]
            pieces = [joined([span.made for span in merged(lane)]) for lane in part]
            if not all(map(is_run, pieces)):
                yield self._span(start + begin * self.count, (end - begin) * self.count, pieces)
            begin = end

    def _span(self, start: int, size: int, lanes: Sequence[Atom | Built]) -> Span:
        built = interleaved(lanes, self.unit)
        wrong = differing(bytes_of(built.piece, self.chips), self.target[start : start + size])
        return Span(start, start + size, built, wrong)


def _common_runs(chains: Sequence[list[_Part]], firsts: Sequence[int], units: int) -> list[tuple[int, int]]:
    """Return from which unit up to which all lanes hold runs of one value."""
    common = [(0, units)]
    for chain, first in zip(chains, firsts, strict=True):
        runs = [(part.start - first, part.end - first) for part in chain if is_run(part.made)]
        common = [
            (max(start, low), min(end, high)) for start, end in common for low, high in runs
            if max(start, low) < min(end, high)
        ]  # fmt: skip
    return common


def _preference(part: _Part) -> tuple[bool, int, int]:
    """Return what speaks for a part: that it ends where its chip ends, and that it is long."""
    atom = part.made
    ends = isinstance(atom, Atom) and atom.offset + atom.size == len(atom.source.data)
    return ends and not part.wrong, part.end, -part.wrong


def _cut(chain: Sequence[_Part], first: int, begin: int, units: int, unit: int) -> list[Span] | None:
    """Return a chain's units from ``begin`` up to ``units`` as spans of the lane's bytes, from 0 on.

    None where an atom cannot be cut there.
    """
    spans = []
    for part in chain:
        start, end = max(part.start - first, begin), min(part.end - first, units)
        if start >= end:
            continue
        made = part.made
        if end - start < part.end - part.start:
            front, size = (start - part.start + first) * unit, (end - start) * unit
            if not isinstance(made, Atom) or size % made.unit or front % made.unit:
                return None
            made = made.trimmed(front, size)
        spans.append(Span((start - begin) * unit, (end - begin) * unit, made))
    return spans


def run(value: int, size: int) -> Atom:
    """Return a run of one value."""
    return Atom(AtomSource("", bytes([value]) * size), 0, size)
