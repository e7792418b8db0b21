"""Reads a volume with mtools: mdir for the listing, mcopy for the bytes."""

from __future__ import annotations

import os
import re
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from tests.strangers.items import CHUNK, Item, chunks_of, sha256_of
from tests.strangers.tools import require

LISTED = re.compile(
    r"(?P<stem>.{8}) (?P<extension>.{3}) (?P<size>.{9,}?) "
    r"(?P<day>\d{4}-\d\d-\d\d)  (?P<time>[ \d]\d:\d\d) (?: (?P<long>.+))?"
)
LONGEST_ON_HOST = 255
"""Bytes in a file name of the systems tests run on (NAME_MAX); a long name can have three times as many."""


@dataclass(frozen=True, slots=True)
class Listing:
    """What mdir says: label ("" for none), serial ("1234-ABCD"), and the entries with their paths in short names.

    Of a root directory without files and folders it says nothing: then the serial is "" too.
    """

    label: str
    serial: str
    entries: tuple[tuple[str, Item], ...]


def settings(tmp_path: Path) -> dict[str, str]:
    """Return the environment mtools needs to depend on nothing of this machine."""
    config = tmp_path / "mtoolsrc"
    config.write_bytes(b"default_codepage=437\n")
    return {**os.environ, "TZ": "UTC", "LC_ALL": "C.UTF-8", "MTOOLSRC": str(config)}


def listing(image: Path, offset: int, tmp_path: Path) -> Listing:
    """Return label, serial and every entry in directory order; contents are not read, ``sha256`` is "?" for a file."""
    result = _mdir(image, offset, tmp_path)
    text = result.stdout.decode("utf-8")
    label = re.search(r"^ Volume in drive : is (.{11})", text, re.MULTILINE)
    serial = re.search(r"^ Volume Serial Number is (\S+)", text, re.MULTILINE)
    entries = tuple(_entries(text))
    return Listing(label[1].rstrip() if label else "", serial[1] if serial else "", entries)


def _mdir(image: Path, offset: int, tmp_path: Path) -> subprocess.CompletedProcess[bytes]:
    command = [require("mdir"), "-a", "-/", "-i", f"{image}@@{offset}", "::/"]
    result = subprocess.run(command, env=settings(tmp_path), capture_output=True, check=False)
    said = result.stderr.decode(errors="replace")
    # a root directory without files and folders is an error to it, and then it says nothing at all
    assert said in ("", f'{command[0]}: File "::/" not found\n'), f"{command}: {said}"
    return result


def read(image: Path, offset: int, tmp_path: Path) -> list[Item]:
    """Return every file and folder in directory order, a folder's own entries before those of its folders.

    All files are copied out at once, unless some name does not fit the host's file system or holds a character
    outside the basic plane (mtools shows two underscores for it, so two names may look alike); then one by one.
    Times are given to the minute, as mdir shows them.
    """
    entries = listing(image, offset, tmp_path).entries
    paths = [item.path for _, item in entries]
    plain = all(len(os.fsencode(path.rpartition("/")[2])) <= LONGEST_ON_HOST and "__" not in path for path in paths)
    if plain:
        return list(_all_at_once(image, offset, tmp_path, entries))
    return list(_one_by_one(image, offset, tmp_path, entries))


def _all_at_once(image: Path, offset: int, tmp_path: Path, entries: tuple[tuple[str, Item], ...]) -> Iterator[Item]:
    target = tmp_path / "mcopy"
    target.mkdir()
    if entries:
        _run([require("mcopy"), "-s", "-n", "-i", f"{image}@@{offset}", "::/", str(target)], tmp_path)
    for _, item in entries:
        if item.sha256:
            with (target / item.path).open("rb") as file:
                yield Item(item.path, item.size, sha256_of(chunks_of(file.read)), item.moment)
        else:
            yield item


def _one_by_one(image: Path, offset: int, tmp_path: Path, entries: tuple[tuple[str, Item], ...]) -> Iterator[Item]:
    for short, item in entries:
        if item.sha256:
            content = _run([require("mcopy"), "-i", f"{image}@@{offset}", f"::/{short}", "-"], tmp_path)
            yield Item(item.path, item.size, sha256_of([content]), item.moment)
        else:
            yield item


def _entries(text: str) -> Iterator[tuple[str, Item]]:
    """Yield the short path and the item of each listed entry.

    A heading names its folder as mdir shows it, which may stand for two; so folders are told by their order, each
    folder's own folders following it, depth first.
    """
    pending = [("", "")]
    found: list[tuple[str, str]] = []
    above = short_above = ""
    for line in text.splitlines():
        if line.startswith("Directory for ::/"):
            pending[:0] = found
            found = []
            above, short_above = pending.pop(0)
            assert line == f"Directory for ::/{above}", f"mdir lists {line!r} where {above!r} was due"
        match = LISTED.fullmatch(line)
        if match is None or match["stem"].rstrip() in (".", ".."):
            continue
        stem, extension = match["stem"].rstrip(), match["extension"].rstrip()
        name = f"{stem}.{extension}" if extension else stem
        path, short = _below(above, match["long"] or name), _below(short_above, name)
        moment = datetime.strptime(f"{match['day']} {match['time'].strip()}", "%Y-%m-%d %H:%M")
        if match["size"].strip() == "<DIR>":
            found.append((path, short))
            yield short, Item(path, 0, "", moment)
        else:
            yield short, Item(path, int(match["size"]), "?", moment)


def _below(folder: str, name: str) -> str:
    return f"{folder}/{name}" if folder else name


def _run(command: list[str], tmp_path: Path) -> bytes:
    result = subprocess.run(command, env=settings(tmp_path), capture_output=True, check=False, bufsize=CHUNK)
    assert (result.returncode, result.stderr) == (0, b""), f"{command}: {result.stderr.decode(errors='replace')}"
    return result.stdout
