"""Holds what was read against what was planned, in both directions: missing, extra and different are three kinds."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from pipeline.errors import Place, Problem
from pipeline.image.expected import fat_start, last_in_chain
from pipeline.image.pyfat import Slot, Stamp
from pipeline.model.plan import Plan

REPAIR = "build the card again; if it happens again, suspect the disk it is built on"

PIECE = 1 << 16
"""FAT entries compared at a time, so that no list grows with a file."""


def compare_folder(path: str, found: Sequence[Slot], expected: Sequence[Slot]) -> Iterator[Problem]:
    """Yield how the slots of a folder ("" for the root) differ from the planned ones."""
    if found == expected:
        return
    by_key = {_key(slot): slot for slot in found}
    planned = {_key(slot): slot for slot in expected}
    for key, slot in planned.items():
        if key not in by_key:
            yield problem(_named(path, slot), "is missing; the plan has it")
        else:
            yield from _compare_slot(_named(path, slot), by_key[key], slot)
    for key, slot in by_key.items():
        if key not in planned:
            yield problem(_named(path, slot), "is there; the plan does not have it")
    if len(by_key) != len(found):
        twice = next(slot for slot in found if by_key[_key(slot)] is not slot)
        yield problem(_named(path, twice), "is there more than once; expected once")
    elif by_key.keys() == planned.keys():
        for number, (slot, wanted) in enumerate(zip(found, expected, strict=True), 1):
            if _key(slot) != _key(wanted):
                what = f'entry {number} of {_folder(path)} is "{slot.name}"; expected "{wanted.name}"'
                yield problem(_named(path, wanted), what)
                break


def compare_fat(image: str, fat: Sequence[int], plan: Plan) -> Iterator[Problem]:
    """Yield every chain of clusters that is not one ascending run, and what is used but belongs to nothing."""
    bits = plan.volume.fat_bits
    start = fat_start(bits)
    if list(fat[:2]) != start:
        what = f"the first two entries of the FAT are {_hex(fat[:2])}; expected {_hex(start)}"
        yield problem(image, what)
    for path, cluster, count in _runs(plan):
        yield from _compare_chain(path, fat, cluster, count, last_in_chain(bits))
    used = sum(count for _, _, count in _runs(plan))
    entries = fat[2:]
    if len(entries) - entries.count(0) > used:
        owned = bytearray(len(fat))
        for _, cluster, count in _runs(plan):
            owned[cluster : cluster + count] = b"\1" * count
        stray = next(number for number in range(2, len(fat)) if fat[number] and not owned[number])
        yield problem(image, f"cluster {stray:,} is in use, but belongs to no file of the plan; expected it free")


def _runs(plan: Plan) -> Iterator[tuple[str, int, int]]:
    """Yield path, first cluster and clusters of every file and folder that takes some, the root last."""
    yield from ((entry.path, entry.cluster, entry.clusters) for entry in plan.entries if entry.clusters)
    if plan.root_clusters:
        yield "", 2, plan.root_clusters


def _compare_chain(path: str, fat: Sequence[int], cluster: int, count: int, end: int) -> Iterator[Problem]:
    last = cluster + count - 1
    for start in range(cluster, last + 1, PIECE):
        stop = min(start + PIECE, last + 1)
        expected = list(range(start + 1, stop + 1))
        if stop == last + 1:
            expected[-1] = end
        if fat[start:stop] != expected:
            place = next(number for number in range(start, stop) if fat[number] != expected[number - start])
            what = (
                f"after cluster {place:,} its chain goes on with {fat[place]:#x}; expected {expected[place - start]:#x}"
            )
            yield problem(path or "/", what)
            return


def _compare_slot(path: str, found: Slot, expected: Slot) -> Iterator[Problem]:
    if found == expected:
        return
    aspects: list[tuple[str, Callable[[Slot], str]]] = [
        ("short name is", lambda slot: slot.short),
        ("long name is", lambda slot: slot.long_name),
        ("attributes are", lambda slot: f"{slot.attributes:#04x}"),
        ("first cluster is", lambda slot: f"{slot.cluster:,}"),
        ("size in bytes is", lambda slot: f"{slot.size:,}"),
        ("time of writing is", lambda slot: _moment(slot.written)),
        ("time of creation is", lambda slot: _moment(slot.created)),
        ("day of access is", lambda slot: _moment((slot.accessed, 0))[:10]),
        ("reserved bytes are", lambda slot: f"{slot.reserved}"),
    ]
    for aspect, shown in aspects:
        if shown(found) != shown(expected):
            yield problem(path, f"its {aspect} {shown(found)}; expected {shown(expected)}")


def problem(file: str, what: str) -> Problem:
    """Return a problem of an image that was just written."""
    return Problem(Place(file=file), what, REPAIR)


def _key(slot: Slot) -> tuple[str, bool]:
    return slot.name, slot.is_label


def _named(path: str, slot: Slot) -> str:
    if slot.is_label:
        return f'volume label "{slot.name}"'
    return f"{path}/{slot.name}" if path else slot.name


def _folder(path: str) -> str:
    return f'"{path}"' if path else "the root directory"


def _moment(stamp: Stamp) -> str:
    """Return the words of a moment as they read, though no calendar may have it."""
    date, time = stamp
    day = f"{1980 + (date >> 9)}-{date >> 5 & 15:02}-{date & 31:02}"
    return f"{day} {time >> 11:02}:{time >> 5 & 63:02}:{(time & 31) * 2:02}"


def _hex(values: Sequence[int]) -> str:
    return " ".join(f"{value:#x}" for value in values)
