"""Where another explanation is as good, in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from pipeline.model.text import counted, quoted
from pipeline.roms.operations.arguments import show_address
from pipeline.solve.atoms import Atom, AtomSource, Span, fill_byte
from pipeline.solve.check_values import CheckField
from pipeline.solve.entries import PlacedPiece
from pipeline.solve.values import lines_are_certain

MOST_TOLD = 12
"""Notes of one kind."""


def notes_on(
    finished: bytes,
    entries: Sequence[PlacedPiece],
    fields: Sequence[CheckField],
    filled: Sequence[Span],
    alike: Mapping[str, Sequence[str]],
    sources: Sequence[AtomSource],
    used: set[str],
) -> list[str]:
    """Return what is as good: equal chips, a fill that may be a chip, a field that fits by chance, other data lines."""
    same = "hold the same bytes; any of them may stand where one of them is named"
    notes = [f"chips {quoted(names, 'and')} {same}" for names in alike.values() if len(names) > 1 and used & set(names)]
    notes += [
        f"the check field {field.change.operation} at {show_address(field.start)} is 1 byte, which can fit by chance: "
        "try the steps on another finished file"
        for field in fields
        if field.end - field.start == 1
    ]
    blank = {source.data[0]: source for source in sources if source.data.count(source.data[0]) == len(source.data)}
    for span in filled:
        value = fill_byte(span)
        if value in blank and span.end - span.start >= len(blank[value].data):
            notes.append(
                f'the fill at {show_address(span.start)} may as well be chip "{blank[value].chip}", '
                f"which holds nothing but 0x{value:02X}"
            )
    for entry in entries:
        made = entry.made
        if isinstance(made, Atom):
            if made.source.chip and made.data.count(made.data[0]) == made.size:
                notes.append(f'chip "{made.source.chip}" at {show_address(entry.start)}: a fill of '
                             f"0x{made.data[0]:02X} gives the same bytes")  # fmt: skip
            part = made.source.data[made.offset : made.offset + made.size]
            if not lines_are_certain(part, made.then):
                notes.append(f'chip "{made.source.chip}" at {show_address(entry.start)}: other orders of data lines '
                             "give the same bytes")  # fmt: skip
    if len(notes) > MOST_TOLD:
        notes = [*notes[:MOST_TOLD], f"{counted(len(notes) - MOST_TOLD, 'more note')} of these kinds"]
    return notes
