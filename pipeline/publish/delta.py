"""What a delta holds: the contents an older version lacks, each whole or as patches against one that it has.

``delta.json`` names contents by size and SHA-256; the names of their files follow from that, so it gives no paths.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

Record = Mapping[str, Any]
"""A record as JSON gives it; schemas/record.schema.json describes it."""

DELTA = "delta.json"
CONTENTS = "contents"
"""The folder of the packed contents."""

PIECE = 32 << 20
"""Bytes of a new content that one patch makes at most."""
REACH = 16 << 20
"""Bytes of the old content that a patch sees before and behind the place of its piece, where it does not see all."""

SMALLEST = 1024
"""Bytes of an old and a new content from which a patch is tried: below it saves little, and asks for the old one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PatchPiece:
    """One patch: it makes ``size`` bytes of the new content from ``length`` bytes at ``start`` of the old one."""

    size: int
    start: int
    length: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PackedContent:
    """A content of a delta. ``old``: SHA-256 of the content its ``pieces`` are patches against; "" where it is whole.

    ``pieces``: in order; none where it is whole.
    """

    sha256: str
    size: int
    old: str = ""
    old_size: int = 0
    pieces: tuple[PatchPiece, ...] = ()

    @property
    def file_names(self) -> tuple[str, ...]:
        """The files of the delta that hold it, by their paths in the folder, in order."""
        if not self.pieces:
            return (f"{CONTENTS}/{self.sha256}.zst",)
        if len(self.pieces) == 1:
            return (f"{CONTENTS}/{self.sha256}.patch.zst",)
        return tuple(f"{CONTENTS}/{self.sha256}.{number:04}.patch.zst" for number in range(1, len(self.pieces) + 1))


def patch_pieces(size: int, old_size: int) -> tuple[PatchPiece, ...]:
    """Return the patches that make a content of ``size`` bytes from an old one, the memory of each bounded."""
    pieces = []
    for at in range(0, size, PIECE):
        end = min(at + PIECE, size)
        start, stop = max(0, at - REACH), min(old_size, end + REACH)
        if old_size <= PIECE + 2 * REACH:
            start, stop = 0, old_size
        elif stop - start < PIECE:  # the new content is longer: what is near its end may come from the old one's
            start = max(0, stop - PIECE)
        pieces.append(PatchPiece(size=end - at, start=start, length=stop - start))
    return tuple(pieces)


def delta_document(record: Record, since: Record, contents: Sequence[PackedContent]) -> dict[str, Any]:
    """Return ``delta.json`` of a card's new version ``record`` against the older one ``since``."""
    return {
        "cardkiln-delta": 1,
        "card": record["card"]["id"],
        "version": record["card"]["version"],
        "since": {"version": since["card"]["version"], "image-sha256": since["image"]["sha256"]},
        "contents": [_document(content) for content in contents],
    }


def _document(content: PackedContent) -> dict[str, Any]:
    document: dict[str, Any] = {"sha256": content.sha256, "size": content.size}
    if content.pieces:
        document["old"] = {"sha256": content.old, "size": content.old_size}
        document["patches"] = [
            {"size": piece.size, "start": piece.start, "length": piece.length} for piece in content.pieces
        ]
    return document


def packed_contents(document: Mapping[str, Any]) -> tuple[PackedContent, ...]:
    """Return the contents that ``delta.json`` names; schemas/delta.schema.json was checked before."""
    return tuple(
        PackedContent(
            sha256=content["sha256"],
            size=content["size"],
            old=content.get("old", {}).get("sha256", ""),
            old_size=content.get("old", {}).get("size", 0),
            pieces=tuple(
                PatchPiece(size=patch["size"], start=patch["start"], length=patch["length"])
                for patch in content.get("patches", ())
            ),
        )
        for content in document["contents"]
    )


def new_contents(record: Record, since: Record) -> dict[str, Mapping[str, Any]]:
    """Return the files of a record whose content is nowhere in an older one, by SHA-256, each content once.

    An empty file has no content that would have to be handed over.
    """
    known = {file["sha256"] for file in since["files"]}
    return {file["sha256"]: file for file in reversed(record["files"]) if file["size"] and file["sha256"] not in known}


class OldContents:
    """The files of an older version, and which of them is most like a new file, told from what the records say."""

    def __init__(self, since: Record) -> None:
        self._files = {file["path"]: file for file in since["files"] if file["size"] >= SMALLEST}
        self._by_origin: dict[tuple[str, str, str], str] = {}
        self._by_content: dict[str, set[str]] = {}
        for path, file in self._files.items():
            self._by_origin.setdefault(_origin(file), path)
            for content in file["made-from"]["contents"]:
                self._by_content.setdefault(content["sha256"], set()).add(path)

    def nearest(self, file: Mapping[str, Any]) -> Mapping[str, Any] | None:
        """Return the old file that most of a new one's chips went into, else the one of its path, else of its origin.

        None where there is none, or the new one is too small for a patch.
        """
        if file["size"] < SMALLEST:
            return None
        shared = Counter[str]()
        for sha256, size in {content["sha256"]: content["size"] for content in file["made-from"]["contents"]}.items():
            shared.update(dict.fromkeys(self._by_content.get(sha256, ()), size))
        if shared:
            path = min(shared, key=lambda path: (-shared[path], path != file["path"], path))
        else:
            path = file["path"] if file["path"] in self._files else self._by_origin.get(_origin(file), "")
        return self._files.get(path)


def _origin(file: Mapping[str, Any]) -> tuple[str, str, str]:
    """Return what files of two versions have in common though their paths differ: kind, owner and extension."""
    return file["made-from"]["kind"], file["made-from"]["owner"], file["path"].rpartition(".")[2].casefold()


def changed_files(record: Record, since: Record) -> Iterator[tuple[str, str, str]]:
    """Yield what is to be done with each file of a card that has the older version: verb, path and SHA-256.

    "remove", "copy" (its content is on the card under another path) or "write" (its content is in the delta).
    """
    old = {file["path"]: file["sha256"] for file in since["files"]}
    known = set(old.values())
    for path in sorted(old.keys() - {file["path"] for file in record["files"]}):
        yield "remove", path, old[path]
    for file in sorted(record["files"], key=lambda file: file["path"]):
        if old.get(file["path"]) != file["sha256"]:
            yield ("copy" if file["sha256"] in known else "write"), file["path"], file["sha256"]
