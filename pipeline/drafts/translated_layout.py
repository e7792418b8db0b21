"""What a person writes in place of many ROM files that a script makes the same way: a layout, and titles of it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from typing import Any

from pipeline.manifest.text.write import toml_value
from pipeline.model.text import counted, shown
from pipeline.model.units import written_size
from pipeline.solve.manifest_text import assigned, rom_values, step_blocks
from pipeline.translate.layouts import FoundLayout, found_layouts
from pipeline.translate.translate import Translation


def layouts_of(translation: Translation, inputs: Mapping[str, bytes]) -> tuple[FoundLayout, ...]:
    """Return the layouts that a script's ROM files share; ``inputs``: the bytes of the chips, by their files."""
    return found_layouts(translation.roms, {name: len(inputs[file]) for file, name in translation.chips.items()})


def layout_lines(translation: Translation, inputs: Mapping[str, bytes]) -> Iterator[str]:
    """Yield what is offered, each line a comment; nothing where no two ROM files are made the same way."""
    for number, layout in enumerate(layouts_of(translation, inputs), 1):
        name, path = f"layout-{number}", _path(layout)
        head = f"{counted(len(layout.uses), 'ROM file')} are made the same way; they can share a layout of the core:"
        yield from ("", f"# {head}")
        for line in _layout(layout, name, path):
            yield f"# {line}".rstrip()
        yield from ("#", "# and each be a title, or a variant of one:")
        files = {chip: file for file, chip in translation.chips.items()}
        for drafted, chips in layout.uses:
            yield from ("#", f"# {shown(drafted.file)}")
            yield f"# {assigned('layout', name)}"
            yield f"# {assigned('file-name', _stem(drafted.rom.path, path))}"
            for socket, chip in chips.items():
                sha256 = hashlib.sha256(inputs[files[chip]]).hexdigest()
                yield f"# {assigned(f'sockets.{socket}', {'sha256': sha256})}  # {shown(files[chip])}"


def layout_document(layout: FoundLayout) -> dict[str, Any]:
    """Return a layout and its uses as JSON has them."""
    return {
        "sockets": {socket: {"size": size} for socket, size in layout.sizes.items()},
        "rom": {"path": _path(layout), "size": layout.rom.size, **rom_values(layout.rom)},
        "titles": [{"file": drafted.file, "sockets": dict(chips)} for drafted, chips in layout.uses],
    }


def _layout(layout: FoundLayout, name: str, path: str) -> Iterator[str]:
    yield f"[layouts.{name}.sockets]"
    for socket, size in layout.sizes.items():
        yield f"{socket} = {toml_value({'size': written_size(size)})}"
    yield from ("", f"[[layouts.{name}.rom]]", assigned("path", path), assigned("size", written_size(layout.rom.size)))
    values = rom_values(layout.rom)
    yield from (assigned(key, values[key]) for key in ("fill", "then") if key in values)
    yield ""
    yield from step_blocks(layout.rom.steps).replace("[[rom.steps]]", f"[[layouts.{name}.rom.steps]]").splitlines()


def _path(layout: FoundLayout) -> str:
    """Return the path of the layout's ROM file: what all paths begin and end with, around the field {title}."""
    paths = [drafted.rom.path for drafted, _ in layout.uses]
    folders, endings = {path.rpartition("/")[0] for path in paths}, {_ending(path) for path in paths}
    folder = f"{folders.pop()}/" if len(folders) == 1 and "" not in folders else ""
    return f"{folder}{{title}}{endings.pop() if len(endings) == 1 else ''}"


def _ending(path: str) -> str:
    stem, dot, ending = path.rpartition("/")[2].rpartition(".")
    return f"{dot}{ending}" if stem else ""


def _stem(path: str, layout_path: str) -> str:
    return path.rpartition("/")[2].removesuffix(layout_path.partition("{title}")[2])
