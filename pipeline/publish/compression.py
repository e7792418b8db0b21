"""Contents as zstd frames, whole or as patches against an older content; unpacking trusts no number of a frame.

A patch is what ``zstd --patch-from=OLD NEW`` writes: a frame that refers back into OLD as if it stood before NEW.
Source: RFC 8878 (frames, windows); zstd(1), "--patch-from".
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import BinaryIO

if sys.version_info >= (3, 14):
    from compression import zstd
else:
    from backports import zstd

from pipeline.errors import CheckError

__all__ = ["compress_patch", "compress_whole", "decompress", "decompress_patch", "level_for", "zstd"]

PART = 1 << 20
"""Bytes handed to the library at once."""

LARGEST_WINDOW = 27
"""Bits: a frame whose window takes more than 128 MiB is refused, as by ``zstd -d`` without further options."""

SMALLEST_WINDOW = 10

SHORTEST_OLD = 8
"""Bytes of an old content that a patch may refer to; the library takes no fewer."""

LEVELS = ((1 << 20, 19), (256 << 20, 12))
"""Bytes to compress in all, and the level for at most so many: the best that stays quicker than a general delta."""
FASTEST = 3

PATCHED_FAST = 4 << 20
"""Bytes of a patch's old and new content together above which level 19 would take longest to look through them."""

Parameter = zstd.CompressionParameter
BOUNDED: dict[int, int] = {zstd.DecompressionParameter.window_log_max: LARGEST_WINDOW}
"""Options of every decompressor."""


def skip_frames(file: BinaryIO, offset: int) -> int:
    """Go to the last frame that begins at or before an offset of the unpacked bytes; return where it begins there.

    Frames that do not state how many bytes they hold end the search, so that nothing is passed over unknown.
    Source: RFC 8878, 3.1.1 (frame header) and 3.1.1.2 (blocks).
    """
    at = 0
    while True:
        start = file.tell()
        header = file.read(18)
        size = _stated_size(header)
        if size is None or at + size > offset:
            file.seek(start)
            return at
        file.seek(start + _header_bytes(header[4]))
        last = False
        while not last:
            block = int.from_bytes(file.read(3), "little")
            last = bool(block & 1)
            file.seek(1 if block >> 1 & 3 == 1 else block >> 3, 1)  # a run is stored as its one byte
        file.seek(4 if header[4] & 4 else 0, 1)
        at += size


def _header_bytes(descriptor: int) -> int:
    """Return the bytes of a frame's header, the magic number among them, from its descriptor."""
    single = descriptor >> 5 & 1
    return 5 + (1 - single) + (0, 1, 2, 4)[descriptor & 3] + (single, 2, 4, 8)[descriptor >> 6]


def _stated_size(header: bytes) -> int | None:
    """Return how many bytes a frame says that it holds; None where it does not say, or there is no frame."""
    try:
        return zstd.get_frame_info(header).decompressed_size
    except zstd.ZstdError:
        return None


def level_for(total: int) -> int:
    """Return the level for contents of ``total`` bytes in all."""
    return next((level for most, level in LEVELS if total <= most), FASTEST)


def compress_whole(parts: Iterable[bytes], size: int, target: Path, level: int) -> None:
    """Write a content of ``size`` bytes as one frame, which states the size; OSError is left to the caller."""
    options: dict[int, int] = {
        Parameter.compression_level: level,
        Parameter.checksum_flag: 1,
        Parameter.window_log: _window(size),
    }
    compressor = zstd.ZstdCompressor(options=options)
    compressor.set_pledged_input_size(size)
    with target.open("wb") as file:
        for part in parts:
            file.write(compressor.compress(part))
        file.write(compressor.flush())


def compress_patch(old: bytes, new: bytes, level: int) -> bytes:
    """Return ``new`` as a patch against ``old``; together they have at most 128 MiB."""
    total = len(old) + len(new)
    options: dict[int, int] = {
        Parameter.compression_level: level if total <= PATCHED_FAST else min(level, 9),
        Parameter.checksum_flag: 1,
        Parameter.window_log: _window(total),
        Parameter.enable_long_distance_matching: 1,
    }
    compressor = zstd.ZstdCompressor(options=options, zstd_dict=zstd.ZstdDict(old, is_raw=True).as_prefix)
    compressor.set_pledged_input_size(len(new))
    return compressor.compress(new, compressor.FLUSH_FRAME)


def _window(size: int) -> int:
    """Return the bits of the smallest window that reaches over so many bytes."""
    return min(max(SMALLEST_WINDOW, (size - 1).bit_length()), LARGEST_WINDOW)


def decompress(source: BinaryIO, size: int, name: str) -> Iterator[bytes]:
    """Yield the ``size`` bytes of one frame; ``name``: of the file, for people.

    Raises CheckError for a frame that is damaged, holds fewer or more bytes, needs too large a window, or is followed
    by anything. Memory is bounded whatever the frame says.
    """
    yield from _decompress(zstd.ZstdDecompressor(options=BOUNDED), source, size, name)


def decompress_patch(old: bytes, source: BinaryIO, size: int, name: str) -> bytes:
    """Return the ``size`` bytes that a patch makes of ``old``; raises CheckError as ``decompress`` does.

    ``old`` has at least ``SHORTEST_OLD`` bytes.
    """
    prefix = zstd.ZstdDict(old, is_raw=True).as_prefix
    return b"".join(_decompress(zstd.ZstdDecompressor(zstd_dict=prefix, options=BOUNDED), source, size, name))


def _decompress(decompressor: zstd.ZstdDecompressor, source: BinaryIO, size: int, name: str) -> Iterator[bytes]:
    left, data = size, b""
    try:
        while not decompressor.eof:
            if decompressor.needs_input:
                data = source.read(PART)
                if not data:
                    raise CheckError.one("is cut short", "get it again", file=name)
            part = decompressor.decompress(data, min(PART, left + 1))
            data = b""
            left -= len(part)
            if left < 0:
                raise CheckError.one(f"unpacks to more than the {size:,} bytes stated", "get it again", file=name)
            if part:
                yield part
    except zstd.ZstdError as error:
        raise CheckError.one(f"is damaged: {error}", "get it again", file=name) from error
    if left:
        raise CheckError.one(f"unpacks to {size - left:,} bytes; expected {size:,}", "get it again", file=name)
    if decompressor.unused_data or source.read(1):
        raise CheckError.one("has bytes behind its end", "get it again", file=name)
