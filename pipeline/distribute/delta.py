"""Publishing what a version of a card has and an older one has not, for people who have the older one."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Iterator, Sequence, Set
from concurrent.futures import Future
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from pipeline.card.plan_text import plan_from_text
from pipeline.distribute.gate import CheckedCard
from pipeline.errors import CheckError, ManifestError
from pipeline.manifest.checks.sums import parse_sums
from pipeline.model.plan import Entry, Plan
from pipeline.model.text import listed
from pipeline.publish.compression import compress_patch, compress_whole, level_for
from pipeline.publish.delta import (
    CONTENTS,
    OldContents,
    PackedContent,
    new_contents,
    patch_pieces,
)
from pipeline.publish.folder import SUMS
from pipeline.publish.pack import SUFFIXES, unpacked_from
from pipeline.threads import Threads
from pipeline.workspace.progress import progress
from pipeline.workspace.versions import CardVersion, published_versions
from pipeline.workspace.workspace import Workspace

PART = 1 << 20
THREADS = 2
"""Contents that are packed at once; each may take some 250 MiB."""

WORTH = 4
"""A patch of less than this part of its content is taken without packing the content whole to compare.

A patch may use all that a whole content may, so it is hardly ever larger.
"""


def older_version(workspace: Workspace, card_id: str, version: str, new_version: str) -> CardVersion:
    """Return the version a delta is to be made against; raises ManifestError with those that exist.

    A whole image is preferred, since only from its bytes patches can be made. CheckError for one that is damaged.
    """
    of_card = [one for one in published_versions(workspace) if one.card == card_id and one.version != new_version]
    found = [one for one in of_card if one.version == version]
    if not found:
        there = listed(dict.fromkeys(one.version for one in of_card))
        expected = f"an earlier published version of {card_id}: {there}" if there else "an earlier published version"
        hint = "" if there else f"{card_id} was never published before"
        raise ManifestError.one(f'found "{version}", expected {expected}', hint, key="--since")
    older = min(found, key=lambda one: ("image", "delta", "recipe").index(one.kind))
    _check_documents(workspace, older)
    return older


def _check_documents(workspace: Workspace, older: CardVersion) -> None:
    """Raise CheckError when record or plan of a published image are not those of its checksum list."""
    if older.kind != "image":
        return
    sums = {name: sha256 for sha256, name in parse_sums((older.folder / SUMS).read_text(encoding="utf-8"), SUMS)}
    for name in ("record.json", "plan.json"):
        path = older.folder / name
        if hashlib.sha256(path.read_bytes()).hexdigest() != sums.get(name):
            what = f"is not the file that {SUMS} beside it names"
            raise CheckError.one(what, f"restore {older.folder.name}", file=workspace.shown(path))


def pack_contents(folder: Path, new: CheckedCard, older: CardVersion) -> tuple[PackedContent, ...]:
    """Write every content the older version lacks into a folder, whole or as patches, whichever is smaller.

    Contents are found by hash, wherever they lie on either card. Raises CheckError when the older image is damaged.
    """
    wanted = new_contents(new.record, older.record)
    nearest = OldContents(older.record) if older.kind == "image" else None
    olds = {sha256: old for sha256, file in wanted.items() if nearest and (old := nearest.nearest(file))}
    (folder / CONTENTS).mkdir()
    level = level_for(sum(file["size"] for file in wanted.values()))
    plan = new.finished.plan
    entries = {entry.sha256: entry for entry in plan.entries if entry.sha256 in wanted}
    total = sum(entry.size for entry in entries.values())
    with (
        _old_contents(older, {old["sha256"] for old in olds.values()}, folder / ".old") as old_contents,
        Threads(THREADS, "pack") as threads,
        progress(f"pack {plan.card}", total) as advance,
    ):

        def packed(sha256: str, entry: Entry) -> PackedContent:
            content = PackedContent(sha256=sha256, size=entry.size)
            source = _Source(new.image, plan.volume.cluster_offset(entry.cluster), entry.size)
            old = olds.get(sha256)
            if old:
                against = replace(
                    content, old=old["sha256"], old_size=old["size"], pieces=patch_pieces(entry.size, old["size"])
                )
                size = _write_patches(folder, against, source, old_contents[old["sha256"]], level)
                if size * WORTH < entry.size:
                    return against
            (whole,) = (folder / name for name in content.file_names)
            compress_whole(source.parts(), entry.size, whole, level)
            if not old:
                return content
            kept, dropped = (against, content) if size < whole.stat().st_size else (content, against)
            for name in dropped.file_names:
                (folder / name).unlink()
            return kept

        running: list[Future[PackedContent]] = [
            threads.submit(packed, sha256, entries[sha256]) for sha256 in sorted(entries)
        ]
        contents = []
        for future in running:
            contents.append(future.result())
            advance(contents[-1].size)
    return tuple(contents)


@contextmanager
def _old_contents(older: CardVersion, wanted: Set[str], scratch: Path) -> Iterator[dict[str, _Source]]:
    """Give some contents of an older image by SHA-256, unpacked below ``scratch`` as long as they are needed.

    Nothing is unpacked where none is wanted; otherwise the packed image is read up to the last of them. Raises
    CheckError when it is damaged.
    """
    found = dict[str, _Source]()
    scratch.mkdir()
    try:
        if wanted:
            plan = plan_from_text(older.plan_text().decode("ascii"))
            packed = _packed_image(older)
            entries = {entry.sha256: entry for entry in plan.entries if entry.sha256 in wanted}
            _take_out(packed, plan, sorted(entries.values(), key=lambda entry: entry.cluster), scratch)
            found |= {sha256: _Source(scratch / sha256, 0, entry.size) for sha256, entry in entries.items()}
        yield found
    finally:
        shutil.rmtree(scratch)


def _packed_image(older: CardVersion) -> Path:
    packed = [older.folder / f"card.img{suffix}" for suffix in SUFFIXES.values()]
    found = next((path for path in packed if path.is_file()), None)
    if found is None:
        raise CheckError.one("holds no packed image", f"restore {older.folder.name}", file=str(older.folder))
    return found


def _take_out(packed: Path, plan: Plan, entries: Sequence[Entry], target: Path) -> None:
    """Write files of a packed image, in the order they lie in it, each to a file named by its SHA-256."""
    first = plan.volume.cluster_offset(entries[0].cluster)
    (at, parts), part = unpacked_from(packed, first), b""
    for entry in entries:
        start = plan.volume.cluster_offset(entry.cluster)
        end, digest = start + entry.size, hashlib.sha256()
        with (target / entry.sha256).open("wb") as file:
            while True:
                piece = part[max(0, start - at) : max(0, end - at)]
                digest.update(piece)
                file.write(piece)
                if at + len(part) >= end:
                    break
                at += len(part)
                part = next(parts, b"")
                if not part:
                    break
        if digest.hexdigest() != entry.sha256:
            what = f"{entry.path} in it has the SHA-256 {digest.hexdigest()}; expected {entry.sha256}"
            raise CheckError.one(what, f"restore {packed.parent.name}", file=str(packed))


class _Source:
    """A run of bytes of a file."""

    def __init__(self, path: Path, start: int, size: int) -> None:
        self._path, self._start, self._size = path, start, size

    def read(self, start: int, length: int) -> bytes:
        """Return bytes of the run."""
        with self._path.open("rb") as file:
            file.seek(self._start + start)
            return file.read(min(length, self._size - start))

    def parts(self) -> Iterator[bytes]:
        """Yield all of it."""
        with self._path.open("rb") as file:
            file.seek(self._start)
            left = self._size
            while left:
                part = file.read(min(PART, left))
                left -= len(part)
                yield part


def _write_patches(folder: Path, content: PackedContent, new: _Source, old: _Source, level: int) -> int:
    """Write the patches of a content, and return how many bytes they take."""
    at = total = 0
    for name, piece in zip(content.file_names, content.pieces, strict=True):
        patch = compress_patch(old.read(piece.start, piece.length), new.read(at, piece.size), level)
        (folder / name).write_bytes(patch)
        at, total = at + piece.size, total + len(patch)
    return total
