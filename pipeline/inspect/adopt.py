"""A card made by hand becomes manifests: what is known is named, what is not is copied into the inputs."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from pipeline.build.build import Build
from pipeline.build.inputs import Inputs
from pipeline.card.core_on_board import fields_of, menu_path
from pipeline.configs.change import EditError
from pipeline.configs.edit import edit_value
from pipeline.configs.write import write_config, write_for_each
from pipeline.device.folder import belongs, is_litter
from pipeline.errors import CardkilnError, CheckError, MachineError, Place, Problem
from pipeline.fat.entries import HIDDEN, READ_ONLY, SYSTEM
from pipeline.fat.names import fold, name_problem
from pipeline.inspect.card_under_test import CardUnderTest, FileOnCard
from pipeline.inspect.catalogue import bitstream_path, catalogue, core_folders
from pipeline.inspect.conformance import edit_to, setting_of
from pipeline.inspect.look import hashed, small_file
from pipeline.inspect.open_target import Named
from pipeline.manifest.schema.formats import FIELD
from pipeline.model.content import Content, Wanted
from pipeline.model.manifest import Board, Core, Title
from pipeline.model.reading import Reading
from pipeline.sources.files.read import read_content

DAMAGE = ("chain", "cross-linked", "loop", "size", "too many", "truncated", "duplicate name")
"""Findings after which a file's bytes cannot be trusted, or its name does not say which it is."""

NOT_WHOLE = (
    "is not taken over, its files are copied as they are: its chips are in no source, or not all of it is on the card"
)

FEW = 5
"""Paths that one note names."""

LONGEST_NAME, LONGEST_PATH = 255, 1000
"""Bytes in UTF-8 of a name and a path that a copy can have."""

UNKNOWN = "unknown"
"""Kind and release of a drafted core."""

CORE_FOLDER = re.compile("[A-Z0-9_-]{1,8}")
"""Names a drafted core's folder may have; others stay plain files of the card."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """A core that nobody knew: its folder on the card, the name its menu file gives, and its bitstream."""

    id: str
    name: str
    folder: str
    bitstream: FileOnCard


@dataclass(frozen=True, slots=True, kw_only=True)
class Adoption:
    """What a card comes to.

    ``cores``, ``titles``: known ids. ``files``: paths that become files of the card; ``listed``: those of them whose
    names cannot be those of a copy. ``folders``: empty ones. ``contents``: paths whose bytes manifests ask for and no
    source has. ``settings``: choices the card has and no core asks for. ``notes``: what a
    build will have otherwise than the card, and why.
    """

    id: str
    board: Board
    reading: Reading
    size: int
    cores: tuple[str, ...]
    drafts: tuple[Draft, ...]
    titles: tuple[str, ...]
    settings: Mapping[str, str]
    files: tuple[FileOnCard, ...]
    contents: tuple[FileOnCard, ...]
    notes: tuple[str, ...]
    listed: tuple[FileOnCard, ...] = ()
    folders: tuple[str, ...] = ()
    volumes: tuple[str, ...] = ()


def adopt(build: Build, named: Named, board: Board, card_id: str) -> Adoption:
    """Return what the card comes to; reads and decides, and writes nothing.

    Raises CheckError for a damaged card, MachineError for a plain folder: it has no volume to take over.
    """
    reading = named.reading
    if reading is None:
        what = "is a folder, expected an image or a disk"
        raise MachineError.one(what, "take an image of the card and adopt that", file=named.shown)
    damage = [one for one in reading.findings if one.kind in DAMAGE]
    if damage:
        hint = "adopt a sound copy; doit look shows what is wrong"
        raise CheckError(
            Problem(Place(file=named.shown, key=one.path), f"{one.kind}: {one.what}", hint) for one in damage
        )
    files = [one for one in named.side.files.values() if not one.is_folder and not is_litter(one.path)]
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
    cores = [core for core in test.manifest.cores.values() if _is_here(test, core)]
    drafts = tuple(_drafts(test, cores, card_id))
    found = _found(inputs, test)
    on_card = {one.sha256 for one in test.files}
    titles = [title for title in test.titles if _is_whole(inputs, test, title, cores, found)]
    owners = {core.id for core in cores} | {title.id for title in titles} | {board.id}
    mine = [one for one in test.known if one.origin.owner in owners]
    made = {path: hashlib.sha256(data).hexdigest() for path, data in _made(board, cores, drafts)}
    covered = {fold(one.path): one.content.sha256 for one in mine}
    covered |= {fold(draft.bitstream.path): draft.bitstream.sha256 for draft in drafts}
    covered |= {fold(path): sha256 for path, sha256 in made.items()}
    covered |= {path: sha256 for path, sha256 in _with_settings(inputs, test).items() if path in covered}
    rest = [one for one in test.files if fold(one.path) not in covered and not _cannot(board, one.path)]
    listed = [one for one in rest if not _is_file_name(one.path)]
    folders = [path for path in _empty_folders(reading) if not _cannot(board, path)]
    notes = [
        *_gone(test, reading),
        *_attributes_lost(reading),
        *_needed(test, cores),
        *_not_copied(test, covered),
        *(f"{one.path} is added: {one.origin.owner} asks for it" for one in mine if fold(one.path) not in by_path),
        *(f"title {title.id} {NOT_WHOLE}" for title in test.titles if title not in titles),
        *(f"{path} is added: a build writes it" for path in made if fold(path) not in by_path),
    ]
    needed = {one.content.sha256 for one in mine if one.origin.kind != "rom-file"} - found
    needed |= {draft.bitstream.sha256 for draft in drafts}
    needed |= {one.sha256 for one in listed}
    needed |= {one.sha256 for one in rest if "/" not in one.path and fold(one.path).endswith(".zip")}
    asked = {name for core in cores for name in core.needs.settings}
    return Adoption(
        id=card_id,
        board=board,
        reading=reading,
        size=test.size,
        cores=tuple(core.id for core in cores),
        drafts=drafts,
        titles=tuple(title.id for title in titles),
        settings={name: choice for name, choice in _settings(inputs, test).items() if name not in asked},
        files=tuple(one for one in rest if one not in listed),
        listed=tuple(listed),
        folders=tuple(folders),
        contents=tuple({one.sha256: one for one in test.files if one.sha256 in needed & on_card}.values()),
        notes=tuple(notes),
        volumes=_common_volumes(board, cores),
    )


def not_buildable(build: Build, card_id: str) -> list[str]:
    """Return why an adopted card cannot be built as it is, such as too few clusters for its type or a full root."""
    fresh = Build(Inputs(build.workspace, epoch=build.inputs.epoch))
    try:
        _ = fresh.card(card_id).plan
    except CardkilnError as error:
        return [f"cannot be built as it is: {problem.what}: {problem.hint}" for problem in error.problems]
    return []


def _is_here(test: CardUnderTest, core: Core) -> bool:
    """Whether a core's own bitstream lies where the board wants it."""
    held = test.by_path.get(fold(bitstream_path(test.board, core)))
    return test.board.id in core.boards and held is not None and held.sha256 == core.bitstream.sha256


def _drafts(test: CardUnderTest, cores: list[Core], card_id: str) -> Iterator[Draft]:
    """Yield a core for each folder with a bitstream that no known core has."""
    mine = {fold(bitstream_path(test.board, core)) for core in cores}
    taken = set(test.manifest.cores)
    if "{core}" not in test.board.core_folder + test.board.bitstream:
        return
    for folder, path in core_folders(test.board, [one.path for one in test.files]):
        if fold(path) in mine or not CORE_FOLDER.fullmatch(folder):
            continue
        id_ = slug(folder)
        id_ = f"{id_}-{card_id}" if id_ in taken else id_
        taken.add(id_)
        yield Draft(id=id_, name=_menu_name(test, folder), folder=folder, bitstream=test.by_path[fold(path)])


def slug(text: str) -> str:
    """Return text as an id: lower-case letters, digits and single hyphens; "card" where nothing is left."""
    return "-".join(re.findall("[a-z0-9]+", text.lower())) or "card"


def _menu_name(test: CardUnderTest, folder: str) -> str:
    """Return the name the menu gives a core, alone in its own file or in a line of one for all; else its folder's."""
    board, menu = test.board, test.board.menu
    line = next((line for line in menu.lines if "{name}" in line), "") if menu else ""
    if menu is None or not (line if board.one_menu else menu.lines == ("{name}",)):
        return folder
    menu_file = test.by_path.get(fold(menu_path(board, {"core": folder})))
    text = (test.read(menu_file.path) if menu_file else b"").decode(menu.encoding, "replace").strip()
    pattern = _line_pattern(line, folder)
    found = [match["name"] for part in (text.splitlines() if board.one_menu else [text])
             if part.isprintable() and "\ufffd" not in part and (match := pattern.fullmatch(part))]  # fmt: skip
    return found[0] if found else folder


def _line_pattern(line: str, folder: str) -> re.Pattern[str]:
    """Return what finds the name of a core in a line of a menu."""
    parts = re.split(r"(\{\{|\}\}|\{\w+\})", line)
    fields = {"{{": r"\{", "}}": r"\}", "{core}": re.escape(folder), "{name}": "(?P<name>.+)"}
    seen: set[str] = set()
    text = ""
    for part in parts:
        is_field = bool(re.fullmatch(r"\{\w+\}", part))
        again = ".+" if is_field and part in seen else fields.get(part, ".*" if is_field else re.escape(part))
        text += again
        seen.add(part)
    return re.compile(text, re.IGNORECASE)


def _found(inputs: Inputs, test: CardUnderTest) -> set[str]:
    """Return the contents that the sources hold or the inputs themselves, of all that could be asked for."""
    sources, index = inputs.manifest.sources, inputs.workspace.index
    index.scan([Path(place) for place in sources.places], sources.limits)
    chips = [content for title in inputs.manifest.titles.values() for content in inputs.recipe(title).used.values()]
    contents = [one.content for one in test.known if one.origin.kind != "board-file"] + chips
    wanted = [Wanted(content=one, name="", place=Place()) for one in contents]
    own = {one.content.sha256 for one in test.known if one.origin.kind == "board-file"}
    return set(index.find(wanted).locations) | own


def _is_whole(inputs: Inputs, test: CardUnderTest, title: Title, cores: list[Core], found: set[str]) -> bool:
    """Whether all of a title is on the card as its manifest has it, and its chips are in the sources."""
    files = [
        one
        for one in test.known
        if one.origin.owner == title.id and one.origin.kind in ("rom-file", "title-file")
    ]  # fmt: skip
    by_path = test.by_path
    return (
        title.core in {core.id for core in cores}
        and all(content.sha256 in found for content in inputs.recipe(title).used.values())
        and all(
            fold(one.path) in by_path and by_path[fold(one.path)].sha256 == one.content.sha256 for one in files
        )
    )  # fmt: skip


def _made(board: Board, cores: list[Core], drafts: tuple[Draft, ...]) -> Iterator[tuple[str, bytes]]:
    """Yield the path and the bytes of each config file that a build writes itself."""
    fields = [fields_of(core) for core in cores] + [
        {"core": draft.folder, "name": draft.name, "release": UNKNOWN, "kind": UNKNOWN} for draft in drafts
    ]
    if board.menu and board.one_menu:
        yield board.menu.path, write_for_each(board.menu, fields)
    elif board.menu:
        for one in fields:
            yield menu_path(board, one), write_config(board.menu, one)
    for core in cores:
        for file in core.configs:
            yield file.path.format_map(fields_of(core)), write_config(file, fields_of(core))


def _gone(test: CardUnderTest, reading: Reading) -> Iterator[str]:
    """Yield the litter and the folders that are left out."""
    for item in reading.items:
        if is_litter(item.path) and not is_litter(item.path.rpartition("/")[0]):
            yield f"{item.path} is left out: a desktop left it"
    for path in _empty_folders(reading):
        if reason := _cannot(test.board, path):
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
    """Yield the files whose bytes are not taken over, and why."""
    for file in test.files:
        if fold(file.path) in covered:
            if covered[fold(file.path)] != file.sha256:
                yield f"{file.path}: the manifests put other bytes there; the card's are not taken over"
        elif reason := _cannot(test.board, file.path):
            yield f"{file.path} is left out: {reason}"


def _is_file_name(path: str) -> bool:
    """Whether a copy can have the path of a file of the card, and a manifest can name it.

    Most file systems hold 255 bytes in a name (NAME_MAX, common practice); paths are kept well below PATH_MAX.
    """
    parts = [len(part.encode()) for part in path.split("/")]
    return max(parts) <= LONGEST_NAME and sum(parts) <= LONGEST_PATH and not FIELD.search(path.partition("/")[0])


def _cannot(board: Board, path: str) -> str:
    """Return why a file or folder cannot be the card's own, "" when it can."""
    if belongs(path, board.reserved):
        return f"board {board.id} keeps that place for its own files"
    if "\ufffd" in path:
        return "its name cannot be read in full"
    for part in path.split("/"):
        if problem := name_problem(part):
            return f"its name {problem}"
    return ""


def _needed(test: CardUnderTest, cores: list[Core]) -> Iterator[str]:
    """Yield the settings that a build changes because a core needs it."""
    for core in cores:
        for name, choice in core.needs.settings.items():
            setting = test.board.settings[name]
            held = test.by_path.get(fold(setting.path))
            if held and setting_of(test.read(held.path), setting) not in ("", choice):
                yield f"{held.path}: {name} becomes {choice}, which core {core.id} needs"


def _with_settings(inputs: Inputs, test: CardUnderTest) -> dict[str, str]:
    """Return the hash of each of the board's config files, by folded path, with the choices that the card has."""
    files: dict[str, bytes] = {}
    for setting in test.board.settings.values():
        held = test.by_path.get(fold(setting.path))
        choice = setting_of(test.read(held.path), setting) if held else ""
        data = files.setdefault(fold(setting.path), _base(inputs, test, setting.path))
        if choice:
            with suppress(EditError):
                files[fold(setting.path)] = edit_value(data, edit_to(setting, choice))
    return {path: hashlib.sha256(data).hexdigest() for path, data in files.items()}


def _settings(inputs: Inputs, test: CardUnderTest) -> dict[str, str]:
    """Return the choices of board settings that the card has, where the board's own file has another."""
    settings = {}
    for name, setting in test.board.settings.items():
        held = test.by_path.get(fold(setting.path))
        choice = setting_of(test.read(held.path), setting) if held else ""
        if choice and choice != setting_of(_base(inputs, test, setting.path), setting):
            settings[name] = choice
    return settings


def _base(inputs: Inputs, test: CardUnderTest, path: str) -> bytes:
    """Return the bytes of one of the board's own files, none where it has no such file."""
    for base in test.board.base:
        for name, location in inputs.tree(base).items():
            if fold(name) == fold(path):
                content: Content = inputs.workspace.index.content_at(location)
                return read_content(location, content)
    return b""


def _common_volumes(board: Board, cores: list[Core]) -> tuple[str, ...]:
    """Return the volume types that board and cores all read."""
    return tuple(
        kind
        for kind in board.volumes
        if all(not core.needs.volumes or kind in core.needs.volumes for core in cores)
    )  # fmt: skip
