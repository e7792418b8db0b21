"""Reads a card with FatFs, the library most small machines carry, through fatfs-ng.

It finds a partition by itself, so it is given the whole card. It is built for code page 437 without Unicode: other
names arrive as their short name, and it opens files by short name here. Every open scans its folder, so reading a
folder costs the square of its length (4,000 long names take half a minute); it tells no times.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from pathlib import Path

import fatfs.wrapper as fatfs

from tests.strangers.items import Item, chunks_of, sha256_of

SECTOR = 512


class Disk:
    """What the library needs of a disk; the count it passes is in bytes."""

    def __init__(self, image: Path) -> None:
        self._file = image.open("rb")

    def read(self, sector: int, count: int) -> bytes:
        self._file.seek(sector * SECTOR)
        return self._file.read(count)

    def ioctl_get_sector_size(self) -> int:
        return SECTOR

    def close(self) -> None:
        self._file.close()


def read(image: Path, shorts: Mapping[str, Sequence[str]]) -> list[Item]:
    """Return every file and folder in directory order.

    ``shorts`` gives the short names a folder (by its path in short names, "" for the root) should hold, in order:
    a name as listed may stand for several, and cannot always be opened by.
    """
    with closing(Disk(image)) as disk:
        partition = fatfs.Partition(disk)
        try:
            partition.mount()
            return list(_walk("", "", shorts))
        finally:
            partition.unmount()  # a partition that was not even mounted keeps one of ten places until this is called


def _walk(folder: str, short_folder: str, shorts: Mapping[str, Sequence[str]]) -> Iterator[Item]:
    listed = list(_list(short_folder))
    names = shorts.get(short_folder, ())
    if len(names) != len(listed):  # not what was expected, so the names as listed are the best there is
        names = [name for name, _, _ in listed]
    for (name, is_folder, size), short_name in zip(listed, names, strict=True):
        path, short = _below(folder, name), _below(short_folder, short_name)
        if is_folder:
            yield Item(path, 0, "")
            yield from _walk(path, short, shorts)
        else:
            yield Item(path, size, sha256_of(_content(short)))


def _below(folder: str, name: str) -> str:
    return f"{folder}/{name}" if folder else name


def _list(folder: str) -> Iterator[tuple[str, bool, int]]:
    handle, info = fatfs.DIR_Handle(), fatfs.FILINFO_Handle()
    _check(fatfs.pyf_opendir(handle, _raw(folder)), folder)
    while True:
        _check(fatfs.pyf_readdir(handle, info), folder)
        if not info.get_name():
            break
        yield info.get_name(), info.is_directory(), info.get_size()
    _check(fatfs.pyf_closedir(handle), folder)


def _content(path: str) -> Iterator[bytes]:
    handle = fatfs.FIL_Handle()
    _check(fatfs.pyf_open(handle, _raw(path), fatfs.PY_FA_READ), path)

    def part(size: int) -> bytes:
        result, data = fatfs.pyf_read(handle, size)
        _check(result, path)
        return bytes(data)

    yield from chunks_of(part)
    _check(fatfs.pyf_close(handle), path)


def _raw(path: str) -> bytes:
    return b"0:/" + path.encode("ascii", errors="replace")


def _check(result: int, path: str) -> None:
    assert result == 0, f"FatFs: {fatfs.fresult_to_name(result)} for {path!r}"
