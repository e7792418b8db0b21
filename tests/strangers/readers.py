"""Holds an image to what six strangers say of it: fsck.fat, mtools, pyfatfs, FatFs, dissect.fat and libfsfat.

``assert_all_agree(image, plan, tmp_path)`` is the whole interface. It fails unless every reader finds exactly the
files and folders expected, each under its path, with its size and SHA-256, in directory order, and nothing else;
and, where the reader tells them rightly, the time of writing, the label and the serial. What a reader cannot do is
allowed for here and nowhere else:

* FatFs knows code page 437 only. A name outside it appears as its short name; a name inside it that is not ASCII
  arrives as code page bytes that fatfs-ng decodes as UTF-8. It tells no times, and its time to read a folder grows
  with the square of the folder's length.
* mtools shows two underscores for a character outside Unicode's basic plane, and times to the minute only. From
  2100-03-01 on its copies are a day late, so they are not used for times at all. Of a root directory without files it
  says nothing, not even the serial.
* libfsfat's times are a month late. They are not used.
* pyfatfs sorts folders before files. Its order is not used.
* fsck.fat reads no contents and knows no offset. It gets a copy of the volume, and its counts are compared.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path, PurePosixPath
from types import MappingProxyType

from pipeline.model.plan import SECTOR, Plan
from tests.strangers import with_dissect, with_fatfs, with_fsck, with_libfsfat, with_mtools, with_pyfatfs
from tests.strangers.items import Item, sha256_of

NONE: Mapping[str, str] = MappingProxyType({})
READERS = ("fsck.fat", "mtools", "pyfatfs", "fatfs", "dissect", "libfsfat")


@dataclass(frozen=True, slots=True)
class Expected:
    """What is on the volume: each item with its long path, and the short name of each path's last part.

    ``label``, ``serial``, ``moment``, ``used`` (clusters): None where it is not known.
    """

    items: tuple[Item, ...]
    shorts: Mapping[str, str]
    offset: int = 0
    label: str | None = None
    serial: str | None = None
    moment: datetime | None = None
    used: tuple[int, int] | None = None

    def short_path(self, path: str) -> str:
        """Return the path in short names."""
        parents = [str(parent) for parent in PurePosixPath(path).parents][-2::-1] if path else []
        return "/".join(self.shorts[part] for part in [*parents, path]) if path else ""


def of_plan(plan: Plan) -> Expected:
    """Return what a plan says is on the card."""
    volume = plan.volume
    return Expected(
        items=tuple(Item(entry.path, entry.size, entry.sha256) for entry in plan.entries),
        shorts={entry.path: entry.short for entry in plan.entries},
        offset=volume.start * SECTOR,
        label="" if plan.label_entry == "none" else plan.label,
        serial=f"{plan.serial >> 16:04X}-{plan.serial & 0xFFFF:04X}",
        moment=plan.timestamp,
        used=(sum(entry.clusters for entry in plan.entries) + plan.root_clusters, volume.clusters),
    )


def of_files(files: Mapping[str, bytes], shorts: Mapping[str, str] = NONE, offset: int = 0) -> Expected:
    """Return what a volume holds that some other tool filled in this order; ``shorts`` where path and name differ."""
    items: dict[str, Item] = {}
    for path, content in files.items():
        for parent in reversed(PurePosixPath(path).parents[:-1]):
            items.setdefault(str(parent), Item(str(parent), 0, ""))
        items[path] = Item(path, len(content), sha256_of([content]))
    names = {path: shorts.get(path, PurePosixPath(path).name) for path in items}
    return Expected(items=tuple(items.values()), shorts=names, offset=offset)


def assert_all_agree(image: Path, expected: Plan | Expected, tmp_path: Path, *, skip: Mapping[str, str] = NONE) -> None:
    """Fail unless all six readers find in the image exactly what is expected.

    ``skip`` maps the name of a reader that cannot serve a test to the reason why.
    """
    assert set(skip) <= set(READERS)
    wanted = of_plan(expected) if isinstance(expected, Plan) else expected
    for reader in READERS:
        if reader not in skip:
            with tempfile.TemporaryDirectory(dir=tmp_path) as folder:
                CHECKS[reader](image, wanted, Path(folder))


def _check_fsck(image: Path, expected: Expected, tmp_path: Path) -> None:
    files, used, clusters = with_fsck.check(image, expected.offset, tmp_path)
    label = bool(expected.label)
    if expected.used is not None:
        assert (files, used, clusters) == (len(expected.items) + label, *expected.used), "fsck.fat counts otherwise"


def _check_mtools(image: Path, expected: Expected, tmp_path: Path) -> None:
    found = with_mtools.listing(image, expected.offset, tmp_path)
    if expected.label is not None and expected.items:
        assert (found.label, found.serial) == (expected.label, expected.serial), "mtools: label and serial"
    minute = expected.moment and expected.moment.replace(second=0)
    items = with_mtools.read(image, expected.offset, tmp_path)
    _compare("mtools", items, expected, lambda path: "".join(c if c <= "\uffff" else "__" for c in path), minute)


def _check_pyfatfs(image: Path, expected: Expected, tmp_path: Path) -> None:
    items = with_pyfatfs.read(image, expected.offset)
    _compare("pyfatfs", items, expected, str, expected.moment, in_order=False)


def _check_fatfs(image: Path, expected: Expected, tmp_path: Path) -> None:
    shorts: dict[str, list[str]] = {}
    for item in expected.items:
        above, _, name = expected.short_path(item.path).rpartition("/")
        shorts.setdefault(above, []).append(name)
    _compare("fatfs", with_fatfs.read(image, shorts), expected, lambda path: _as_fatfs_lists(path, expected), None)


def _check_dissect(image: Path, expected: Expected, tmp_path: Path) -> None:
    _compare("dissect", with_dissect.read(image, expected.offset), expected, str, expected.moment)


def _check_libfsfat(image: Path, expected: Expected, tmp_path: Path) -> None:
    _compare("libfsfat", with_libfsfat.read(image, expected.offset), expected, str, None)


CHECKS: Mapping[str, Callable[[Path, Expected, Path], None]] = {
    "fsck.fat": _check_fsck,
    "mtools": _check_mtools,
    "pyfatfs": _check_pyfatfs,
    "fatfs": _check_fatfs,
    "dissect": _check_dissect,
    "libfsfat": _check_libfsfat,
}


def _as_fatfs_lists(path: str, expected: Expected) -> str:
    """Return a path as FatFs with code page 437 lists it, after fatfs-ng decoded it as UTF-8."""
    parts = []
    for part in [*list(PurePosixPath(path).parents)[-2::-1], PurePosixPath(path)]:
        try:
            parts.append(part.name.encode("cp437").decode("utf-8", errors="replace"))
        except UnicodeEncodeError:
            parts.append(expected.shorts[str(part)])
    return "/".join(parts)


def _compare(
    reader: str,
    found: Iterable[Item],
    expected: Expected,
    spelled: Callable[[str], str],
    moment: datetime | None,
    *,
    in_order: bool = True,
) -> None:
    wanted = [replace(item, path=spelled(item.path), moment=moment) for item in expected.items]
    seen = [item if moment is not None else replace(item, moment=None) for item in found]
    one, other = sorted(seen, key=_key), sorted(wanted, key=_key)
    assert one == other, f"{reader} reads otherwise"
    if in_order:
        assert _by_folder(seen) == _by_folder(wanted), f"{reader} lists in another order"


def _key(item: Item) -> tuple[str, int, str]:
    return item.path, item.size, item.sha256


def _by_folder(items: Iterable[Item]) -> dict[str, list[str]]:
    folders: dict[str, list[str]] = {}
    for item in items:
        above, _, name = item.path.rpartition("/")
        folders.setdefault(above, []).append(name)
    return folders
