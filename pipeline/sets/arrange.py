"""Sets of dumps become titles: the layout of each, its chips by socket, and the set that it is a variant of.

A set that lacks chips may be a variant, which states only what differs from another set. That is told by what is
missing, so only a set that has what it lacks can be the other one; and which of several that is, is known in four
ways, from the surest on: a checksum list, a chip that both have in the same socket, that there is no other, and,
as a hint that proves nothing, the beginning of the name. That such sets are kept so is common practice.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from pipeline.model.manifest import KnownChip, Layout
from pipeline.model.text import counted, listed
from pipeline.sets.match import Dump, MatchedSet, match

BY_HINT = "its name, which is only a hint"


@dataclass(frozen=True, slots=True, kw_only=True)
class DumpSet:
    """A set of dumps: the id of the title it is to become, and its name as it stands."""

    id: str
    name: str
    dumps: tuple[Dump, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Arranged:
    """What a set comes to.

    ``layout``: "" where none was chosen, and ``why`` says so. ``like``: the title that it is a variant of, "" for none,
    and ``how`` that is known; ``same``: the sockets in which that has the same chip. ``others``: where it lacks chips
    and several titles have them, these.
    """

    layout: str = ""
    matched: MatchedSet | None = None
    why: str = ""
    like: str = ""
    how: str = ""
    same: frozenset[str] = frozenset()
    others: tuple[str, ...] = ()


Chips = Mapping[str, str]
"""The SHA-256 of the chip in each socket."""


def arrange(
    sets: Sequence[DumpSet],
    layouts: Mapping[str, Layout],
    titles: Mapping[str, Mapping[str, Chips]],
    *,
    in_order: bool = False,
) -> list[Arranged]:
    """Return what each set comes to.

    ``layouts``: those to choose from. ``titles``: those that are there already,
    by layout and id, with their chips; a set is no variant of a set that has their id.
    """
    sockets_of = {name: _by_content(layout.known) for name, layout in layouts.items()}

    def matched(name: str, dump_set: DumpSet) -> MatchedSet:
        sockets = layouts[name].sockets
        return match(sockets, dump_set.dumps, name=dump_set.name, listed=sockets_of[name], in_order=in_order)

    chosen = [_chosen({name: matched(name, dump_set) for name in layouts}) for dump_set in sets]
    counts = Counter(dump_set.id for dump_set in sets)
    whole = {name: dict(titles.get(name, {})) for name in layouts}
    taken = {id_ for chips in titles.values() for id_ in chips}
    for dump_set, came in zip(sets, chosen, strict=True):
        if came.matched and came.matched.is_whole and counts[dump_set.id] == 1 and dump_set.id not in taken:
            whole[came.layout][dump_set.id] = _chips(came.matched)
    return [
        _with_parent(dump_set, came, whole[came.layout], layouts[came.layout].known) if came.layout else came
        for dump_set, came in zip(sets, chosen, strict=True)
    ]


def _by_content(chips: Iterable[KnownChip]) -> dict[str, frozenset[str]]:
    sockets = defaultdict[str, set[str]](set)
    for chip in chips:
        sockets[chip.sha256].add(chip.socket)
    return {sha256: frozenset(names) for sha256, names in sockets.items()}


def _chosen(results: Mapping[str, MatchedSet]) -> Arranged:
    """Return the one layout there is, or else the one that a set fits: as a whole, or with no dump left."""
    fitting = list(results)
    if len(results) > 1:
        whole = [name for name, result in results.items() if result.is_whole]
        fitting = whole or [name for name, result in results.items() if _is_part(result)]
    if len(fitting) != 1:
        fits = f"fits {counted(len(fitting), 'layout')}, {listed(fitting)}" if fitting else "fits none of the layouts"
        return Arranged(why=fits)
    return Arranged(layout=fitting[0], matched=results[fitting[0]])


def _is_part(result: MatchedSet) -> bool:
    """Whether a set lacks chips and nothing else is the matter: it may be a variant."""
    return bool(result.matches) and not result.left and bool(result.unfilled) and not any(result.unfilled.values())


def _chips(result: MatchedSet) -> dict[str, str]:
    return {socket: match.dump.sha256 for socket, match in result.matches.items()}


def _with_parent(
    dump_set: DumpSet, came: Arranged, titles: Mapping[str, Chips], known: Sequence[KnownChip]
) -> Arranged:
    """Return a set with the title that it is a variant of, where exactly one can be."""
    result = came.matched
    if result is None or not _is_part(result):
        return came
    having = {
        id_: chips for id_, chips in titles.items() if id_ != dump_set.id and result.unfilled.keys() <= chips.keys()
    }
    own = _chips(result)
    like, how = _parent(dump_set.id, own, result.unfilled.keys(), having, known)
    if not like:
        return replace(came, others=tuple(sorted(having)))
    same = frozenset(socket for socket, sha256 in own.items() if having[like].get(socket) == sha256)
    return replace(came, like=like, how=how, same=same)


def _parent(
    id_: str, own: Chips, lacking: Iterable[str], having: Mapping[str, Chips], known: Sequence[KnownChip]
) -> tuple[str, str]:
    """Return the one title of which a set is a variant, and how that is known; "" where that is not known."""
    listed = {chip.socket: chip.sha256 for chip in known if chip.title == id_}
    proven = [
        title_id
        for title_id, chips in having.items()
        if listed and all(listed.get(socket) == chips[socket] for socket in lacking)
    ]
    shared = {
        title_id: sum(chips.get(socket) == sha256 for socket, sha256 in own.items())
        for title_id, chips in having.items()
    }
    sharing = [title_id for title_id, count in shared.items() if count]
    alike = [
        title_id
        for title_id in having
        if id_.startswith(title_id) or id_.partition("-")[0] == title_id.partition("-")[0]
    ]
    if len(proven) == 1:
        return proven[0], "the checksum list"
    if len(sharing) == 1:
        return sharing[0], f"{counted(shared[sharing[0]], 'chip')} that both have"
    if len(having) == 1:
        return next(iter(having)), "the chips it lacks, which no other set has"
    if len(alike) == 1:
        return alike[0], BY_HINT
    return "", ""
