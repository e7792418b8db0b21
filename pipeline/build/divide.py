"""What is wanted as the fewest cards: items from the manifests, drafts of cards, each really laid out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.build.build import Build
from pipeline.build.card import CardBuild
from pipeline.build.inputs import Inputs
from pipeline.errors import ManifestError, Place, Problem
from pipeline.fat.geometry import GeometryError, fit_volume, largest_card
from pipeline.fat.names import fold, short_names, slots
from pipeline.manifest.load import load
from pipeline.manifest.schema.copies import schema_line
from pipeline.manifest.text.write import pair
from pipeline.model.content import CardFile
from pipeline.model.manifest import Board, Card, Core, Manifest, VolumeRequest
from pipeline.model.plan import Volume
from pipeline.model.text import counted, did_you_mean
from pipeline.planner import solver
from pipeline.planner.divide import Division, divide
from pipeline.planner.item import Entry, Limits, PackingItem, Room
from pipeline.workspace.atomic_write import replacing
from pipeline.workspace.workspace import Workspace

PREFERRED = (16, 32, 12)
"""FAT types in the order a card takes them, as when a card is built without stating one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DivisionRequest:
    """What is to be divided. ``titles``: by core. ``size``: of the cards there are, in bytes. ``id``: of the drafts."""

    board: Board
    cores: tuple[Core, ...]
    titles: Mapping[str, tuple[str, ...]]
    stations: tuple[str, ...]
    size: int
    id: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Divided:
    """The drafts of the cards in their order, how they came about, and what the rules warn of."""

    drafts: tuple[Card, ...]
    division: Division
    warnings: tuple[Problem, ...]


def wanted(
    manifest: Manifest,
    board_id: str,
    cores: Sequence[str],
    titles: Sequence[str],
    stations: Sequence[str],
    size: int | None,
    card_id: str,
) -> DivisionRequest:
    """Return what ids on a command line mean; raises ManifestError with all that are not known.

    Without cores and titles it is every core for the board. Without titles each core comes with all of its own.
    """
    problems = [
        *_unknown("board", [board_id], manifest.boards),
        *_unknown("core", cores, manifest.cores),
        *_unknown("title", titles, manifest.titles),
        *_unknown("station", stations, manifest.stations),
    ]
    if problems:
        raise ManifestError(problems)
    board = manifest.boards[board_id]
    named = {*cores, *(manifest.titles[title].core for title in titles)}
    chosen = [core for core in manifest.cores.values() if core.id in named or (not named and board_id in core.boards)]
    problems = [
        Problem(
            Place(core.file, key="boards"),
            f'core "{core.id}" is for {", ".join(core.boards)}, and the cards are for board "{board_id}"',
            "leave it out",
        )
        for core in chosen
        if board_id not in core.boards
    ]
    if size is None and board.largest is None:
        what = f'how large are the cards? Board "{board_id}" states no largest-card'
        problems.append(Problem(Place(), what, 'state it, as in --size "2 GB"'))
    if problems:
        raise ManifestError(problems)
    of = {
        core.id: tuple(
            one.id for one in manifest.titles.values() if one.core == core.id and (one.id in titles or not titles)
        )
        for core in chosen
    }
    largest = min(one for one in (size, board.largest) if one is not None)
    return DivisionRequest(
        board=board,
        cores=tuple(sorted(chosen, key=lambda core: core.id)),
        titles=of,
        stations=tuple(stations),
        size=largest,
        id=card_id or board_id,
    )


def run(inputs: Inputs, want: DivisionRequest) -> Divided:
    """Return the fewest cards, each really worked out and laid out; raises ManifestError with what cannot be on any."""
    volumes = _volumes(want)
    alone = {(core.id, bits): _draft(want, f"{want.id}-{core.id}-{bits}", [core], volume, "")
             for core in want.cores for bits, volume in volumes.items()
             if not core.needs.volumes or f"fat{bits}" in core.needs.volumes}  # fmt: skip
    empty = _draft(want, f"{want.id}-empty", [], next(iter(volumes.values())), "")
    drafts = Build(inputs.with_cards((*alone.values(), empty)))
    works: dict[tuple[str, int], CardBuild] = {}
    problems: list[Problem] = []
    for core in want.cores:
        works |= _works(drafts, core, alone, problems)
    if problems:
        raise ManifestError(problems)
    items, limits = _items(want, volumes, works, drafts.card(empty.id).files)
    division = divide(items, limits)
    return _checked(inputs, want, volumes, division)


def write(workspace: Workspace, divided: Divided) -> tuple[str, ...]:
    """Write the drafts as manifests, all or none, over nothing that is there; return their paths as shown."""
    paths = {workspace.inputs / "cards" / f"{card.id}.toml": card for card in divided.drafts}
    texts = {path: _card_text(path, card) for path, card in paths.items()}
    existing = [path for path in texts if path.exists()]
    if existing:
        what, hint = "exists already; nothing was written", "choose another id with --as, or move it away"
        raise ManifestError(Problem(Place(workspace.shown(path)), what, hint) for path in existing)
    written: list[Path] = []
    try:
        for path, text in texts.items():
            with replacing(path) as temporary:
                temporary.write_text(text, encoding="utf-8", newline="\n")
            written.append(path)
        load(workspace.inputs, workspace.base)
    except BaseException:
        for path in written:
            path.unlink(missing_ok=True)
        raise
    return tuple(workspace.shown(path) for path in texts)


def _card_text(path: Path, card: Card) -> str:
    """Return the manifest of a draft, which goes to a path; nothing in it is left for a person to know."""
    lines = [
        f'# Drafted by "doit divide {card.board}". "doit keys card" lists what else can be said here.',
        pair("name", card.name),
        pair("version", card.version),
        pair("board", card.board),
        pair("cores", card.cores),
        pair("titles", card.titles),
        *([pair("stations", card.stations)] if card.stations else []),
        "",
        "[volume]",
        pair("size", card.volume.size),
        pair("type", card.volume.type),
        pair("label", card.volume.label),
    ]
    return "\n".join([*filter(None, [schema_line(path, "card")]), *lines, ""])


def _unknown(kind: str, ids: Iterable[str], known: Mapping[str, object]) -> Iterator[Problem]:
    for id_ in ids:
        if id_ not in known:
            hint = did_you_mean(id_, known, f"the ids are the names of the files in inputs/{kind}s")
            yield Problem(Place(), f'found "{id_}", expected the id of a {kind}', hint)


def _volumes(want: DivisionRequest) -> dict[int, Volume]:
    """Return the largest volume of each FAT type the board reads that the cards can have, the preferred first."""
    volumes = {}
    errors = []
    for bits in (bits for bits in PREFERRED if f"fat{bits}" in want.board.volumes):
        size = min(want.size, largest_card(bits))
        try:
            volumes[bits] = fit_volume(size, bits, partitioned=want.board.partitioned)
        except GeometryError as error:
            errors.append(Problem(Place(key="--size"), str(error), error.hint))
    if not volumes:
        raise ManifestError(errors)
    return volumes


def _draft(want: DivisionRequest, id_: str, cores: Sequence[Core], volume: Volume, name: str) -> Card:
    return Card(
        id=id_,
        file=f"inputs/cards/{id_}.toml",
        name=name,
        version="1",
        board=want.board.id,
        cores=tuple(core.id for core in cores),
        titles=tuple(title for core in cores for title in want.titles[core.id]),
        tags=(),
        volume=VolumeRequest(
            type=f"fat{volume.fat_bits}", size=min(want.size, largest_card(volume.fat_bits)), label=_label(id_),
            serial=None, timestamp=None,
        ),
        settings={},
        files=(),
        sums=(),
        configs=(),
        edits=(),
        stations=want.stations,
    )  # fmt: skip


def _label(id_: str) -> str:
    """Return a volume label from a draft's id, at most 11 letters and digits; a number at its end stays whole."""
    name, _, number = id_.upper().rpartition("-")
    return f"{name.replace('-', '')[: 11 - len(number)]}{number}"[:11]


def _works(
    drafts: Build, core: Core, alone: Mapping[tuple[str, int], Card], problems: list[Problem]
) -> dict[tuple[str, int], CardBuild]:
    """Return the core alone on a card of each FAT type on which that can be, else add why to ``problems``."""
    works: dict[tuple[str, int], CardBuild] = {}
    reasons: list[Problem] = []
    for key, card in alone.items():
        if key[0] == core.id:
            try:
                worked = drafts.card(card.id)
                _ = worked.plan
            except ManifestError as error:
                reasons += [_of_core(problem, card, core) for problem in error.problems]
            else:
                works[key] = worked
    if not works:
        what = f"core {core.id} reads none of the volumes that the board reads on cards of this size"
        problems += reasons or [Problem(Place(core.file, key="needs.volumes"), what, "leave it out, or change --size")]
    return works


def _of_core(problem: Problem, card: Card, core: Core) -> Problem:
    """Return a problem of a draft as one of the core that is alone on it, since nobody has seen the draft."""
    if problem.place.file != card.file:
        return problem
    what = f"alone on a card of {card.volume.size:,} bytes, {card.volume.type.upper()}: {problem.what}"
    return replace(problem, place=Place(core.file), what=what, hint="leave out titles, or take larger cards")


def _items(
    want: DivisionRequest,
    volumes: Mapping[int, Volume],
    works: Mapping[tuple[str, int], CardBuild],
    base: Sequence[CardFile],
) -> tuple[list[PackingItem], Limits]:
    """Return each core as an item, and what the cards hold."""
    empty_sizes = {fold(file.path): file.content.size or 0 for file in base}
    board_sizes = dict(empty_sizes)
    names = dict(map(_folded, base))
    files: dict[str, tuple[CardFile, ...]] = {}
    for (core_id, _), worked in works.items():
        for file in worked.files:
            path, size = fold(file.path), file.content.size or 0
            if file.origin.kind == "menu" and path in board_sizes:  # one for all: each core adds its lines
                board_sizes[path] += size - empty_sizes[path]
            elif path in board_sizes:  # a setting may make the board's own file longer
                board_sizes[path] = max(board_sizes[path], size)
        files[core_id] = tuple(file for file in worked.files if fold(file.path) not in board_sizes)
    trees = {core_id: _entries(path.path for path in files_on) for core_id, files_on in files.items()}
    own = _entries(names.values())
    users = Counter(folder for tree in (own, *trees.values()) for folder in {entry[0] for entry in tree})
    shared = {folder for folder, count in users.items() if count > 1} | {""}
    items = []
    for core in want.cores:
        types = [bits for core_id, bits in works if core_id == core.id]
        tree = trees[core.id]
        sizes = [file.content.size or 0 for file in files[core.id]]
        items.append(
            PackingItem(
                id=core.id,
                kind=core.kind,
                types=frozenset(types),
                settings=tuple(sorted(core.needs.settings.items())),
                first=next((file.path for file in files[core.id] if file.placement == "first"), ""),
                paths=frozenset(fold(file.path) for file in files[core.id]),
                folders=frozenset(entry[0] for entry in tree if entry[0]),
                clusters={bits: _clusters(sizes, tree, shared, volumes[bits]) for bits in types},
                entries=tuple(sorted(entry for entry in tree if entry[0] in shared)),
            )
        )
    rooms = tuple(
        Room(
            fat_bits=bits, clusters=volume.clusters, cluster_bytes=volume.cluster_bytes,
            taken=_clusters(board_sizes.values(), own, shared, volume), root_slots=volume.root_entries,
        )
        for bits, volume in volumes.items()
    )  # fmt: skip
    label = {("", "", 1)} if want.board.label_entry != "none" else set()  # each draft has one; files have a name
    entries = tuple(sorted({entry for entry in own if entry[0] in shared} | label))
    return items, Limits(rooms=rooms, core_slots=want.board.core_slots, entries=entries)


def _folded(file: CardFile) -> tuple[str, str]:
    return fold(file.path), file.path


def _entries(paths: Iterable[str]) -> set[Entry]:
    """Return the directory entry of each path and of each folder above it, the slots told by its name alone."""
    entries: set[Entry] = set()
    for path in paths:
        while path:
            above, _, name = path.rpartition("/")
            entries.add((fold(above), fold(name), slots(name, short_names([name])[0])))
            path = above
    return entries


def _clusters(sizes: Iterable[int], tree: Iterable[Entry], shared: set[str], volume: Volume) -> int:
    """Return the clusters of files, and of the folders that are not shared."""
    slots_in: Counter[str] = Counter()
    for folder, _, count in tree:
        if folder not in shared:
            slots_in[folder] += count
    folders = (32 * (2 + count) for count in slots_in.values())
    return sum(-(-size // volume.cluster_bytes) for size in (*sizes, *folders))


def _checked(inputs: Inputs, want: DivisionRequest, volumes: Mapping[int, Volume], division: Division) -> Divided:
    """Return the drafts, each worked out and laid out as a build would do it."""
    by_id = {core.id: core for core in want.cores}
    count = len(division.cards)
    drafts = []
    for number, (bits, ids) in enumerate(division.cards, 1):
        name = f"{want.board.name}, card {number} of {count}"
        drafts.append(_draft(want, f"{want.id}-{number}", [by_id[id_] for id_ in ids], volumes[bits], name))
    checked = Build(inputs.with_cards(drafts))
    warnings: set[Problem] = set()
    for card in drafts:
        worked = checked.card(card.id)
        _ = worked.plan
        warnings.update(worked.judgement.warnings)
    return Divided(drafts=tuple(drafts), division=division, warnings=tuple(sorted(warnings)))


def divided_lines(want: DivisionRequest, divided: Divided) -> list[str]:
    """Return the cards, why no fewer do, and what cannot share a card."""
    division = divided.division
    head = f"{counted(len(want.cores), 'core')} and {counted(sum(map(len, want.titles.values())), 'title')}"
    lines = [f"{head} for board {want.board.id}: {counted(len(divided.drafts), 'card')}"]
    for card in divided.drafts:
        titles = counted(len(card.titles), "title")
        lines.append(f"  {card.id}: {card.volume.type.upper()}, {', '.join(card.cores)}; {titles}")
    lines += [f"why     {reason(divided)}"] if divided.drafts else []
    lines += [f"apart   {pair.why}" for pair in division.apart]
    lines += [f"warning {problem.what}" for problem in divided.warnings]
    return lines


def reason(divided: Divided) -> str:
    """Return why there are no fewer cards."""
    division, count = divided.division, len(divided.drafts)
    if division.bound.cards == count:
        return division.bound.why
    if division.is_proved:
        return f"every division over {count - 1} was tried; none fits"
    at_least = f"at least {division.bound.cards} are needed: {division.bound.why}"
    extra = "" if solver.is_there() else ' (the extra "divide" brings a solver that searches further)'
    return f"fewer cards may be possible; the search limit was reached{extra}. {at_least}"
