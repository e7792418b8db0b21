"""Whether an image, a disk or a mounted card is still what its record says."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any

from pipeline.device.folder import belongs, is_litter
from pipeline.device.identify import is_half_written
from pipeline.fat.names import fold
from pipeline.file_digest import sha256_of_file
from pipeline.image.contents import hash_contents
from pipeline.inspect.open_target import PART
from pipeline.inspect.planned_image import CardImage, Planned, unreadable
from pipeline.inspect.user_files import Yours, is_yours
from pipeline.model.plan import Plan
from pipeline.model.reading import Item, Reading
from pipeline.model.spans import differing_at
from pipeline.record.entry_text import attributes_words
from pipeline.record.fields import Naming
from pipeline.record.regions import Region, regions_of
from pipeline.record.verdict import HARMLESS, DifferingSpot, FoundVolume, changed_attributes, chips_at, is_sound, spots
from pipeline.volume.read import NotFatError, read_volume
from pipeline.workspace.progress import progress

GOOD, TOUCHED, DAMAGED, HALF_WRITTEN, OTHER = "good", "good but touched", "damaged", "half written", "not this card"
ZEROS = bytes(PART)
WITH_CONTENTS = ("free space", "after the volume", "file")
"""Regions that are not held against planned bytes."""


@dataclass(frozen=True, order=True, slots=True, kw_only=True)
class Damage:
    """Something of the card that is not as its record says.

    ``path``: of a file, with the ``title`` and ``chips`` whose bytes they are; "" for what is not a file. ``offset``:
    in the image, -1 where that says nothing. ``structure``: whether it is a place of the file system.
    """

    path: str = ""
    what: str
    title: str = ""
    chips: tuple[str, ...] = ()
    offset: int = -1
    structure: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """What became of a card. ``touched``: harmless changes; ``litter`` and ``others``: files that are not the card's.

    ``unreadable``: (first byte, end, whose). ``unseen``: what could not be checked here.
    """

    card: str
    verdict: str
    damages: tuple[Damage, ...] = ()
    touched: tuple[str, ...] = ()
    litter: tuple[str, ...] = ()
    others: tuple[str, ...] = ()
    yours: Yours = field(default_factory=Yours)
    unreadable: tuple[tuple[int, int, str], ...] = ()
    unseen: tuple[str, ...] = ()


def verify_image(
    image: CardImage,
    plan: Plan,
    record: Mapping[str, Any],
    reference: CardImage | None = None,
    keep: Sequence[str] = (),
) -> Verification:
    """Hold an image or disk against plan and record.

    ``reference``: the image as built, to say which bytes of a file differ. ``keep``: what is the user's.
    """
    if is_half_written(plan, image.read):
        return Verification(card=record["card"]["id"], verdict=HALF_WRITTEN)
    planned = Planned(plan)
    hashes = {file["path"]: file["sha256"] for file in record["files"]}
    wrong = _wrong_files(image, plan, hashes)
    if not wrong and image.size >= planned.size and planned.is_on(image) and not image.bad:
        return Verification(card=record["card"]["id"], verdict=GOOD)
    expected = read_volume(planned.read, planned.size)
    regions = regions_of(expected, planned.size)
    yours = {item.path for item in expected.items if is_yours(item.path, keep, is_folder=item.is_folder)}
    differing = _differing(image, planned, regions)
    short = (
        [Damage(what=f"it has {image.size:,} bytes, expected {planned.size:,}")] if image.size < planned.size else []
    )
    found, right, reading_damages = _as_it_is(image, expected, hashes, wrong, yours)
    own = hashes.keys() - yours
    if len((right | (own - wrong)) & own) * 2 < len(own):
        return Verification(card=record["card"]["id"], verdict=OTHER, unreadable=unreadable(image, regions))
    naming = Naming(expected)
    found_spots = [
        spot
        for region, planned_bytes, card_bytes in differing
        for spot in spots(region, planned_bytes, card_bytes, naming, found)
    ]
    if any(spot.damaged and spot.owner == "boot sector" for spot in found_spots):
        # what the rest of the volume looks like through a wrong boot sector says nothing of it
        right, reading_damages = hashes.keys() - wrong, []
        found = FoundVolume(sound=False, reading=None, items={})
    files = {file["path"]: file for file in record["files"] if file["path"] not in yours}
    attributes = list(changed_attributes(expected, found))
    damages = [
        *short,
        *(_file_damage(files[item.path], expected.ranges(item), found, image, reference)
          for item in expected.items if item.path in files and item.path not in right),
        *_placement(files, found, expected),
        *(_attribute_damage(*pair) for pair in attributes),
        *reading_damages,
        *(_spot_damage(spot) for spot in sorted(found_spots, key=_order)
          if spot.damaged and not (spot.field == "attributes" and spot.path in {item.path for item, _ in attributes})),
    ]  # fmt: skip
    extra = sorted(found.items.keys() - {item.path for item in expected.items})
    touched = dict.fromkeys(_spot(spot) for spot in found_spots if not spot.damaged)
    touched |= dict.fromkeys(f"{path}: rewritten at another position" for path in sorted((wrong & right) - yours))
    mine = [path for path in extra if is_yours(path, keep, is_folder=found.items[path].is_folder)]
    foreign = [path for path in extra if path not in mine]
    return Verification(
        card=record["card"]["id"],
        verdict=DAMAGED if damages or image.bad else TOUCHED,
        damages=tuple(damages),
        touched=tuple(touched),
        litter=tuple(path for path in foreign if is_litter(path)),
        others=tuple(path for path in foreign if not is_litter(path)),
        yours=_yours(found, hashes.keys() & yours, right, [path for path in mine if not found.items[path].is_folder]),
        unreadable=unreadable(image, regions),
    )


def _yours(found: FoundVolume, planned: Set[str], right: Set[str], new: Iterable[str]) -> Yours:
    if found.reading is None:
        return Yours()
    return Yours(
        changed=tuple(sorted(path for path in planned - right if path in found.items)),
        new=tuple(new),
        removed=tuple(sorted(planned - found.items.keys())),
    )


def _wrong_files(image: CardImage, plan: Plan, hashes: Mapping[str, str]) -> set[str]:
    """Return the files whose bytes are not right where they were planned."""
    files = sorted((entry for entry in plan.entries if not entry.is_folder), key=lambda entry: -entry.size)
    places = [(entry, plan.volume.cluster_offset(entry.cluster)) for entry in files]
    with progress("verify", sum(entry.size for entry in files)) as advance:
        found = hash_contents(image.read, places, advance)  # the largest first, so that no thread waits for one long
        return {entry.path for entry, sha256 in found if sha256 != hashes[entry.path]}


def _differing(image: CardImage, planned: Planned, regions: Iterable[Region]) -> list[tuple[Region, bytes, bytes]]:
    """Return each region outside of files that is not as planned, with the planned and the actual bytes."""
    found = []
    for region in regions:
        if region.owner.kind not in WITH_CONTENTS:
            length = region.end - region.start
            actual = image.read(region.start, length)
            expected = ZEROS[:length] if region.owner.kind == "slack" else planned.read(region.start, length)
            if actual != expected:
                found.append((region, expected, actual))
    return found


def _as_it_is(
    image: CardImage, expected: Reading, hashes: Mapping[str, str], wrong: set[str], yours: Set[str]
) -> tuple[FoundVolume, set[str], list[Damage]]:
    """Return the volume as it is now, the files whose bytes are right wherever they lie, and what is wrong with it."""
    right = {path for path in hashes if path not in wrong}
    try:
        reading = read_volume(image.read, image.size)
    except NotFatError as error:
        return FoundVolume(sound=False, reading=None, items={}, yours=yours), right, [Damage(what=str(error))]
    items = {item.path: item for item in reading.items}
    places = {item.path: expected.ranges(item) for item in expected.items}
    for path, sha256 in hashes.items():
        item = items.get(path)
        if item is None or item.is_folder:
            right.discard(path)
        elif reading.ranges(item) != places[path]:
            right.discard(path)
            if image.digest(reading.ranges(item)) == sha256:
                right.add(path)
    damages = [
        Damage(
            path=finding.path if finding.path in hashes else "",
            what=f"{finding.kind}: {finding.what}",
            offset=finding.offset,
            structure=True,
        )
        for finding in reading.findings
        if finding.kind not in HARMLESS
    ]
    sound = is_sound(expected, reading, right, yours)
    return FoundVolume(sound=sound, reading=reading, items=items, yours=yours), right, damages


def _placement(files: Mapping[str, Mapping[str, Any]], found: FoundVolume, expected: Reading) -> Iterable[Damage]:
    """Yield each file that does not lie as its core needs it."""
    if found.reading is None:
        return
    planned = {item.path: item for item in expected.items}
    for path, file in files.items():
        item = found.items.get(path)
        if item is None or file["placement"] == "anywhere":
            continue
        if len(item.extents) > 1:
            yield Damage(path=path, what=f"is in {len(item.extents)} pieces; expected one", title=_title(file))
        if file["placement"] == "first" and (item.extents, item.offset) != (
            planned[path].extents,
            planned[path].offset,
        ):
            yield Damage(path=path, what="is no longer the first file of the card", title=_title(file))


def _file_damage(
    file: Mapping[str, Any],
    ranges: tuple[tuple[int, int], ...],
    found: FoundVolume,
    image: CardImage,
    reference: CardImage | None,
) -> Damage:
    """Return what is wrong with a file: with the image as built at hand, which bytes and chips."""
    if found.reading is not None and file["path"] not in found.items:
        return Damage(path=file["path"], what="is missing", title=_title(file))
    offsets: list[int] = []
    if reference is not None and reference.digest(ranges) == file["sha256"]:
        offsets = list(islice(_offsets(ranges, image, reference), PART))
    return Damage(
        path=file["path"],
        what=_differing_bytes(offsets),
        title=_title(file),
        chips=tuple(chips_at(file["made-from"], offsets)),
        offset=ranges[0][0] + (offsets[0] if offsets else 0) if ranges else -1,
    )


def _differing_bytes(offsets: Sequence[int]) -> str:
    """Return "1 byte differs, at offset 0x5123" or the like; at most ``PART`` of them are counted."""
    if not offsets:
        return "its bytes differ"
    if len(offsets) == 1:
        return f"1 byte differs, at offset 0x{offsets[0]:04X}"
    more = "at least " if len(offsets) == PART else ""
    return f"{more}{len(offsets):,} bytes differ, the first at offset 0x{offsets[0]:04X}"


def _offsets(ranges: Iterable[tuple[int, int]], expected: CardImage, actual: CardImage) -> Iterator[int]:
    """Yield which bytes of a file differ between two media that have it in the same place."""
    done = 0
    for start, length in ranges:
        for at in range(0, length, PART):
            size = min(PART, length - at)
            yield from (
                done + at + byte for byte in differing_at(*(side.read(start + at, size) for side in (actual, expected)))
            )
        done += length


def _title(file: Mapping[str, Any]) -> str:
    origin = file["made-from"]
    return str(origin["owner"]) if origin["kind"] in ("rom-file", "title-file") else ""


def _attribute_damage(planned: Item, actual: Item) -> Damage:
    names = attributes_words(actual.attributes), attributes_words(planned.attributes)
    return Damage(path=planned.path, what=f"its attributes are {names[0]}; expected {names[1]}", offset=actual.offset)


def _order(spot: DifferingSpot) -> tuple[bool, int]:
    """Directories and boot sectors before FATs, whose entries follow from what is in the directories."""
    return spot.owner.startswith("FAT "), spot.offset


def _spot_damage(spot: DifferingSpot) -> Damage:
    if spot.path:
        return Damage(path=spot.path, what=f"directory entry: {spot.field}", offset=spot.offset, structure=True)
    return Damage(what=_spot(spot), offset=spot.offset, structure=True)


def _spot(spot: DifferingSpot) -> str:
    of = f" of {spot.path}" if spot.path else ""
    return f"{spot.owner}: {spot.field}{of}" if spot.field else spot.owner


class OpenedFolder:
    """The files of a mounted card or a plain folder, each read once; names are compared as FAT does."""

    def __init__(self, path: Path) -> None:
        files = [file for file in sorted(path.rglob("*")) if file.is_file()]
        self._files = {fold(file.relative_to(path).as_posix()): file for file in files}
        self.paths = {name: file.relative_to(path).as_posix() for name, file in self._files.items()}
        self._digests: dict[Path, str] = {}

    def wrong(self, file: Mapping[str, Any]) -> str:
        """Return what is wrong with a file of a record, "" where it is right."""
        path = self._files.get(fold(file["path"]))
        if path is None:
            return "is missing"
        try:
            if (size := path.stat().st_size) != file["size"]:
                return f"has {size:,} bytes, expected {file['size']:,}"
            return "" if self._digest(path) == file["sha256"] else "its bytes differ"
        except OSError as error:
            return f"cannot be read: {error.strerror}"

    def _digest(self, path: Path) -> str:
        if path not in self._digests:
            self._digests[path] = sha256_of_file(path)
        return self._digests[path]


def verify_folder(folder: OpenedFolder, record: Mapping[str, Any], keep: Sequence[str] = ()) -> Verification:
    """Hold a mounted card or a plain folder against a record; ``keep``: what is the user's."""
    damages, right = list[Damage](), 0
    changed, removed = list[str](), list[str]()
    own = [file for file in record["files"] if not belongs(file["path"], keep)]
    with progress("verify", sum(file["size"] for file in record["files"])) as advance:
        for file in record["files"]:
            what = folder.wrong(file)
            advance(file["size"])
            if belongs(file["path"], keep):
                if what:
                    (removed if what == "is missing" else changed).append(file["path"])
                continue
            right += not what
            if what:
                chips = tuple(chips_at(file["made-from"], ())) if what != "is missing" else ()
                damages.append(Damage(path=file["path"], what=what, title=_title(file), chips=chips))
    planned = {fold(file["path"]) for file in record["files"]}
    extra = sorted(path for name, path in folder.paths.items() if name not in planned)
    yours = Yours(
        changed=tuple(changed),
        new=tuple(path for path in extra if is_yours(path, keep, is_folder=False)),
        removed=tuple(removed),
    )
    verdict = TOUCHED if extra or yours else GOOD
    if damages:
        verdict = DAMAGED if right * 2 >= len(own) else OTHER
    return Verification(
        card=record["card"]["id"],
        verdict=verdict,
        damages=tuple(damages),
        litter=tuple(path for path in extra if is_litter(path)),
        others=tuple(path for path in extra if not is_litter(path) and path not in yours.new),
        yours=yours,
        unseen=("positions of files, both FATs and directories; name the disk or an image to check them",),
    )
