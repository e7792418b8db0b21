"""What the writer hands to the reader."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """An image as it was written: its SHA-256 and size, and the bytes that were written (the rest are holes)."""

    image_sha256: str
    image_size: int
    bytes_written: int
