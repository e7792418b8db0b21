"""Which exchange of address lines, with which change of values, turns a chip's bytes into others.

No exchange of address lines moves the first and the last byte, and it moves the bytes whose address has one line set
among themselves: that rules nearly every place out. The lines are then found from the lowest on, each by the
addresses that it and those below it reach; weights of differences stand for the bytes, since they are left as they
are by whatever was done to the data lines.
"""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.roms.operations.bits import table
from pipeline.roms.operations.wiring import address_lines
from pipeline.solve.atoms import Changes, change, changed
from pipeline.solve.values import find_changes

MOST_TRIED = 3_000
"""Lines tried for one chip at one place."""
FIELD = 4
"""Bytes of a check field, at most."""
MOST_COMPARED = 64
"""Addresses compared for one line; the whole is compared at the end."""


def weights(data: bytes) -> bytes:
    """Return in how many bits each byte differs from the first."""
    return data.translate(table(lambda value: (value ^ data[0]).bit_count()))


def may_be(chip: bytes, run: bytes, lines: int) -> bool:
    """Whether the bytes on one address line allow an exchange of lines."""
    one, two = chip[0], run[0]
    return sorted((chip[1 << k] ^ one).bit_count() for k in range(lines)) == sorted(
        (run[1 << k] ^ two).bit_count() for k in range(lines)
    )


def find_lines(chip: bytes, run: bytes, *, at_edge: bool = False) -> Changes | None:
    """Return the changes that turn a chip into a run of its size, exchanged address lines among them; None: none.

    ``at_edge``: up to FIELD bytes at the start or at the end of the run may differ, as a check field does there. Since
    all lines are inverted alike, the search may then begin at the last address as well.
    """
    lines = len(chip).bit_length() - 1
    if len(chip) != 1 << lines or len(run) != len(chip) or lines < 3:
        return None
    changes = None
    if may_be(chip, run, lines):
        changes = _found(chip, run, run, lines, slice(None))
        if changes is None and at_edge:
            changes = _found(chip, run, run, lines, slice(0, -FIELD))
    if changes is None and at_edge and may_be(chip[::-1], run[::-1], lines):
        changes = _found(chip[::-1], run[::-1], run, lines, slice(FIELD, None), chip)
    return changes


def _found(
    chip: bytes, run: bytes, wanted: bytes, lines: int, part: slice, upright: bytes | None = None
) -> Changes | None:
    for source in _searched(weights(chip), weights(run), lines):
        order = tuple(source.index(line) for line in range(lines))
        if order == tuple(range(lines)):
            continue
        moved = address_lines(upright or chip, lines=order)
        more = find_changes(moved[part], wanted[part], 1)
        if more is not None:
            return (change("address-lines", order), *more)
    return None


def _searched(chip: bytes, run: bytes, lines: int) -> Iterator[list[int]]:
    """Yield for each line of the run's address which line of the chip's it is, in every way that the weights allow."""
    left = MOST_TRIED
    stack: list[tuple[list[int], list[int]]] = [([], [0])]
    while stack:
        source, addresses = stack.pop()
        if len(source) == lines:
            yield source
            continue
        k = len(source)
        wanted = run[1 << k : (1 << k) + len(addresses)]
        for line in range(lines - 1, -1, -1):
            if line in source:
                continue
            left -= 1
            if left < 0:
                return
            bit = 1 << line
            if all(chip[address | bit] == weight for address, weight in zip(addresses, wanted, strict=True)):
                more = addresses if len(addresses) >= MOST_COMPARED else [*addresses, *(a | bit for a in addresses)]
                stack.append(([*source, line], more))


def variants(chip: bytes) -> Iterator[tuple[Changes, bytes]]:
    """Yield a chip as it is, and as it is with the lines of an address inverted that people exchange on purpose."""
    yield (), chip
    half = len(chip) // 2
    for changes in (
        (change("swap-bytes", 16),),
        (change("blocks", {"size": half, "order": (1, 0)}),),
        (change("swap-bytes", 32),),
        (change("swap-words"),),
    ):
        yield changes, changed(chip, changes)
