"""A core on a board: where its bitstream and menu file lie, and which cores of one card get in each other's way."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from pipeline.errors import Place, Problem
from pipeline.fat.names import fold
from pipeline.model.encodings import encodings_with, lacking
from pipeline.model.manifest import Board, Card, Core
from pipeline.model.rules import NAMES_ARE_UNIQUE


def fields_of(core: Core) -> dict[str, str]:
    """Return what the template fields stand for when a core is meant."""
    return {"core": core.folder, "name": core.name, "release": core.release, "kind": core.kind}


def join(folder: str, path: str) -> str:
    """Return the card path of a file in a folder; either may be ""."""
    folder = folder.strip("/")
    return f"{folder}/{path}" if folder and path else folder or path


def bitstream_path(board: Board, core: Core) -> str:
    """Return the path of a core's bitstream."""
    fields = fields_of(core)
    return join(board.core_folder.format_map(fields), board.bitstream.format_map(fields))


def menu_path(board: Board, fields: Mapping[str, str]) -> str:
    """Return the path of the menu file that names a core with these fields; "" where the board has no menu file."""
    if board.menu is None:
        return ""
    if board.one_menu:
        return board.menu.path
    return join(board.core_folder.format_map(fields), board.menu.path.format_map(fields))


def conflicts(card: Card, board: Board, cores: Sequence[Core]) -> Iterator[Problem]:
    """Yield the cores that get a path of another core of the card, and those that the menu's encoding cannot name."""
    taken: dict[str, Core] = {}
    for core in cores:
        own = [bitstream_path(board, core), *([] if board.one_menu else [menu_path(board, fields_of(core))])]
        path, owner = next(((path, taken[fold(path)]) for path in own if fold(path) in taken), ("", core))
        if path:
            yield _same_path(card, core, owner, path)
        taken |= {fold(path): core for path in own if path and fold(path) not in taken}
        yield from _not_in_the_menu(card, board, core)


def _same_path(card: Card, core: Core, owner: Core, path: str) -> Problem:
    what = f'core "{core.id}" and core "{owner.id}" on card "{card.id}" get the same path {path}'
    key, hint = "name", "give one of them another name"
    if fold(core.folder) == fold(owner.folder):
        key, hint = "folder", f'give one of them a folder name of its own, such as folder = "{core.folder[:7]}2"'
        hint += "; without one it is the first eight letters and digits of the id"
    return Problem(Place(core.file, key=key), what, hint, (Place(owner.file, key=key),), NAMES_ARE_UNIQUE.name)


def _not_in_the_menu(card: Card, board: Board, core: Core) -> Iterator[Problem]:
    """Yield what a menu line takes from the core and the menu's encoding lacks."""
    menu = board.menu
    if menu is None:
        return
    for field, text in fields_of(core).items():
        mark = lacking(text, menu.encoding)
        if mark and any(f"{{{field}}}" in line for line in menu.lines):
            what = f'core "{core.id}" on card "{card.id}": found "{mark}" (U+{ord(mark):04X}), '
            what += f"which {menu.encoding}, the encoding of the board's menu, does not have"
            hint = "replace it, or choose an encoding for the menu that has it: " + ", ".join(encodings_with(mark))
            place = Place(core.file, key="folder" if field == "core" else field)
            yield Problem(place, what, hint, (Place(board.file, key=f"{menu.key}.encoding"),))
