"""An image on its way from a worker: all that is no hole in it, in a row, as zstd frames."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterator, Sequence
from itertools import chain, pairwise
from pathlib import Path

from pipeline.errors import CheckError
from pipeline.image.digest import data_extents
from pipeline.image.opened import read_at
from pipeline.image.stream import TargetError, write_at
from pipeline.publish.compression import zstd
from pipeline.publish.pack import OPTIONS, PART, ZEROS, frames

Ranges = Sequence[tuple[int, int]]
"""The (from, to) of an image that are no holes, ascending."""


def pack_image(image: Path) -> tuple[Ranges, bytes]:
    """Return the ranges of an image, and their bytes packed."""
    compressor = zstd.ZstdCompressor(options=OPTIONS)
    with image.open("rb", buffering=0) as file:
        ranges = [*data_extents(file.fileno())]
        parts = ((at, min(PART, end - at)) for start, end in ranges for at in range(start, end, PART))
        packed = [compressor.compress(read_at(file.fileno(), *part)) for part in parts]
    return ranges, b"".join([*packed, compressor.flush()])


def unpack_image(ranges: Ranges, packed: bytes, target: Path, size: int) -> str:
    """Write an image of ``size`` bytes and return its SHA-256; not one byte more is written.

    Raises CheckError when the ranges are none of such an image, or the packed bytes are not theirs; OSError when the
    target cannot be written.
    """
    if any(one > other for one, other in pairwise([0, *chain(*ranges), size])):
        raise CheckError.one("has ranges that do not ascend within the image")
    digest, done = hashlib.sha256(), 0
    try:
        with target.open("wb", buffering=0) as file:
            for offset, data in chain(_placed(ranges, packed), [(size, memoryview(b""))]):
                for at in range(done, offset, PART):
                    digest.update(ZEROS[: min(PART, offset - at)])
                write_at(file, offset, data)
                digest.update(data)
                done = offset + len(data)
            file.truncate(size)
    except TargetError as error:
        raise error.args[0] from error
    except (zstd.ZstdError, EOFError) as error:
        raise CheckError.one(f"is damaged: {error}") from error
    return digest.hexdigest()


def _placed(ranges: Ranges, packed: bytes) -> Iterator[tuple[int, memoryview]]:
    """Yield the unpacked bytes of the ranges, each piece with its offset in the image."""
    left = iter(ranges)
    at = end = 0
    for part in frames(io.BytesIO(packed)):
        view = memoryview(part)
        while view:
            while at == end:
                try:
                    at, end = next(left)
                except StopIteration:
                    raise EOFError("it has more bytes than its ranges") from None
            yield at, view[: end - at]
            at, view = min(end, at + len(view)), view[end - at :]
    if at < end or next(left, None):
        raise EOFError("it has fewer bytes than its ranges")
