"""What manifests say of each other: ids, tags, settings and display outputs.

The checks read TOML values as they come, so that a manifest's own problems do not hide what it says of others. Where
a manifest could not be read at all, nothing is said about what it might have held.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cached_property
from itertools import islice
from typing import Any

from pipeline.errors import Place, Problem
from pipeline.manifest.checks.self_checks import tables, texts
from pipeline.manifest.schema.messages import SHOWN_KEYS
from pipeline.manifest.text.limits import ENOUGH
from pipeline.manifest.text.parsed import ParsedManifest
from pipeline.manifest.text.positions import Part, spell
from pipeline.model.text import did_you_mean, quote, quoted, shown

Kind = Mapping[str, ParsedManifest]


class References:
    """Every manifest, by kind and id."""

    def __init__(self, examined: Sequence[ParsedManifest]) -> None:
        self.boards, self.cores, self.titles, self.cards, self.stations = (
            {manifest.id: manifest for manifest in examined if manifest.kind == kind}
            for kind in ("board", "core", "title", "card", "station")
        )

    def problems(self) -> Iterator[Problem]:
        """Yield every reference that leads nowhere or to what does not fit, not yet located."""
        for title in self.titles.values():
            yield from _ids(title, "core", self.cores)
            yield from _ids(title, "like", self.titles, "title")
        for core in self.cores.values():
            yield from _ids(core, "boards", self.boards)
            boards = [self.boards[id_] for _, id_ in _said(core, "boards") if id_ in self.boards]
            for board in boards:
                yield from _settings(core, ("needs", "settings"), board)
            yield from _of_outputs(core, boards)
        for station in self.stations.values():
            yield from self._inputs(station)
        for card in self.cards.values():
            yield from self._of_card(card)

    def _of_card(self, card: ParsedManifest) -> Iterator[Problem]:
        yield from _ids(card, "board", self.boards)
        yield from _ids(card, "cores", self.cores)
        yield from _ids(card, "titles", self.titles)
        yield from self._tags(card)
        yield from self._stations_of(card)
        for _, id_ in _said(card, "board"):
            if id_ in self.boards:
                yield from _settings(card, ("settings",), self.boards[id_])
                yield from self._other_boards(card, self.boards[id_])
        yield from self._lonely_titles(card)

    def _stations_of(self, card: ParsedManifest) -> Iterator[Problem]:
        yield from _ids(card, "stations", self.stations)
        named = {id_: None for _, id_ in _said(card, "stations")}
        for key, id_ in islice(_said(card, "required-stations"), ENOUGH):
            if id_ not in named:
                what = f"found {quote(id_)}, expected one of the stations of this card"
                known = _hint(id_, list(named or self.stations), "stations")
                hint = f"add {quote(id_)} to stations" if id_ in self.stations else known
                also = (Place(card.file, key="stations"),) if named else ()
                yield Problem(Place(card.file, key=key), what, hint, also)

    def _inputs(self, station: ParsedManifest) -> Iterator[Problem]:
        boards = list(self.boards.values())
        for index, _ in tables((station.data or {}).get("displays")):
            yield from _outputs(station, _said(station, "displays", index, "inputs"), boards, "the boards")

    def _tags(self, card: ParsedManifest) -> Iterator[Problem]:
        """Yield the tags that nothing carries, and those that take nothing onto the card."""
        tagged = [*self.cores.values(), *self.titles.values()]
        if any(manifest.data is None for manifest in tagged):
            return
        cores = {core.id for _, core in self._cores_of(card)}
        for key, tag in _said(card, "tags"):
            carriers = self._carriers.get(tag, [])
            wanted = {core for manifest in carriers for _, core in _said(manifest, "core")}
            if not carriers:
                what = f"found {quote(tag)}, expected a tag that some core or title carries"
                yield Problem(Place(card.file, key=key), what, _hint(tag, sorted(self._carriers), "tags"))
            elif (
                not wanted & cores
                and wanted <= set(self.cores)
                and all(manifest.kind == "title" for manifest in carriers)
            ):
                what = f"found {quote(tag)}, which only titles carry whose core is not on this card"
                yield Problem(Place(card.file, key=key), what, f"add {quoted(sorted(wanted))} to cores")

    @cached_property
    def _carriers(self) -> Mapping[str, Sequence[ParsedManifest]]:
        """The cores and titles that carry each tag."""
        carriers: defaultdict[str, list[ParsedManifest]] = defaultdict(list)
        for manifest in (*self.cores.values(), *self.titles.values()):
            for _, tag in _said(manifest, "tags"):
                carriers[tag].append(manifest)
        return carriers

    def _cores_of(self, card: ParsedManifest) -> Iterator[tuple[str, ParsedManifest]]:
        """Yield the cores on a card with the key that puts them there: by id, then those that carry a tag."""
        named = {id_: key for key, id_ in _said(card, "cores")}
        tags = {tag: key for key, tag in _said(card, "tags")}
        for id_, core in self.cores.items():
            carried = [tags[tag] for _, tag in _said(core, "tags") if tag in tags]
            if id_ in named or carried:
                yield named.get(id_) or carried[0], core

    def _other_boards(self, card: ParsedManifest, board: ParsedManifest) -> Iterator[Problem]:
        for key, core in self._cores_of(card):
            boards = [id_ for _, id_ in _said(core, "boards")]
            if boards and board.id not in boards:
                what = f'core "{core.id}" is for board {quoted(boards)}, this card for board "{board.id}"'
                hint = "take a build of the core that was made for this board; never load another board's bitstream"
                yield Problem(Place(card.file, key=key), what, hint, (Place(core.file, key="boards"),))

    def _lonely_titles(self, card: ParsedManifest) -> Iterator[Problem]:
        """Yield the titles that a card names and whose core it does not have; by tag, they are just not taken."""
        cores = {core.id for _, core in self._cores_of(card)}
        if "tags" in (card.data or {}):
            cores |= {core.id for core in self.cores.values() if core.data is None}  # it may carry one of them
        for key, id_ in _said(card, "titles"):
            for _, core in _said(self.titles[id_], "core") if id_ in self.titles else ():
                if core in self.cores and core not in cores:
                    what = f'title "{id_}" runs on core "{core}", which is not on this card'
                    also: tuple[Place, ...] = (Place(self.titles[id_].file, key="core"),)
                    if "cores" in (card.data or {}):
                        also += (Place(card.file, key="cores"),)
                    yield Problem(
                        Place(card.file, key=key), what, f'add "{core}" to cores, or take the title out', also
                    )


def _said(manifest: ParsedManifest, *keys: Part) -> Iterator[tuple[str, str]]:
    return texts(manifest.data or {}, *keys)


def _ids(manifest: ParsedManifest, key: str, known: Kind, noun: str = "") -> Iterator[Problem]:
    noun = noun or key.removesuffix("s")
    unknown = ((where, id_) for where, id_ in _said(manifest, key) if id_ not in known)
    for where, id_ in islice(unknown, ENOUGH):
        what = f"found {quote(id_)}, expected the id of a {noun}"
        yield Problem(Place(manifest.file, key=where), what, _hint(id_, list(known), f"{noun}s"))


def _settings(manifest: ParsedManifest, keys: tuple[str, ...], board: ParsedManifest) -> Iterator[Problem]:
    """Yield the settings and choices that a board does not have."""
    settings: Any = (board.data or {}).get("settings", {})
    if board.data is None or not isinstance(settings, dict):
        return
    for key, choice in _said(manifest, *keys):
        name = key.removeprefix(".".join((*keys, "")))
        if name not in settings:
            what = f'found setting {quote(name)}, expected one that board "{board.id}" has'
            place = Place(board.file, key="settings" if settings else "")
            yield Problem(Place(manifest.file, key=key), what, _hint(name, list(settings), "settings"), (place,))
            continue
        choices = settings[name].get("choices") if isinstance(settings[name], dict) else None
        if isinstance(choices, dict) and choice not in choices:
            what = f'found {quote(choice)}, expected a choice of setting "{name}" of board "{board.id}"'
            place = Place(board.file, key=f"settings.{name}.choices")
            yield Problem(Place(manifest.file, key=key), what, _hint(choice, list(choices), "choices"), (place,))


def _outputs(
    manifest: ParsedManifest, stated: Iterable[tuple[str, str]], boards: Sequence[ParsedManifest], whose: str
) -> Iterator[Problem]:
    """Yield the outputs named that none of the boards has; boards that list none have said nothing."""
    known = sorted({output for board in boards for _, output in _said(board, "outputs")})
    if not known or any(board.data is None for board in boards):
        return
    for key, output in stated:
        if output not in known:
            what = f"found {quote(output)}, expected a display output that one of {whose} has"
            also = tuple(Place(board.file, key="outputs") for board in boards)
            yield Problem(Place(manifest.file, key=key), what, _hint(output, known, "outputs"), also)


def _of_outputs(core: ParsedManifest, boards: Sequence[ParsedManifest]) -> Iterator[Problem]:
    """Yield outputs a core tells something of without driving them; one that lists none may drive all of its board."""
    driven = [output for _, output in _said(core, "needs", "outputs")]
    yield from _outputs(core, _said(core, "needs", "outputs"), boards, "the core's boards")
    if not driven:
        yield from _outputs(core, _told_of(core), boards, "the core's boards")
        return
    for key, output in _told_of(core):
        if output not in driven:
            what = f"found {quote(output)}, expected an output that the core drives"
            also = (Place(core.file, key="needs.outputs"),)
            yield Problem(Place(core.file, key=key), what, _hint(output, driven, "outputs"), also)


def _told_of(core: ParsedManifest) -> Iterator[tuple[str, str]]:
    """Yield each output of which a core tells how to get there or at which line rates, with its key."""
    needs: Any = (core.data or {}).get("needs", {})
    yield from _said(core, "needs", "start-output")
    for name in ("switch", "output-line-rates"):
        table = needs.get(name, {}) if isinstance(needs, dict) else {}
        for output in table if isinstance(table, dict) else ():
            yield spell(("needs", name, output)), output


def _hint(name: str, known: Sequence[str], noun: str) -> str:
    more = ", ..." if len(known) > SHOWN_KEYS else ""
    some = f"the {noun} are {shown(', '.join(known[:SHOWN_KEYS]))}{more}"
    return did_you_mean(name, known, some if known else f"there are no {noun} yet")
