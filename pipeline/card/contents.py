"""Which files a card holds, from what, and which config files must be written or changed for it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from pipeline.card.core_on_board import bitstream_path, fields_of, join, menu_path
from pipeline.card.select import Selection
from pipeline.errors import ManifestError, Place, Problem
from pipeline.fat.names import fold
from pipeline.model.content import CardFile, CardFolder, Content, Origin
from pipeline.model.manifest import Card, ConfigEdit, ConfigFile, Core, OwnFile, SumList, Title
from pipeline.model.rules import FILES_TO_CHANGE_ARE_THERE
from pipeline.model.text import did_you_mean


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What must be known from outside before a card's files can be listed.

    ``trees``: for each path below the inputs that a manifest copies from, its files as (relative path, content);
    a single file has the relative path "". ``sums``: for each checksum list, its (SHA-256, path) lines. ``sizes``:
    bytes of contents that are declared by hash alone. ``empty_folders``: for each path of ``trees``, the relative paths
    of folders in it that hold no file, "" for itself. ``roms``: for (title id, ROM path) its content.
    """

    trees: Mapping[str, tuple[tuple[str, Content], ...]]
    sums: Mapping[str, tuple[tuple[str, str], ...]]
    sizes: Mapping[str, int]
    roms: Mapping[tuple[str, str], Content]
    empty_folders: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfigJob:
    """One config file of a card: written anew from ``write``, or an existing file, and then changed by ``edits``.

    ``each``: what the templates' fields stand for, once or for each core of a menu. Each edit comes with the manifest
    key that asks for it.
    """

    path: str
    kind: str
    owner: str
    place: Place
    write: ConfigFile | None = None
    each: tuple[Mapping[str, str], ...] = ({},)
    edits: tuple[tuple[ConfigEdit, Place], ...] = ()


def title_folder(selection: Selection, title: Title) -> str:
    """Return the folder of the card a title's files lie in: the title's own, else its core's, else the board's."""
    core = selection.core_of(title)
    template = title.folder or core.titles.folder or selection.board.title_folder
    return template.format_map(fields_of(core))


def gather(selection: Selection, known: Known) -> tuple[CardFile, ...]:
    """Return every file of the card that is copied: all but the config files, in no particular order."""
    board, card = selection.board, selection.card
    files = [
        file
        for path in board.base
        for file in _own_file(
            OwnFile(path="", placement="anywhere", key="base", source_path=path),
            "",
            "board-file",
            board.id,
            Place(file=board.file, key="base"),
            known,
        )
    ]
    for core in selection.cores:
        files += _of_core(selection, core, known)
    for title in selection.titles:
        files += _of_title(selection, title, known)
    for own in card.files:
        files += _own_file(own, "", "card-file", card.id, Place(file=card.file, key=own.key), known)
    for sums in card.sums:
        files += _summed(sums, {}, "card-file", card.id, card.file, known)
    return tuple(files)


def gather_folders(selection: Selection, known: Known) -> tuple[CardFolder, ...]:
    """Return the folders that are on the card even without a file in them: named ones, and the empty ones of trees."""
    board, card = selection.board, selection.card
    asked = [(path, Place(file=board.file, key="base")) for base in board.base for path in _empty(known, base, "")]
    for core in selection.cores:
        fields = fields_of(core)
        asked += [(path.format_map(fields), place) for path, place in _named_folders(core)]
        own = [replace(own, path=own.path.format_map(fields)) for own in core.files]
        asked += _empty_of(own, "", _keys_of(core.file), known)
    for title in selection.titles:
        asked += _empty_of(title.files, title_folder(selection, title), title.place, known)
    asked += [*_named_folders(card), *_empty_of(card.files, "", _keys_of(card.file), known)]
    return tuple(CardFolder(path=path, place=place) for path, place in asked if path)


def _named_folders(holder: Card | Core) -> Iterator[tuple[str, Place]]:
    for number, path in enumerate(holder.folders, 1):
        yield path, Place(file=holder.file, key=f"folders.{number}")


def _keys_of(file: str) -> Callable[[str], Place]:
    """Return what gives the place of a key of a manifest."""
    return lambda key: Place(file=file, key=key)


def _empty_of(
    files: Iterable[OwnFile], folder: str, place: Callable[[str], Place], known: Known
) -> Iterator[tuple[str, Place]]:
    for own in files:
        for path in _empty(known, own.source_path, join(folder, own.path)):
            yield path, place(own.key)


def _empty(known: Known, tree: str, target: str) -> Iterator[str]:
    yield from (join(target, relative) for relative in known.empty_folders.get(tree, ()))


def config_jobs(selection: Selection) -> tuple[ConfigJob, ...]:
    """Return the config files to write or change: menu files, those of cores and card, board settings, edits."""
    card = selection.card
    jobs = list(_written(selection))
    for edit, place in _edits(selection):
        found = next((i for i, job in enumerate(jobs) if fold(job.path) == fold(edit.path)), None)
        if found is None:
            jobs.append(ConfigJob(path=edit.path, kind="config", owner=card.id, place=place, edits=((edit, place),)))
        else:
            jobs[found] = replace(jobs[found], edits=(*jobs[found].edits, (edit, place)))
    return tuple(sorted(jobs, key=lambda job: job.path))


def file_to_edit(job: ConfigJob, files: Sequence[CardFile]) -> CardFile:
    """Return the file of the card a job changes; raises ManifestError when there is none."""
    for file in files:
        if fold(file.path) == fold(job.path):
            return file
    otherwise = "add the file to the board's base files or to the card"
    hint = did_you_mean(job.path, [file.path for file in files], otherwise)
    raise ManifestError(
        [
            Problem(
                place,
                f'"{job.path}" is to be changed, but no such file is on card "{job.owner}"',
                hint,
                rule=FILES_TO_CHANGE_ARE_THERE.name,
            )
            for _, place in job.edits
        ]
    )


def changed_files(jobs: Iterable[ConfigJob], files: Sequence[CardFile]) -> list[CardFile]:
    """Return the files that config files are changed from; raises ManifestError for one that is not there."""
    return [file_to_edit(job, files) for job in jobs if not job.write]


def with_configs(
    files: Sequence[CardFile], configs: Sequence[tuple[ConfigJob, Content, Origin]]
) -> tuple[CardFile, ...]:
    """Return the card's files with each config file in place of the one it was changed from, or added.

    Another file with the same path stays, so that the rules see both.
    """
    changed = changed_files([job for job, _, _ in configs], files)
    kept = [file for file in files if file not in changed]
    made = [
        CardFile(path=job.path, content=content, placement="anywhere", origin=origin, place=job.place)
        for job, content, origin in configs
    ]
    return (*kept, *made)


def _of_core(selection: Selection, core: Core, known: Known) -> Iterator[CardFile]:
    fields = fields_of(core)
    yield CardFile(
        path=bitstream_path(selection.board, core),
        content=core.bitstream,
        placement="anywhere",
        origin=Origin(kind="bitstream", owner=core.id),
        place=Place(file=core.file, key="bitstream"),
    )
    for own in core.files:
        expanded = replace(own, path=own.path.format_map(fields))
        yield from _own_file(expanded, "", "core-file", core.id, Place(file=core.file, key=own.key), known)
    for sums in core.sums:
        yield from _summed(sums, fields, "core-file", core.id, core.file, known)


def _of_title(selection: Selection, title: Title, known: Known) -> Iterator[CardFile]:
    folder, origin = title_folder(selection, title), Origin(kind="rom-file", owner=title.id)
    for rom in title.roms:
        yield CardFile(
            path=join(folder, rom.path),
            content=known.roms[title.id, rom.path],
            placement=rom.placement,
            origin=origin,
            place=title.place(rom.key),
        )
    for own in title.files:
        yield from _own_file(own, folder, "title-file", title.id, title.place(own.key), known)


def _own_file(own: OwnFile, folder: str, kind: str, owner: str, place: Place, known: Known) -> Iterator[CardFile]:
    """Yield the one file found by content, or every file of the tree it is copied from."""
    contents = [("", own.content)] if own.content else known.trees[own.source_path]
    pairs = ((join(folder, join(own.path, relative)), content) for relative, content in contents)
    yield from _copies(pairs, own.placement, Origin(kind=kind, owner=owner), place)


def _summed(
    sums: SumList, fields: Mapping[str, str], kind: str, owner: str, file: str, known: Known
) -> Iterator[CardFile]:
    """Yield every file of a checksum list; sizes not yet known stay None."""
    folder = sums.into.format_map(fields) if fields else sums.into  # braces of a card are braces
    pairs = (
        (join(folder, path), Content(sha256=sha256, size=known.sizes.get(sha256)))
        for sha256, path in known.sums[sums.list_path]
    )
    yield from _copies(pairs, "anywhere", Origin(kind=kind, owner=owner), Place(file=file, key=sums.key))


def _copies(pairs: Iterable[tuple[str, Content]], placement: str, origin: Origin, place: Place) -> Iterator[CardFile]:
    """Yield files that go onto the card as they are; origin and place are shared, as there may be very many."""
    for path, content in pairs:
        yield CardFile(path=path, content=content, placement=placement, origin=origin, place=place)


def _written(selection: Selection) -> Iterator[ConfigJob]:
    """Yield the files that are written anew: the menu, the config files of each core, then the card's."""
    board, card = selection.board, selection.card
    if board.menu and board.one_menu:
        place, each = Place(file=board.file, key=board.menu.key), tuple(map(fields_of, selection.cores))
        yield ConfigJob(path=board.menu.path, kind="menu", owner=board.id, place=place, write=board.menu, each=each)
    for core in selection.cores:
        fields = fields_of(core)
        if board.menu and not board.one_menu:
            path, place = menu_path(board, fields), Place(file=board.file, key=board.menu.key)
            yield ConfigJob(path=path, kind="menu", owner=core.id, place=place, write=board.menu, each=(fields,))
        for config in core.configs:
            path, place = config.path.format_map(fields), Place(file=core.file, key=config.key)
            yield ConfigJob(path=path, kind="config", owner=core.id, place=place, write=config, each=(fields,))
    for config in card.configs:
        place = Place(file=card.file, key=config.key)
        yield ConfigJob(path=config.path, kind="config", owner=card.id, place=place, write=config)


def _edits(selection: Selection) -> Iterator[tuple[ConfigEdit, Place]]:
    """Yield the changes of values: board settings, then the card's own edits, which have the last word."""
    board, card = selection.board, selection.card
    for name, choice in selection.settings.items():
        setting = board.settings[name]
        key = f"settings.{name}"
        edit = ConfigEdit(
            path=setting.path,
            section=setting.section,
            name=setting.key,
            value=setting.choices[choice],
            add=setting.add,
            key=key,
        )
        yield edit, Place(file=board.file, key=key)
    for edit in card.edits:
        yield edit, Place(file=card.file, key=edit.key)
