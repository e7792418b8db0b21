"""Making an image from a checked delta and what the receiver has of the older version."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from itertools import pairwise
from pathlib import Path
from typing import Any, BinaryIO, cast

from pipeline.distribute.old_card import OldFile, files_of_card, find_contents
from pipeline.errors import CheckError, Place, Problem
from pipeline.image.opened import ReadStream
from pipeline.image.write import changed_sources, write_image
from pipeline.image.written import Written
from pipeline.model.plan import SECTOR, Entry, Plan
from pipeline.model.text import counted, shown
from pipeline.model.units import show_size
from pipeline.publish.compression import decompress, decompress_patch
from pipeline.publish.delta import CONTENTS, DELTA, PIECE, REACH, PackedContent, packed_contents
from pipeline.publish.folder import STRANGE
from pipeline.workspace.progress import progress

MOST_CLUSTERS = 1 << 25
"""Of a volume whose tables are written from a stranger's plan; the tables then take 256 MiB."""

SHOWN = 100
"""Missing contents that are named; the others are counted."""


class MissingContentsError(CheckError):
    """The older card has not all that a delta needs; every content is named."""


def delta_problems(
    document: Mapping[str, Any], record: Mapping[str, Any], plan: Plan, files: Mapping[str, Path]
) -> Iterator[Problem]:
    """Yield where a delta of the right form does not fit its record, its plan, its own files, or itself."""
    card = record["card"]
    for key in ("card", "version"):
        expected = card["id"] if key == "card" else card["version"]
        if document[key] != expected:
            what = f"found {shown(document[key])}, expected {shown(expected)} as in the record"
            yield Problem(Place(DELTA, key=key), what, STRANGE)
    sizes = {entry.sha256: entry.size for entry in plan.entries if not entry.is_folder}
    contents = packed_contents(document)
    for number, content in enumerate(contents, 1):
        for what in _content_problems(content, sizes):
            yield Problem(Place(DELTA, key=f"contents.{number}"), what, STRANGE)
    if len({content.sha256 for content in contents}) < len(contents):
        yield Problem(Place(DELTA, key="contents"), "names a content twice", STRANGE)
    named = {name for content in contents for name in content.file_names}
    there = {name for name in files if name.startswith(f"{CONTENTS}/")}
    for name in sorted(named - there):
        yield Problem(Place(shown(name)), f"is missing; {DELTA} names it", STRANGE)
    for name in sorted(there - named):
        yield Problem(Place(shown(name)), f"is of no content that {DELTA} names", STRANGE)


def _content_problems(content: PackedContent, sizes: Mapping[str, int]) -> Iterator[str]:
    if sizes.get(content.sha256) != content.size:
        yield "is not a content of the plan with that size"
    if content.pieces and sum(piece.size for piece in content.pieces) != content.size:
        yield f"its patches make {sum(piece.size for piece in content.pieces):,} bytes; expected {content.size:,}"
    for piece in content.pieces:
        if piece.start + piece.length > content.old_size:
            yield f"a patch refers to more than the {content.old_size:,} bytes of the old content"
        if piece.size > PIECE or piece.length > PIECE + 2 * REACH:
            yield f"a patch makes more than {PIECE:,} bytes, or refers to more than {PIECE + 2 * REACH:,}"


def plan_number_problems(plan: Plan) -> Iterator[Problem]:
    """Yield what no plan of a card has, so that writing from a stranger's is bounded; at most one of each kind.

    What else is wrong shows when the image is read back, before it is used.
    """
    volume = plan.volume
    numbers = {
        "fat-bits": volume.fat_bits in (12, 16, 32),
        "sectors-per-cluster": volume.sectors_per_cluster in {1 << bit for bit in range(8)},
        "start": 0 <= volume.start < volume.card_sectors,
        "sectors": 0 < volume.sectors <= volume.card_sectors - volume.start,
        "reserved": 0 < volume.reserved < 1 << 16,
        "root-entries": 0 <= volume.root_entries < 1 << 16,
        "clusters": 0 < volume.clusters <= MOST_CLUSTERS,
        "fat-sectors": 0 < volume.fat_sectors <= -(-(MOST_CLUSTERS + 2) * 4 // SECTOR),
        "root-clusters": 0 <= plan.root_clusters <= volume.clusters,
    }
    for key in (key for key, fits in numbers.items() if not fits):
        yield Problem(Place("plan.json", key=key), "is a number that no card has", STRANGE)
        return
    end = volume.data_start + volume.clusters * volume.sectors_per_cluster
    if end > volume.start + volume.sectors:
        yield Problem(Place("plan.json", key="clusters"), "its clusters end behind its volume", STRANGE)
        return
    runs = [(2, plan.root_clusters)] if plan.root_clusters else []
    for entry in plan.entries:
        expected = entry.clusters if entry.is_folder else -(-entry.size // volume.cluster_bytes)
        if entry.size < 0 or entry.clusters != expected or entry.clusters < entry.is_folder:
            yield Problem(Place("plan.json", key=shown(entry.path)), "its size and its clusters do not fit", STRANGE)
            return
        if entry.clusters:
            runs.append((entry.cluster, entry.clusters))
    runs = [(1, 1), *sorted(runs), (volume.clusters + 2, 0)]
    if any(first + count > following for (first, count), (following, _) in pairwise(runs)):
        yield Problem(Place("plan.json", key="entries"), "two of them lie in the same cluster, or one in none", STRANGE)


def write_from_delta(
    plan: Plan,
    record: Mapping[str, Any],
    contents: Sequence[PackedContent],
    folder: Path,
    old: Path,
    scratch: Path,
    target: Path,
) -> Written:
    """Write the image of a plan to ``target`` from a delta's ``folder`` and the older card at ``old``.

    ``scratch``: an empty folder, where contents are unpacked and checked before the first byte of the image is written.
    Raises CheckError with every content that is neither in the delta nor on the older card, or for a content that does
    not have its SHA-256; MachineError and OSError.
    """
    with files_of_card(old) as files:
        wanted = _wanted(plan, contents)
        with progress("check contents", sum(size for size, _ in wanted.values())) as step:
            found = find_contents(files, wanted, step)
        missing = [sha256 for sha256 in wanted if sha256 not in found]
        if missing:
            raise MissingContentsError(_missing(missing, wanted, plan, record, contents, old))
        with progress("unpack contents", sum(content.size for content in contents)) as step:
            for content in contents:
                _unpack(content, folder, found.get(content.old), scratch / content.sha256)
                step(content.size)
        new = {content.sha256 for content in contents}

        def opener(entry: Entry) -> AbstractContextManager[BinaryIO]:
            if entry.sha256 in new:
                return cast("BinaryIO", (scratch / entry.sha256).open("rb"))
            file = found[entry.sha256] if entry.size else OldFile(path="", size=0, read=lambda *_: b"")
            return cast("BinaryIO", ReadStream(file.read, file.size))

        with progress("write", plan.volume.card_sectors * SECTOR) as step:
            written = write_image(plan, opener, target, step)
        if written.image_sha256 != record["image"]["sha256"] and (changed := changed_sources(plan.entries, opener)):
            raise CheckError(changed)
        return written


def _wanted(plan: Plan, contents: Sequence[PackedContent]) -> dict[str, tuple[int, str]]:
    """Return size and likely path of what the older card must hold, by SHA-256."""
    new = {content.sha256 for content in contents}
    wanted = {
        entry.sha256: (entry.size, entry.path)
        for entry in plan.entries
        if not entry.is_folder and entry.size and entry.sha256 not in new
    }
    paths = {entry.sha256: entry.path for entry in plan.entries}
    for content in contents:
        if content.old:
            wanted.setdefault(content.old, (content.old_size, paths[content.sha256]))
    return wanted


def _missing(
    missing: Sequence[str],
    wanted: Mapping[str, tuple[int, str]],
    plan: Plan,
    record: Mapping[str, Any],
    contents: Sequence[PackedContent],
    old: Path,
) -> Iterator[Problem]:
    """Yield one line for all, and one for each content that the older card has not."""
    names = {title["id"]: title["name"] for title in (*record["titles"], *record["cores"])}
    owners = {file["path"]: file["made-from"]["owner"] for file in record["files"]}
    on_plan = {entry.sha256 for entry in plan.entries}
    what = f"{len(missing):,} of {counted(len(wanted), 'content')} that the new version needs are not on it"
    hint = "name the image, the published folder or a card of the version the delta is for"
    yield Problem(Place(shown(old)), what, hint)
    for sha256 in missing[:SHOWN]:
        size, path = wanted[sha256]
        owner = owners.get(path, "")
        whose = f", {shown(names[owner])}" if owner in names else ""
        of = "" if sha256 in on_plan else ", as it was before it changed"
        yield Problem(Place(shown(old), key=shown(path)), f"{show_size(size)}, SHA-256 {sha256}{whose}{of}")
    if len(missing) > SHOWN:
        yield Problem(Place(shown(old), key="~"), f"and {len(missing) - SHOWN:,} more")


def _unpack(content: PackedContent, folder: Path, old: OldFile | None, target: Path) -> None:
    """Write a content and check it; raises CheckError when its bytes are not those its SHA-256 names."""
    digest = hashlib.sha256()
    with target.open("wb") as file:
        for part in _parts(content, folder, old):
            digest.update(part)
            file.write(part)
    if digest.hexdigest() != content.sha256:
        what = f"unpacks to the SHA-256 {digest.hexdigest()}; expected {content.sha256}"
        raise CheckError.one(what, STRANGE, file=content.file_names[0])


def _parts(content: PackedContent, folder: Path, old: OldFile | None) -> Iterator[bytes]:
    if old is None or not content.pieces:
        with (folder / content.file_names[0]).open("rb") as packed:
            yield from decompress(packed, content.size, content.file_names[0])
        return
    for name, piece in zip(content.file_names, content.pieces, strict=True):
        with (folder / name).open("rb") as packed:
            yield decompress_patch(old.read(piece.start, piece.length), packed, piece.size, name)
