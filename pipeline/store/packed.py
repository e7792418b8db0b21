"""A stored ROM file: one line that says what it should be, then its bytes."""

from __future__ import annotations

import hashlib
import json

VERSION = 1


def pack(key: str, data: bytes) -> bytes:
    """Return what is stored under a key: a line of JSON with key, size and SHA-256 of the data, LF, and the data."""
    head = {"cardkiln-rom": VERSION, "key": key, "sha256": hashlib.sha256(data).hexdigest(), "size": len(data)}
    return json.dumps(head).encode() + b"\n" + data


def unpack(key: str, stored: bytes) -> bytes | None:
    """Return the data stored under a key, None unless every byte is as ``pack`` made it.

    So one that was damaged, cut, lengthened or put under another key is none.
    """
    data = stored.partition(b"\n")[2]
    return data if pack(key, data) == stored else None


def packed_size(key: str, size: int) -> int:
    """Return how many bytes are stored for so many bytes of data."""
    head = {"cardkiln-rom": VERSION, "key": key, "sha256": 64 * "0", "size": size}
    return len(json.dumps(head)) + 1 + size
