"""Change by a patch: what a delta makes of a piece."""

from __future__ import annotations

import hashlib

from pipeline.model.ranges import Ranges
from pipeline.roms.operations.arguments import PATCH, SHA256, SIZE
from pipeline.roms.operations.operation import Operation
from pipeline.roms.operations.vcdiff import apply_delta
from pipeline.roms.provenance import size_of, sources_of, through, whole


def patch(data: bytes, *, delta: bytes, before: str, after: str, size: int | None) -> bytes:
    """Return what a delta (VCDIFF, RFC 3284, plain form) makes of the piece, ``size`` bytes or as many as before.

    A delta of that form holds no checksum, and decodes another source to another file without a word. So the SHA-256
    of the piece (``before``) and of what comes out (``after``) are both required, and both are checked.
    """
    _require(data, before, "the piece is not what the patch was made for: it")
    made = apply_delta(data, delta, len(data) if size is None else size)
    _require(made, after, "the patch makes something else: what it gives")
    return made


def _require(data: bytes, sha256: str, what: str) -> None:
    found = hashlib.sha256(data).hexdigest()
    if found != sha256:
        raise ValueError(f"{what} has SHA-256 {found}; expected {sha256}")


def _patch_trace(words: str, part: Ranges, /, *, delta: Ranges, size: int | None, **_hashes: str) -> Ranges:
    return whole(size_of(part) if size is None else size, *sources_of(through(part, words), delta))


DIGEST = "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08"
"""An example."""

PATCHES = (
    Operation(
        name="patch",
        arguments={
            "delta": PATCH.described("The name of a patch of this title.", "second-series"),
            "before": SHA256.described("The SHA-256 of the piece that the patch is made for.", DIGEST),
            "after": SHA256.described("The SHA-256 of what the patch makes of it.", DIGEST),
            "size": SIZE.otherwise(None).described(
                "How many bytes the patch makes; left out: as many as the piece has.", "4 KiB"
            ),
        },
        title="a patch",
        description="Applies a delta (VCDIFF, RFC 3284, in its plain form).",
        example={"delta": "second-series", "before": DIGEST, "after": DIGEST},
        size=lambda whole, /, *, delta, before, after, size: whole if size is None else size,
        apply=patch,
        trace=_patch_trace,
        describe=lambda *, delta, size, **_hashes: f"patch {delta}" + (f" to {size}" if size else ""),
    ),
)
"""The one change by a patch."""
