"""The title that a script makes, as a drafted manifest: chips pinned, steps with the script's line beside each."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping

from pipeline.manifest.text.blank import BLANK, BLANKS_ARE
from pipeline.manifest.text.write import pair
from pipeline.model.text import shorten, shown
from pipeline.model.units import show_size
from pipeline.solve.manifest_text import assigned, chip_table, rom_values, step_blocks
from pipeline.translate.translate import DraftedRom, Translation

LONGEST = 100
"""Characters of a script's line that a comment repeats."""


def translated_text(translation: Translation, script: str, inputs: Mapping[str, bytes], core: str) -> Iterator[str]:
    """Yield the lines of a title; ``inputs``: the bytes of the chips, by their files."""
    yield f"# Drafted from the script {shown(script)}. {BLANKS_ARE}"
    yield from (pair("name", BLANK), pair("core", core))
    for file, name in translation.chips.items():
        data = inputs[file]
        yield from ("", f"# {shown(file)}")
        yield chip_table(name, _size(len(data)), hashlib.sha256(data).hexdigest()).rstrip("\n")
    for drafted in translation.roms:
        yield ""
        if drafted.file != drafted.rom.path:
            yield f"# {shown(drafted.file)}"
        yield from ("[[rom]]", assigned("path", drafted.rom.path), assigned("size", _size(drafted.rom.size)))
        yield assigned("sha256", drafted.sha256)
        yield from (assigned(key, value) for key, value in rom_values(drafted.rom).items() if key != "steps")
        yield from _steps(drafted, translation.text)


def _steps(drafted: DraftedRom, text: tuple[str, ...]) -> Iterator[str]:
    for step, line in zip(drafted.rom.steps, drafted.lines, strict=True):
        yield ""
        if 0 < line <= len(text):
            yield f"# line {line}: {_comment(text[line - 1])}"
        else:
            yield "# found from the finished file"
        yield step_blocks([step]).rstrip("\n")


def _comment(line: str) -> str:
    text = shorten(shown(" ".join(line.split())))
    return text if len(text) <= LONGEST else f"{text[: LONGEST - 3]}..."


def _size(size: int) -> int | str:
    return show_size(size) if size % 1024 == 0 else size
