"""What one manifest must keep within itself: chips that its steps name, text that its encodings hold.

The checks read TOML values as they come, so that they find what they can in a manifest with other problems.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from typing import Any

from pipeline.errors import Place, Problem
from pipeline.manifest.checks.sums import known_chips
from pipeline.manifest.schema.validate import schema
from pipeline.manifest.text.blank import BLANK
from pipeline.manifest.text.positions import Part, spell
from pipeline.model.encodings import ENCODINGS, lacking
from pipeline.model.text import did_you_mean, quote, shown

Path = tuple[Part, ...]


def problems_within(kind: str, data: Mapping[str, Any], file: str, wrong: Collection[str] = ()) -> Iterator[Problem]:
    """Yield what is wrong between the parts of one manifest, not yet located; ``wrong``: keys known to be wrong."""
    if kind == "title":
        if not takes_over(data):
            yield from chip_problems(data, file, wrong)
        yield from _step_ids(("rom",), data.get("rom"), file)
    if kind == "board":
        yield from _menu(data, file)
    if kind == "core":
        yield from _needs(data, file)
        yield from _layouts(data, file, wrong)
    if kind == "station":
        yield from _display_names(data, file)
    for path, config in _configs(kind, data):
        yield from _encoding(path, config, file)


def takes_over(data: Mapping[str, Any]) -> bool:
    """Whether a title takes something over from a layout or another title, so that it says too little by itself."""
    return "layout" in data or "like" in data


def chip_problems(data: Mapping[str, Any], file: str, wrong: Collection[str] = ()) -> Iterator[Problem]:
    """Yield the chips that a title's steps name without need, and those that none of them names."""
    named = list(named_in_roms(data))
    yield from _unknown_chips(data, named, file)
    if not any(key.startswith("rom.") for key in wrong):  # a step that is wrong may mean any chip
        yield from _unused_chips(data, {name for _, name in named}, file)


def tables(value: Any) -> Iterator[tuple[int, Mapping[str, Any]]]:
    """Yield the tables of a list of tables, with their index."""
    for index, item in enumerate(value if isinstance(value, list) else ()):
        if isinstance(item, dict):
            yield index, item


def texts(data: Mapping[str, Any], *keys: Part) -> Iterator[tuple[str, str]]:
    """Yield (key as problems spell it, text) of the text, each text of the list, or each of the table at some keys.

    Blanks are no texts: they say nothing yet.
    """
    value: Any = data
    for key in keys:
        if isinstance(value, list) and isinstance(key, int):
            value = value[key]
        else:
            value = value.get(key) if isinstance(value, dict) else None
    if isinstance(value, str) and value != BLANK:
        yield spell(keys), value
    pairs = enumerate(value) if isinstance(value, list) else value.items() if isinstance(value, dict) else ()
    for part, item in pairs:
        if isinstance(item, str) and item != BLANK:
            yield spell((*keys, part)), item


def _unknown_chips(data: Mapping[str, Any], named: Iterable[tuple[Path, str]], file: str) -> Iterator[Problem]:
    """Yield the chips that a step names and the title does not have."""
    chips = data.get("chips", {})
    if not isinstance(chips, dict):
        return
    for path, name in named:
        if name not in chips:
            what = f"found {quote(name)}, expected a chip of this title"
            hint = did_you_mean(name, chips, f"declare it as [chips.{shown(name)}]")
            yield Problem(Place(file, key=spell(path)), what, hint)


def _unused_chips(data: Mapping[str, Any], used: Collection[str], file: str) -> Iterator[Problem]:
    """Yield the chips of a title that no step names."""
    chips = data.get("chips", {})
    for name in chips if isinstance(chips, dict) else ():
        if name not in used:
            what = f"chip {quote(name)} is not used by any step"
            yield Problem(Place(file, key=spell(("chips", name))), what, "use it in a step, or take it out")


def named_in_roms(data: Mapping[str, Any]) -> Iterator[tuple[Path, str]]:
    """Yield each chip name in the ROM files of a title or a layout, with the path it stands at."""
    for index, rom in tables(data.get("rom")):
        for number, step in tables(rom.get("steps")):
            yield from _named(step, ("rom", index, "steps", number))
        yield from _named_in_changes(rom, ("rom", index))


def _layouts(data: Mapping[str, Any], file: str, wrong: Collection[str]) -> Iterator[Problem]:
    """Yield what is wrong between the sockets and the steps of each layout."""
    layouts = data.get("layouts")
    for name, layout in layouts.items() if isinstance(layouts, dict) else ():
        if not isinstance(layout, dict) or not isinstance(sockets := layout.get("sockets"), dict):
            continue
        named = [(("layouts", name, *path), socket) for path, socket in named_in_roms(layout)]
        for path, socket in named:
            if socket not in sockets:
                what = f"found {quote(socket)}, expected a socket of this layout"
                hint = did_you_mean(socket, sockets, f"declare it as [layouts.{shown(name)}.sockets.{shown(socket)}]")
                yield Problem(Place(file, key=spell(path)), what, hint)
        used = {socket for _, socket in named}
        if not any(key.startswith(f"layouts.{name}.rom.") for key in wrong):
            for socket in sockets:
                if socket not in used:
                    place = Place(file, key=spell(("layouts", name, "sockets", socket)))
                    what = f"socket {quote(socket)} is not used by any step"
                    yield Problem(place, what, "use it in a step, or take it out")
        yield from _step_ids(("layouts", name, "rom"), layout.get("rom"), file)
        yield from _known(data, name, sockets, file)


def _known(data: Mapping[str, Any], layout: str, sockets: Collection[str], file: str) -> Iterator[Problem]:
    """Yield what is wrong in the checksum list of a layout."""
    for key, text in texts(data, "layouts", layout, "known"):
        for problem in known_chips(text, sockets):
            if isinstance(problem, Problem):
                what = f"line {problem.place.line}: {problem.what}"
                yield Problem(Place(file, key=key), what, problem.hint)


def _step_ids(path: Path, roms: Any, file: str) -> Iterator[Problem]:
    """Yield the steps of a ROM file whose id an earlier one has."""
    for index, rom in tables(roms):
        first: dict[str, Place] = {}
        for number, step in tables(rom.get("steps")):
            for key, id_ in texts(step, "id"):
                place = Place(file, key=spell((*path, index, "steps", number, key)))
                if first.setdefault(id_, place) != place:
                    what = f"found {quote(id_)} a second time, expected an id of its own for each step"
                    yield Problem(place, what, "", (first[id_],))


def _named(piece: Any, path: Path) -> Iterator[tuple[Path, str]]:
    """Yield each chip name in a piece, with the path it stands at."""
    if isinstance(piece, str):
        yield path, piece
    elif isinstance(piece, dict):
        for key, value in piece.items():
            if key == "chip" and isinstance(value, str):
                yield (*path, key), value
            elif isinstance(value, list) and f"piece-{key}" in schema("title")["$defs"]:
                for index, inner in enumerate(value):
                    yield from _named(inner, (*path, key, index))
        yield from _named_in_changes(piece, path)


def _named_in_changes(piece: Mapping[str, Any], path: Path) -> Iterator[tuple[Path, str]]:
    """Yield the chips that changes combine a piece with: ``then = [{ xor = { chip = "4t" } }]``."""
    for index, change in tables(piece.get("then")):
        for operation, arguments in change.items():
            if isinstance(arguments, dict) and isinstance(arguments.get("chip"), str):
                yield (*path, "then", index, operation, "chip"), arguments["chip"]


def _needs(data: Mapping[str, Any], file: str) -> Iterator[Problem]:
    """Yield needs that say nothing without another one that is left out."""
    needs = data.get("needs")
    if not isinstance(needs, dict):
        return
    if "switch" in needs and "start-output" not in needs:
        what = "found steps that lead to outputs, and no start-output, which means that all have a picture at once"
        yield Problem(Place(file, key="needs.switch"), what, "state the output that the core starts on")
    if needs.get("buttons") and not needs.get("pads"):
        what = f"found {needs['buttons']} buttons of each pad, and no pads; expected how many pads there are"
        also = (Place(file, key="needs.pads"),) if "pads" in needs else ()
        yield Problem(Place(file, key="needs.buttons"), what, "add pads, or take buttons out", also)


def _menu(data: Mapping[str, Any], file: str) -> Iterator[Problem]:
    """Yield the path of one menu file for all cores that depends on a core."""
    cores = data.get("cores")
    menu = cores.get("menu") if isinstance(cores, dict) else None
    if isinstance(menu, dict) and menu.get("one-for-all") is True:
        for key, path in texts(data, "cores", "menu", "path"):
            if "{" in path:
                what = f"found {quote(path)}, expected a path without fields: one file names all cores"
                yield Problem(Place(file, key=key), what, "write it from the card's root, or leave out one-for-all")


def _display_names(data: Mapping[str, Any], file: str) -> Iterator[Problem]:
    """Yield displays that messages could not tell from an earlier one."""
    first: dict[str, Place] = {}
    for index, display in tables(data.get("displays")):
        for key, name in texts(display, "name"):
            place = Place(file, key=spell(("displays", index, key)))
            if first.setdefault(name, place) != place:
                what = f"found {quote(name)} a second time, expected a name of its own for each display"
                yield Problem(place, what, "", (first[name],))


def _configs(kind: str, data: Mapping[str, Any]) -> Iterator[tuple[Path, Mapping[str, Any]]]:
    """Yield each text file a manifest has written, with its path."""
    if kind == "board" and isinstance(cores := data.get("cores"), dict) and isinstance(cores.get("menu"), dict):
        yield ("cores", "menu"), cores["menu"]
    for index, config in tables(data.get("configs")):
        yield ("configs", index), config


def _encoding(path: Path, config: Mapping[str, Any], file: str) -> Iterator[Problem]:
    encoding = config.get("encoding", "ascii")
    if encoding not in ENCODINGS:
        return
    for inner, text in _texts(config):
        if mark := lacking(text, encoding):
            what = f"found {quote(mark)}, which {encoding} cannot hold"
            hint = 'choose another encoding for this file, such as "utf-8"'
            yield Problem(Place(file, key=spell((*path, *inner))), what, hint)


def _texts(value: Any, path: Path = ()) -> Iterator[tuple[Path, str]]:
    """Yield the texts of a config file's lines, keys and values."""
    for key in ("head", "lines", "values", "sections") if not path else ():
        yield from _texts(value.get(key), (key,))
    if isinstance(value, str):
        yield path, value
    elif path and isinstance(value, list):
        for index, item in enumerate(value):
            yield from _texts(item, (*path, index))
    elif path and isinstance(value, dict):
        for name, item in value.items():
            yield (*path, name), name
            yield from _texts(item, (*path, name))
