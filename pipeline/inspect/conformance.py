"""A card that anybody may have made, held against a board and its cores."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property

from pipeline.build.recipe import UNBUILT
from pipeline.card.contents import fields_of, menu_path
from pipeline.configs.change import EditError
from pipeline.configs.edit import edit_value
from pipeline.configs.write import write_config
from pipeline.fat.names import fold, is_short
from pipeline.inspect.catalogue import bitstream_path, core_folders
from pipeline.model.content import CardFile
from pipeline.model.manifest import Board, ConfigEdit, Core, Manifest, Setting, Title
from pipeline.model.reading import Item, Reading
from pipeline.model.text import counted, listed
from pipeline.model.units import show_size
from pipeline.volume.placement import label_fault, placement_fault


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A file of the card: ``sha256`` "" where its size said already that nobody knows it."""

    path: str
    size: int
    sha256: str = ""


@dataclass(frozen=True, kw_only=True)
class Against:
    """What a card is held against. ``files``: of the card; ``known``: what the manifests put on cards for this board.

    ``read``: gives the bytes of a small file of the card. ``reading``: None for a plain folder.
    """

    manifest: Manifest
    board: Board
    known: tuple[CardFile, ...]
    files: tuple[Held, ...]
    read: Callable[[str], bytes]
    reading: Reading | None = None
    size: int = 0

    @cached_property
    def by_path(self) -> Mapping[str, Held]:
        """The files by their path as FAT compares them."""
        return {fold(file.path): file for file in self.files}

    @cached_property
    def items(self) -> Mapping[str, Item]:
        """What was read of the volume, by path as it is there."""
        return {item.path: item for item in self.reading.items} if self.reading else {}

    @cached_property
    def by_content(self) -> Mapping[str, Held]:
        """The first file with each content."""
        return {file.sha256: file for file in reversed(self.files) if file.sha256}


def cores_there(against: Against) -> list[Core]:
    """Return the cores whose bitstream is on the card, by content or by its place, by id."""
    places = {fold(path) for _, path in core_folders(against.board, [file.path for file in against.files])}
    contents = {file.sha256 for file in against.files if file.sha256}
    return [
        core
        for core in against.manifest.cores.values()
        if against.board.id in core.boards
        and (core.bitstream.sha256 in contents or fold(bitstream_path(against.board, core)) in places)
    ]


def unknown_cores(against: Against) -> tuple[str, ...]:
    """Return the paths of bitstreams that lie where the board looks for them and belong to no known core."""
    cores = cores_there(against)
    mine = {fold(bitstream_path(against.board, core)) for core in cores}
    contents = {core.bitstream.sha256 for core in cores}
    there = [path for _, path in core_folders(against.board, [file.path for file in against.files])]
    by_path = against.by_path
    return tuple(path for path in there if fold(path) not in mine and by_path[fold(path)].sha256 not in contents)


def titles_there(against: Against) -> list[Title]:
    """Return the titles of which a file is on the card, by content or by its place, by id."""
    contents = {file.sha256 for file in against.files if file.sha256}
    places = against.by_path
    owners = {
        one.origin.owner
        for one in against.known
        if one.origin.kind in ("rom-file", "title-file")
        and (one.content.sha256 in contents or fold(one.path) in places)
    }
    return [title for title in against.manifest.titles.values() if title.id in owners]


def broken(against: Against) -> Iterator[str]:
    """Yield a sentence for each rule the card breaks, with how to mend it."""
    cores = cores_there(against)
    if against.reading:
        yield from _volume_rules(against, against.reading, cores)
    slots = against.board.core_slots
    folders = list(core_folders(against.board, [file.path for file in against.files]))
    if slots and len(folders) > slots:
        yield f"{counted(len(folders), 'core')} are on the card, and the board holds {slots}: take some off"
    owners = {core.id for core in cores} | {title.id for title in titles_there(against)} | {against.board.id}
    for one in against.known:
        if one.origin.owner in owners:
            yield from _file_rules(against, one)
    for core in cores:
        yield from _core_rules(against, core)


def _volume_rules(against: Against, reading: Reading, cores: list[Core]) -> Iterator[str]:
    board, kind = against.board, f"fat{reading.volume.fat_bits}"
    if kind not in board.volumes:
        reads = listed(map(str.upper, board.volumes), "or")
        yield f"the volume is {kind.upper()}, and the board reads {reads}: format the card anew"
    for core in cores:
        if core.needs.volumes and kind not in core.needs.volumes:
            reads = listed(map(str.upper, core.needs.volumes), "or")
            yield f"the volume is {kind.upper()}, and core {core.id} reads {reads}: format the card anew"
    if board.partitioned != bool(reading.partitions):
        wanted = "a partition table" if board.partitioned else "no partition table"
        yield f"the board wants {wanted}, and the card has {'one' if reading.partitions else 'none'}: build the card"
    if board.largest is not None and against.size > board.largest:
        yield f"the card has {show_size(against.size)}, and the board takes {show_size(board.largest)}: take a smaller"
    if fault := label_fault(reading, board.label_entry):
        yield fault


def _file_rules(against: Against, one: CardFile) -> Iterator[str]:
    """Yield what is wrong with a file that one of the cores or titles on the card asks for."""
    held = against.by_path.get(fold(one.path))
    if held is None:
        other = against.by_content.get(one.content.sha256)
        if other:
            yield f"{other.path} is the {_what(one)}; it must be {one.path}: move it there"
            held = other
        else:
            yield f"{one.path} is missing, the {_what(one)}: copy it there"
            return
    elif one.content.sha256 not in (held.sha256, UNBUILT) and not _is_changed(against, one):
        yield f"{held.path} is not the {_what(one)} that the manifest means: copy that one, or pin this one"
    item = against.items.get(held.path)
    if against.reading and item and (fault := placement_fault(against.reading, item, one.placement)):
        yield fault


def _is_changed(against: Against, one: CardFile) -> bool:
    """Whether a file of the board's is one that settings change."""
    paths = [fold(setting.path) for setting in against.board.settings.values()]
    return one.origin.kind == "board-file" and fold(one.path) in paths


def _what(one: CardFile) -> str:
    return f"{one.origin.kind.replace('-', ' ')} of {one.origin.owner}".replace("rom file", "ROM file")


def _core_rules(against: Against, core: Core) -> Iterator[str]:
    board, fields = against.board, fields_of(core)
    if board.menu:
        menu = against.by_path.get(fold(menu_path(board, fields)))
        if menu is None:
            yield f"{menu_path(board, fields)} is missing, which names core {core.id} in the menu: write it"
        elif board.one_menu:
            lines = against.read(menu.path).splitlines()
            wanted = write_config(replace(board.menu, head=()), fields).splitlines()
            yield from (
                f'{menu.path} does not name core {core.id}: add the line "{line.decode(board.menu.encoding)}"'
                for line in wanted
                if line not in lines
            )
    for name, choice in core.needs.settings.items():
        yield from _setting_rule(against, core, board.settings[name], choice)
    yield from _title_rules(against, core)


def _setting_rule(against: Against, core: Core, setting: Setting, choice: str) -> Iterator[str]:
    held = against.by_path.get(fold(setting.path))
    if held is None:
        yield f"{setting.path} is missing, and core {core.id} needs {setting.name} {choice} in it: copy the board's"
    elif setting_of(against.read(held.path), setting) != choice:
        place = f"{setting.key} in [{setting.section}]" if setting.section else setting.key
        value = setting.choices[choice]
        yield f"core {core.id} needs {setting.name} {choice}: in {held.path}, set {place} to {value}"


def setting_of(data: bytes, setting: Setting) -> str:
    """Return the choice a config file has for a setting of the board, "" where it is none of them."""
    for choice in setting.choices:
        try:
            if edit_value(data, edit_to(setting, choice)) == data:
                return choice
        except EditError:
            return ""
    return ""


def edit_to(setting: Setting, choice: str) -> ConfigEdit:
    """Return the change of a board's config file that makes a choice; nothing is added."""
    value = setting.choices[choice]
    return ConfigEdit(path=setting.path, section=setting.section, name=setting.key, value=value, add=False, key="")


def _title_rules(against: Against, core: Core) -> Iterator[str]:
    """Yield what is wrong with the files in a core's folder for titles."""
    rules = core.titles
    folder = (rules.folder or against.board.title_folder).format_map(fields_of(core))
    counts: dict[str, int] = defaultdict(int)
    for file in against.files:
        above, _, name = file.path.rpartition("/")
        if not fold(above + "/").startswith(fold(folder + "/")):
            continue
        counts[above] += 1
        if rules.names == "short" and not is_short(name):
            yield f"{file.path} is no 8.3 name, and core {core.id} reads no other: rename it"
        if rules.largest is not None and file.size > rules.largest:
            most = show_size(rules.largest)
            yield f"{file.path} has {show_size(file.size)}, and core {core.id} reads at most {most}: take it off"
    for above, count in counts.items():
        if rules.most and count > rules.most:
            yield f"{above} holds {count} files, and core {core.id} reads at most {rules.most}: take some off"
