"""Deltas for tests: made by xdelta3 (its manual page xdelta3(1) is the reference), or put together by hand."""

from __future__ import annotations

import subprocess
import tempfile
from pathlib import Path
from random import Random

from tests.strangers.tools import require

HEADER = b"\xd6\xc3\xc4\x00\x00"
PLAIN = ("-n", "-A", "-S", "none")


def encoded(old: bytes, new: bytes, *options: str) -> bytes:
    """Return the delta xdelta3 makes from ``old`` to ``new``."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "old").write_bytes(old)
        (folder / "new").write_bytes(new)
        command = [require("xdelta3"), "-e", "-f", *options, "-s", "old", "new", "delta"]
        subprocess.run(command, cwd=folder, check=True, capture_output=True)
        return (folder / "delta").read_bytes()


def decoded(old: bytes, delta: bytes) -> bytes:
    """Return what xdelta3 makes of ``old`` by a delta."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "old").write_bytes(old)
        (folder / "delta").write_bytes(delta)
        command = [require("xdelta3"), "-d", "-f", "-s", "old", "delta", "new"]
        subprocess.run(command, cwd=folder, check=True, capture_output=True)
        return (folder / "new").read_bytes()


def edited(old: bytes, random: Random, edits: int) -> bytes:
    """Return bytes after some random edits: parts taken out, put in, copied, runs of one byte."""
    new = bytearray(old)
    for _ in range(edits):
        start = random.randrange(len(new) + 1)
        part = random.randrange(len(new) + 1)
        new[start:start] = random.choice(
            [
                random.randbytes(random.randrange(60)),
                bytes([random.randrange(256)]) * random.randrange(300),
                bytes(new[part : part + random.randrange(400)]),
            ]
        )
        if random.random() < 0.4:
            del new[start : start + random.randrange(200)]
    return bytes(new)


def number(value: int) -> bytes:
    """Return a number as RFC 3284, section 2 writes it."""
    low = [value >> shift & 127 for shift in range(0, max(value.bit_length(), 1), 7)]
    return bytes([*(part | 128 for part in low[:0:-1]), low[0]])


def window(
    size: int, data: bytes, instructions: bytes, addresses: bytes, segment: tuple[int, int] | None = None, kind: int = 1
) -> bytes:
    """Return a window (RFC 3284, section 4.3); ``segment``: its length and position in source or target (kind 2)."""
    sections = (data, instructions, addresses)
    body = number(size) + b"\0" + b"".join(number(len(section)) for section in sections) + b"".join(sections)
    start = b"\0" if segment is None else bytes([kind]) + number(segment[0]) + number(segment[1])
    return start + number(len(body)) + body
