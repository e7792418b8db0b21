"""Where files lie, in words, and what is wrong with it when a core reads one without a file system."""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.model.reading import Item, Reading

ORDINALS = ("", "first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")
NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def pieces(item: Item) -> str:
    """Return in how many pieces a file lies: "in one piece", "in four pieces"."""
    count = len(item.extents)
    shown = NUMBERS[count] if count < len(NUMBERS) else f"{count:,}"
    return f"in {shown} piece{'' if count == 1 else 's'}"


def placement_fault(reading: Reading, item: Item, placement: str) -> str:
    """Return what is wrong with the place of a file that must be "first" or in "one-piece"; "" when it is right.

    "first": first file entry of the root directory, an 8.3 name alone, lowest file cluster, one piece.
    """
    faults = list(_faults(reading, item, placement))
    if not faults:
        return ""
    must = "it must be the first file in one piece" if placement == "first" else "it must lie in one piece"
    mend = "copy it onto a freshly formatted card before all others" if placement == "first" else "copy it again"
    return f"{item.path} {' and '.join(faults)}; {must}: {mend}, or build the card"


def _faults(reading: Reading, item: Item, placement: str) -> Iterator[str]:
    if placement == "first":
        yield from _not_first(reading, item)
    if placement in ("first", "one-piece") and len(item.extents) > 1:
        yield f"lies {pieces(item)}"


def _not_first(reading: Reading, item: Item) -> Iterator[str]:
    root = [entry for entry in reading.items if "/" not in entry.path]
    if item not in root:
        yield "is not in the root directory"
        return
    before = [entry for entry in root[: root.index(item)] if not entry.is_folder]
    if before:
        number = root.index(item) + 1
        yield f"is the {ORDINALS[number]} entry" if number < len(ORDINALS) else f"is entry {number:,}"
    if item.slots > 1:
        yield "has a long name"
    starts = [entry.extents[0][0] for entry in reading.items if entry.extents and not entry.is_folder]
    if item.extents and not before and item.extents[0][0] != min(starts):
        yield f"begins at cluster {item.extents[0][0]:,}, after other files"


def label_fault(reading: Reading, wanted: str) -> str:
    """Return what is wrong with the place of the label's entry: "first", "second" (after a file) or "none"."""
    offset = reading.label_offset
    files = [item for item in reading.items if "/" not in item.path and not item.is_folder and item.slots == 1]
    begins = bool(reading.items) and reading.items[0] in files
    first = bool(offset) and (not reading.items or offset < reading.items[0].offset)
    if wanted == "none" and offset:
        return "the card has a volume label, the board expects none: build the card"
    if wanted == "second" and first and begins:
        return "the volume label is before the first file, the board expects it after: build the card"
    if wanted == "first" and offset and not first:
        return "the volume label is after the first entry, the board expects it before: build the card"
    return ""
