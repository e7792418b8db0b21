"""A card made by hand becomes manifests: what is known is named, what is not is copied into the inputs."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import chain, count
from pathlib import Path

from pipeline.build.build import Build
from pipeline.build.inputs import Inputs
from pipeline.card.core_on_board import fields_of, menu_path
from pipeline.configs.change import EditError
from pipeline.configs.edit import edit_value
from pipeline.configs.read_fields import fields_from, fields_in
from pipeline.configs.write import write_config, write_for_each
from pipeline.device.folder import belongs, is_litter
from pipeline.errors import CardkilnError, MachineError, Place
from pipeline.fat.entries import HIDDEN, READ_ONLY, SYSTEM
from pipeline.fat.names import fold, name_problem
from pipeline.inspect.card_under_test import CardUnderTest, FileOnCard
from pipeline.inspect.catalogue import bitstream_path, catalogue, core_folders
from pipeline.inspect.conformance import edit_to, setting_of
from pipeline.inspect.damage import refuse_damage
from pipeline.inspect.look import hashed, small_file
from pipeline.inspect.open_target import OpenTarget
from pipeline.manifest.files import is_id
from pipeline.manifest.load import load_sound
from pipeline.manifest.parse_manifest import parse_manifest
from pipeline.manifest.schema.formats import FIELD
from pipeline.manifest.text.blank import BLANK
from pipeline.manifest.text.write import toml_value
from pipeline.model.content import Wanted
from pipeline.model.manifest import Board, Card, ConfigFile, Core, Title
from pipeline.model.reading import Reading
from pipeline.sources.files.read import read_content

NOT_WHOLE = (
    "is not adopted, and its files are copied: its chips are in no source, or files of it are missing on the card"
)

FEW = 5
"""Paths that one note names."""

MOST_LINES = 20_000
"""Lines of a menu that are read; more cores are on no card."""

LONGEST_NAME, LONGEST_PATH = 255, 1000
"""Bytes in UTF-8 of a name and a path that a copy can have."""

CORE_FOLDER = re.compile("[A-Za-z0-9_-]{1,32}")
"""Names a drafted core's folder may have; others stay plain files of the card."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DraftedCore:
    """A core that no manifest knows: its folder's name on the card, and its bitstream.

    ``stated``: what the board's menu says of it, of the fields "name", "release" and "kind".
    """

    id: str
    folder: str
    bitstream: FileOnCard
    stated: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Adoption:
    """What a card comes to.

    ``cores``, ``titles``: known ids; ``all_cores``: ids of known and drafted ones, in the order of the menu. ``files``:
    paths that become files of the card; ``listed``: those of them whose names cannot be those of a copy. ``folders``:
    empty ones. ``contents``: paths whose bytes manifests ask for and no source has. ``settings``: choices the card has
    and no core asks for. ``notes``: what a build will have otherwise than the card, and why.
    """

    id: str
    board: Board
    reading: Reading
    size: int
    cores: tuple[str, ...]
    drafts: tuple[DraftedCore, ...]
    all_cores: tuple[str, ...]
    titles: tuple[str, ...]
    settings: Mapping[str, str]
    files: tuple[FileOnCard, ...]
    contents: tuple[FileOnCard, ...]
    notes: tuple[str, ...]
    listed: tuple[FileOnCard, ...] = ()
    folders: tuple[str, ...] = ()
    volumes: tuple[str, ...] = ()


def adopt(build: Build, named: OpenTarget, board: Board, card_id: str) -> Adoption:
    """Return what the card comes to; reads and decides, and writes nothing.

    Raises CheckError for a damaged card, MachineError for a plain folder: it has no volume to take over.
    """
    reading = named.reading
    if reading is None:
        what = "is a folder, expected an image or a disk"
        raise MachineError.one(what, "take an image of the card and adopt that", file=named.shown)
    refuse_damage(named)
    files = [file for file in named.side.files.values() if not file.is_folder and not is_litter(file.path)]
    test = CardUnderTest(
        manifest=build.inputs.manifest,
        board=board,
        known=catalogue(build, board),
        files=hashed(named, files, None),
        read=lambda path: small_file(named, path),
        reading=reading,
        size=named.size,
        shown=named.shown,
    )
    return _decide(build.inputs, test, reading, card_id)


def _decide(inputs: Inputs, test: CardUnderTest, reading: Reading, card_id: str) -> Adoption:
    board, by_path = test.board, test.by_path
    menu = menu_fields(board, _menus(test))
    cores = [core for core in test.manifest.cores.values() if _is_on_card(test, core)]
    drafts = tuple(_drafted_cores(test, cores, menu, card_id))
    available = _available(inputs, test)
    titles = [title for title in test.titles if _is_whole(inputs, test, title, cores, available)]
    owners = {core.id for core in cores} | {title.id for title in titles} | {board.id}
    declared = [file for file in test.known if file.origin.owner in owners]
    order = _menu_order(cores, drafts, menu)
    written = dict(_written(board, order))
    covered = {fold(file.path): file.content.sha256 for file in declared}
    covered |= {fold(draft.bitstream.path): draft.bitstream.sha256 for draft in drafts}
    covered |= {fold(path): _sha256(data) for path, data in written.items()}
    covered |= {path: sha256 for path, sha256 in _with_settings(inputs, test).items() if path in covered}
    copied = [file for file in test.files if fold(file.path) not in covered and not _cannot_copy(board, file.path)]
    listed = [file for file in copied if not _is_file_name(file.path)]
    folders = [path for path in _empty_folders(reading) if not _cannot_copy(board, path)]
    notes = [
        *_left_out(test, reading),
        *_attributes_lost(reading),
        *_changed_settings(test, cores),
        *_not_copied(test, covered),
        *(f"{file.path} is added: {file.origin.owner} asks for it"
          for file in declared if fold(file.path) not in by_path),
        *(f"title {title.id} {NOT_WHOLE}" for title in test.titles if title not in titles),
        *(f"{path} is added: a build writes it" for path in written if fold(path) not in by_path),
    ]  # fmt: skip
    needed = {file.content.sha256 for file in declared if file.origin.kind != "rom-file"} - available
    needed |= {draft.bitstream.sha256 for draft in drafts}
    needed |= {file.sha256 for file in listed}
    needed |= {file.sha256 for file in copied if "/" not in file.path and fold(file.path).endswith(".zip")}
    set_by_cores = {name for core in cores for name in core.needs.settings}
    return Adoption(
        id=card_id,
        board=board,
        reading=reading,
        size=test.size,
        cores=tuple(core.id for core in cores),
        drafts=drafts,
        all_cores=tuple(core.id for core in order),
        titles=tuple(title.id for title in titles),
        settings={name: choice for name, choice in _settings(inputs, test).items() if name not in set_by_cores},
        files=tuple(file for file in copied if file not in listed),
        listed=tuple(listed),
        folders=tuple(folders),
        contents=tuple({file.sha256: file for file in test.files if file.sha256 in needed}.values()),
        notes=tuple(notes),
        volumes=_common_volumes(board, cores),
    )


def not_buildable(build: Build, adoption: Adoption, manifests: Mapping[Path, str]) -> list[str]:
    """Return why an adopted card cannot be built as it is, such as too few clusters for its type or a full root.

    ``manifests``: the texts that were drafted; each blank in them stands for a word of its own here.
    """
    workspace = build.inputs.workspace
    known = load_sound(workspace.inputs, workspace.base).manifest
    cores, cards = dict(known.cores), dict(known.cards)
    for path, text in manifests.items():
        data = text.replace(toml_value(BLANK), '"blank"').encode()
        value = parse_manifest(path.parent.name.removesuffix("s"), path.stem, workspace.shown(path), data).value
        if isinstance(value, Core):
            cores[value.id] = value
        elif isinstance(value, Card):
            cards[value.id] = value
    manifest = replace(known, cores=cores, cards=cards)
    fresh = Build(Inputs(workspace, manifest=manifest, epoch=build.inputs.epoch))
    try:
        _ = fresh.card(adoption.id).plan
    except CardkilnError as error:
        return [f"cannot be built as it is: {problem.what}: {problem.hint}" for problem in error.problems]
    return []


def _is_on_card(test: CardUnderTest, core: Core) -> bool:
    """Whether a core's own bitstream is where the board wants it."""
    file = test.by_path.get(fold(bitstream_path(test.board, core)))
    return test.board.id in core.boards and file is not None and file.sha256 == core.bitstream.sha256


def _drafted_cores(
    test: CardUnderTest, cores: Sequence[Core], menu: Mapping[str, Mapping[str, str]], card_id: str
) -> Iterator[DraftedCore]:
    """Yield a core for each bitstream in a core's place that no known core has."""
    known = {fold(bitstream_path(test.board, core)) for core in cores}
    taken = set(test.manifest.cores)
    if "{core}" not in test.board.core_folder + test.board.bitstream:
        return
    for folder, path in core_folders(test.board, [file.path for file in test.files]):
        if fold(path) in known or not CORE_FOLDER.fullmatch(folder):
            continue
        id_ = _free_id(slug(folder), card_id, taken)
        taken.add(id_)
        yield DraftedCore(
            id=id_, folder=folder, bitstream=test.by_path[fold(path)], stated=menu.get(fold(folder), {})
        )  # fmt: skip


def _free_id(id_: str, card_id: str, taken: Collection[str]) -> str:
    """Return an id that no core has and that can be one."""
    choices = chain([id_, f"{id_}-{card_id}"], (f"{id_}-{card_id}-{number}" for number in count(2)))
    return next(choice for choice in choices if choice not in taken and is_id(choice))


def slug(text: str) -> str:
    """Return text as an id: lower-case letters, digits and single hyphens; "card" where nothing is left."""
    return "-".join(re.findall("[a-z0-9]+", text.lower())) or "card"


def _menus(test: CardUnderTest) -> dict[str, bytes]:
    """Return the menu files of the card, each by the core's folded name on it, a single one for all by ""."""
    board = test.board
    if board.menu is None or not fields_in([board.core_folder, board.menu.path]) <= {"core"}:
        return {}
    folders = [folder for folder, _ in core_folders(board, [file.path for file in test.files])]
    paths = {fold(core): fold(menu_path(board, {"core": core})) for core in ([""] if board.one_menu else folders)}
    return {core: test.read(test.by_path[path].path) for core, path in paths.items() if path in test.by_path}


def menu_fields(board: Board, menus: Mapping[str, bytes]) -> dict[str, dict[str, str]]:
    """Return what the menu says of each core, by the core's folded name on the card, in the order of the menu.

    ``menus``: the bytes of menu files by the folded name of their core, of a single one for all by "". What is not
    written as the board has it says nothing.
    """
    if board.menu is None:
        return {}
    stated: dict[str, dict[str, str]] = {}
    for core, data in menus.items():
        lines = re.split("\r\n|\n|\r", data.decode(board.menu.encoding, "replace"))
        size = len(board.menu.lines)
        if board.one_menu:
            blocks = (lines[at : at + size] for at in range(min(len(lines) - size + 1, MOST_LINES)))
            found = [fields_from(board.menu.lines, block) for block in blocks]
        else:
            found = [fields_from(board.menu.lines, lines[:-1] if lines[-1] == "" else lines, {"core": core})]
        for fields in found:
            if fields and all(text.isprintable() and "\ufffd" not in text for text in fields.values()):
                stated.setdefault(fold(fields.pop("core", core)), fields)
    return stated


def _menu_order(
    cores: Sequence[Core], drafts: Sequence[DraftedCore], menu: Mapping[str, object]
) -> list[Core | DraftedCore]:
    """Return known and drafted cores in the order of the menu, those it does not name last."""
    places = {core: at for at, core in enumerate(menu)}
    return sorted([*cores, *drafts], key=lambda core: places.get(fold(core.folder), len(places)))


def _available(inputs: Inputs, test: CardUnderTest) -> set[str]:
    """Return the contents that the sources or the inputs themselves hold, of all that could be asked for."""
    sources, index = inputs.manifest.sources, inputs.workspace.index
    index.scan([Path(place) for place in sources.places], sources.limits)
    chips = [content for title in inputs.manifest.titles.values() for content in inputs.recipe(title).used.values()]
    contents = [file.content for file in test.known if file.origin.kind != "board-file"] + chips
    wanted = [Wanted(content=content, name="", place=Place()) for content in contents]
    own = {file.content.sha256 for file in test.known if file.origin.kind == "board-file"}
    return set(index.find(wanted).locations) | own


def _is_whole(
    inputs: Inputs, test: CardUnderTest, title: Title, cores: Sequence[Core], available: Collection[str]
) -> bool:
    """Whether all of a title is on the card as its manifest has it, and its chips are in the sources."""
    files = [
        file
        for file in test.known
        if file.origin.owner == title.id and file.origin.kind in ("rom-file", "title-file")
    ]  # fmt: skip
    by_path = test.by_path
    return (
        title.core in {core.id for core in cores}
        and all(content.sha256 in available for content in inputs.recipe(title).used.values())
        and all(
            fold(file.path) in by_path and by_path[fold(file.path)].sha256 == file.content.sha256 for file in files
        )
    )  # fmt: skip


def _written(board: Board, cores: Sequence[Core | DraftedCore]) -> Iterator[tuple[str, bytes | None]]:
    """Yield path and bytes of each config file that a build writes itself; None where a blank decides on the bytes."""
    each = [
        {**core.stated, "core": core.folder} if isinstance(core, DraftedCore) else fields_of(core) for core in cores
    ]
    if board.menu and board.one_menu:
        yield board.menu.path, _menu_bytes(board.menu, each)
    elif board.menu:
        needed = fields_in([board.core_folder, board.menu.path])
        for fields in (fields for fields in each if needed <= fields.keys()):
            yield menu_path(board, fields), _menu_bytes(board.menu, [fields])
    for core in (core for core in cores if isinstance(core, Core)):
        for file in core.configs:
            yield file.path.format_map(fields_of(core)), write_config(file, fields_of(core))


def _menu_bytes(menu: ConfigFile, each: Sequence[Mapping[str, str]]) -> bytes | None:
    needed = fields_in(menu.lines)
    return write_for_each(menu, each) if all(needed <= fields.keys() for fields in each) else None


def _sha256(data: bytes | None) -> str:
    """Return the SHA-256 of bytes, "" where they are not known."""
    return "" if data is None else hashlib.sha256(data).hexdigest()


def _left_out(test: CardUnderTest, reading: Reading) -> Iterator[str]:
    """Yield the litter and the folders that are left out."""
    for item in reading.items:
        if is_litter(item.path) and not is_litter(item.path.rpartition("/")[0]):
            yield f"{item.path} is left out: a desktop system put it there"
    for path in _empty_folders(reading):
        if reason := _cannot_copy(test.board, path):
            yield f"folder {path} is left out: {reason}"


def _empty_folders(reading: Reading) -> list[str]:
    """Return the folders in which nothing is but litter."""
    items = [item for item in reading.items if not is_litter(item.path)]
    above = {fold(item.path.rpartition("/")[0]) for item in items}
    return [item.path for item in items if item.is_folder and fold(item.path) not in above]


def _attributes_lost(reading: Reading) -> Iterator[str]:
    """Yield what a build does not have: every entry of it is a plain file or folder."""
    for attribute, name in ((HIDDEN, "hidden"), (SYSTEM, "system"), (READ_ONLY, "read-only")):
        paths = [item.path for item in reading.items if item.attributes & attribute and not is_litter(item.path)]
        if paths:
            more = f" and {len(paths) - FEW:,} more" if len(paths) > FEW else ""
            yield f"the {name} attribute is not kept: {', '.join(paths[:FEW])}{more}"


def _not_copied(test: CardUnderTest, covered: Mapping[str, str]) -> Iterator[str]:
    """Yield the files whose bytes are not copied, and why."""
    for file in test.files:
        if fold(file.path) in covered:
            sha256 = covered[fold(file.path)]
            if not sha256:
                yield f"{file.path} is written by a build, from values that are still blank"
            elif sha256 != file.sha256:
                yield f"{file.path}: a build writes the bytes that the manifests give; those of the card are not copied"
        elif reason := _cannot_copy(test.board, file.path):
            yield f"{file.path} is left out: {reason}"


def _is_file_name(path: str) -> bool:
    """Whether a copy can have the path of a file of the card, and a manifest can name it.

    Most file systems hold 255 bytes in a name (NAME_MAX, common practice); paths are kept well below PATH_MAX.
    """
    parts = [len(part.encode()) for part in path.split("/")]
    return max(parts) <= LONGEST_NAME and sum(parts) <= LONGEST_PATH and not FIELD.search(path.partition("/")[0])


def _cannot_copy(board: Board, path: str) -> str:
    """Return why a file or folder cannot be the card's own, "" when it can."""
    if belongs(path, board.reserved):
        return f"board {board.id} keeps that place for its own files"
    if "\ufffd" in path:
        return "its name cannot be read in full"
    for part in path.split("/"):
        if problem := name_problem(part):
            return f"its name {problem}"
    return ""


def _changed_settings(test: CardUnderTest, cores: Sequence[Core]) -> Iterator[str]:
    """Yield the settings that a build changes because a core needs it."""
    for core in cores:
        for name, choice in core.needs.settings.items():
            setting = test.board.settings[name]
            file = test.by_path.get(fold(setting.path))
            if file and setting_of(test.read(file.path), setting) not in ("", choice):
                yield f"{file.path}: {name} becomes {choice}, which core {core.id} needs"


def _with_settings(inputs: Inputs, test: CardUnderTest) -> dict[str, str]:
    """Return the hash of each of the board's config files, by folded path, with the choices that the card has."""
    files: dict[str, bytes] = {}
    for setting in test.board.settings.values():
        file = test.by_path.get(fold(setting.path))
        choice = setting_of(test.read(file.path), setting) if file else ""
        data = files.setdefault(fold(setting.path), _base(inputs, test, setting.path))
        if choice:
            with suppress(EditError):
                files[fold(setting.path)] = edit_value(data, edit_to(setting, choice))
    return {path: hashlib.sha256(data).hexdigest() for path, data in files.items()}


def _settings(inputs: Inputs, test: CardUnderTest) -> dict[str, str]:
    """Return the choices of board settings that the card has, where the board's own file has another."""
    settings = {}
    for name, setting in test.board.settings.items():
        file = test.by_path.get(fold(setting.path))
        choice = setting_of(test.read(file.path), setting) if file else ""
        if choice and choice != setting_of(_base(inputs, test, setting.path), setting):
            settings[name] = choice
    return settings


def _base(inputs: Inputs, test: CardUnderTest, path: str) -> bytes:
    """Return the bytes of one of the board's own files, none where it has no such file."""
    for base in test.board.base:
        for name, location, content in inputs.tree_contents(base):
            if fold(name) == fold(path):
                return read_content(location, content)
    return b""


def _common_volumes(board: Board, cores: Sequence[Core]) -> tuple[str, ...]:
    """Return the volume types that board and cores all read."""
    return tuple(
        kind
        for kind in board.volumes
        if all(not core.needs.volumes or kind in core.needs.volumes for core in cores)
    )  # fmt: skip
