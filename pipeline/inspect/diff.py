"""What differs between two cards, however each of them was named."""

from __future__ import annotations

import os
import stat
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, replace

from pipeline.configs.differ import text_changes
from pipeline.errors import MachineError
from pipeline.image.digest import data_extents
from pipeline.image.opened import read_at
from pipeline.inspect.open_target import OpenTarget, digest
from pipeline.inspect.user_files import Yours, is_yours, yours_between
from pipeline.model.reading import Reading
from pipeline.model.spans import differing_count, joined
from pipeline.model.text import counted
from pipeline.record.bytes import Differing, Tally
from pipeline.record.compare import Changes, compare, to_hash
from pipeline.record.regions import regions_of, used_ranges
from pipeline.record.snapshot import CardSnapshot
from pipeline.threads import Threads
from pipeline.workspace.progress import progress

PART = 2 << 20
"""Bytes of both images that one thread compares at a time."""

THREADS = min(4, os.cpu_count() or 1)

LARGEST = 16 << 20
"""Bytes of a file that is looked at for what changed in it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """All differences of two cards. ``differing``: the bytes of two images by owner, None for anything else.

    ``whole``: whether free space was looked at too. ``yours``: files of the user, which are no difference of the cards.
    """

    changes: Changes
    differing: tuple[Differing, ...] | None = None
    whole: bool = True
    yours: Yours = Yours()  # noqa: RUF009  # a frozen value

    @property
    def equal(self) -> bool:
        """Whether there is none, but for what is the user's."""
        return not self.changes and not self.differing


def diff(old: OpenTarget, new: OpenTarget, *, keep: Sequence[str] = ()) -> Comparison:
    """Return every difference; files are read only where nothing else decides.

    ``keep``: what is the user's. Where nothing else differs, tables, folders and hashes, which change with it, are left
    out.
    """
    differing, same, whole = None, set[str](), True
    if old.reading and new.reading:
        differing, whole = _differing(old, new)
        same = _same(old.reading, new.reading, differing)
    wanted = to_hash(old.side, new.side, same)
    old_side, new_side = (_hashed(target, paths) for target, paths in zip((old, new), wanted, strict=True))
    causes = {path: lines for path in _changed(old_side, new_side) if (lines := _causes(old, new, path))}
    yours = yours_between(old_side.files, new_side.files, keep)
    if not yours:
        return Comparison(changes=compare(old_side, new_side, causes), differing=differing, whole=whole)
    changes = compare(_without_yours(old_side, keep), _without_yours(new_side, keep), causes)
    if all(change.group == "image" for change in changes):
        changes = ()
        if differing is not None:
            differing = tuple(found for found in differing if not _follows(found, keep))
    return Comparison(changes=changes, differing=differing, whole=whole, yours=yours)


FOLLOWING = ("FAT", "folder", "root directory", "FSInfo", "backup FSInfo", "free space")
"""Owners whose bytes change with the user's files, and with no others where these and their entries are equal."""


def _without_yours(side: CardSnapshot, keep: Sequence[str]) -> CardSnapshot:
    files = {path: file for path, file in side.files.items() if not is_yours(path, keep, is_folder=file.is_folder)}
    return replace(side, files=files)


def _follows(found: Differing, keep: Sequence[str]) -> bool:
    return all(
        owner.kind in FOLLOWING or is_yours(owner.path, keep, is_folder=False) for owner in (found.old, found.new)
    )


def _differing(old: OpenTarget, new: OpenTarget) -> tuple[tuple[Differing, ...], bool]:
    """Return the differing bytes of two images, and whether all of both were looked at."""
    images = [named.image for named in (old, new) if named.image is not None]
    sides = [regions_of(named.reading, named.size) for named in (old, new) if named.reading]
    size = min(old.size, new.size)
    files = all(stat.S_ISREG(os.fstat(image).st_mode) for image in images)
    ranges = [
        list(data_extents(image, size)) if files else used_ranges(side)
        for image, side in zip(images, sides, strict=True)
    ]
    tally = Tally(*sides)
    every = joined([(start, min(end, size)) for part in ranges for start, end in part if start < size])
    with progress("compare", sum(end - start for start, end in every)) as advance:
        for length, unequal in _compared(images, every):
            if unequal:
                tally.add(*unequal)
            advance(length)
    return tally.found, files


def _compared(
    images: Sequence[int], ranges: Iterable[tuple[int, int]]
) -> Iterator[tuple[int, tuple[int, bytes, bytes] | None]]:
    """Yield the bytes of each part of the ranges, and where it differs its offset and the bytes of both images.

    Several are compared at a time, and no more are read than are waited for.
    """
    parts = ((at, min(PART, end - at)) for start, end in ranges for at in range(start, end, PART))
    with Threads(THREADS) as pool:
        coming = deque[tuple[int, Future[tuple[int, bytes, bytes] | None]]]()
        for at, length in parts:
            coming.append((length, pool.submit(_unequal, images, at, length)))
            if len(coming) > THREADS:
                size, found = coming.popleft()
                yield size, found.result()
        for size, found in coming:
            yield size, found.result()


def _unequal(images: Sequence[int], offset: int, length: int) -> tuple[int, bytes, bytes] | None:
    one, other = (read_at(image, offset, length) for image in images)
    if len(one) != len(other):
        raise MachineError.one("one of the two became shorter while they were compared", "compare them again")
    return (offset, one, other) if one != other else None


def _same(old: Reading, new: Reading, differing: Iterable[Differing]) -> set[str]:
    """Return the files that lie in the same bytes on both, none of which differ."""
    touched = {owner.path for spot in differing for owner in (spot.old, spot.new) if owner.kind == "file"}
    places = {item.path: (item.size, old.ranges(item)) for item in old.items if not item.is_folder}
    return {
        item.path
        for item in new.items
        if not item.is_folder
        and item.path not in touched
        and places.get(item.path) == (item.size, new.ranges(item))
        and sum(length for _, length in new.ranges(item)) == item.size
    }


def _hashed(named: OpenTarget, paths: Iterable[str]) -> CardSnapshot:
    """Return a side with the hashes of some of its files, as far as it does not have them."""
    side, parts = named.side, named.parts
    todo = [path for path in sorted(paths) if not side.files[path].sha256]
    if parts is None or not todo:
        return side
    total = sum(side.files[path].size for path in todo)
    found = {}
    with progress(f"read {named.shown}", total) as advance, Threads(2) as pool:
        for path, sha256 in zip(todo, pool.map(lambda path: digest(parts(path)), todo), strict=True):
            found[path] = sha256
            advance(side.files[path].size)
    files = {path: replace(file, sha256=found.get(path, file.sha256)) for path, file in side.files.items()}
    return replace(side, files=files)


def _changed(old: CardSnapshot, new: CardSnapshot) -> list[str]:
    """Return the paths of files that changed and are small enough to be looked at; of two records only config files."""
    records = bool(old.card and new.card)
    return [
        path
        for path, file in new.files.items()
        if path in old.files
        and not (file.is_folder or old.files[path].is_folder)
        and max(file.size, old.files[path].size) <= LARGEST
        and (not records or file.origin.get("kind") in ("config", "menu"))
        and (file.size, file.sha256) != (old.files[path].size, old.files[path].sha256)
    ]


def _causes(old: OpenTarget, new: OpenTarget, path: str) -> tuple[str, ...]:
    """Return what differs in a file, none where one of the two is not at hand."""
    if old.parts is None or new.parts is None:
        return ()
    before, after = (b"".join(parts(path)) for parts in (old.parts, new.parts))
    if [len(before), len(after)] != [named.side.files[path].size for named in (old, new)]:
        return ()
    if changes := tuple(text_changes(before, after)):
        return changes
    if len(before) != len(after):
        return ()
    count, first = differing_count(before, after)
    return (f"{counted(count, 'byte')} changed, the first at 0x{first:04X}",) if count else ()
