"""A card that somebody made by hand as the values that a survey is given."""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.bitstreams.identify import identify
from pipeline.configs.edit import END_OF_TEXT
from pipeline.device.folder import is_litter
from pipeline.fat.names import name_problem
from pipeline.inspect.look import card_size, parts_of
from pipeline.inspect.open_target import OpenTarget
from pipeline.record.snapshot import File
from pipeline.survey.values import SurveyedCard, SurveyedFile
from pipeline.workspace.progress import progress

LARGEST_BITSTREAM = 128 << 20
"""Bytes; the bitstreams of the largest FPGAs in the published tables have half as many."""

LARGEST_TEXT = 64 << 10
"""Bytes of a text file that may be a menu or a config file."""

ALL_TEXTS = 64 << 20
"""Bytes of all such text files together; those of further ones, in the order of the directories, are not kept."""

CONTROL = bytes(set(range(32)) - set(b"\t\n\r")) + b"\x7f"
"""Bytes that no text has."""


def surveyed_card(named: OpenTarget) -> SurveyedCard:
    """Return the files of a card with what their bytes show, without what desktops left behind.

    Every file that may be a bitstream is read once. OSError passes through.
    """
    entries = [file for path, file in named.side.files.items() if not is_litter(path)]
    legal = [file for file in entries if _is_legal(file.path)]
    files = [file for file in legal if not file.is_folder]
    too_large = [file.path for file in files if file.size > LARGEST_BITSTREAM]
    return SurveyedCard(
        files=tuple(_surveyed(named, files)),
        folders=tuple(file.path for file in legal if file.is_folder),
        reading=named.reading,
        size=card_size(named),
        left_out=(*(file.path for file in entries if not _is_legal(file.path)), *too_large),
    )


def _surveyed(named: OpenTarget, files: list[File]) -> Iterator[SurveyedFile]:
    room = ALL_TEXTS
    with progress("look", sum(file.size for file in files)) as advance:
        for file in files:
            data = b"".join(parts_of(named, file)) if 0 < file.size <= LARGEST_BITSTREAM else b""
            bitstream = identify(data) if data else None
            text = data if bitstream is None and 0 < len(data) <= min(LARGEST_TEXT, room) and _is_text(data) else None
            room -= len(text or b"")
            yield SurveyedFile(path=file.path, size=file.size, bitstream=bitstream, text=text)
            advance(file.size)


def _is_legal(path: str) -> bool:
    """Whether a card may have a path, and its names can be read in full."""
    return "\ufffd" not in path and all(name_problem(part) is None for part in path.split("/"))


def _is_text(data: bytes) -> bool:
    text = data.rstrip(END_OF_TEXT)
    return len(text.translate(None, CONTROL)) == len(text)
