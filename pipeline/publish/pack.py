"""Compressing an image while hashing it, and unpacking one that is not trusted; both in one pass."""

from __future__ import annotations

import gzip
import hashlib
import zipfile
import zlib
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from pathlib import Path
from typing import IO, BinaryIO, cast

from pipeline.errors import CheckError
from pipeline.model.text import shown
from pipeline.publish.compression import BOUNDED, skip_frames, zstd
from pipeline.threads import Threads

SUFFIXES = {"zstd": ".zst", "gzip": ".gz", "zip": ".zip"}
"""What is added to the image's name for each form."""
PART = 1 << 20
ZEROS = bytes(PART)
LEVEL = 3
"""Of zstd and gzip: on images nearly as small as the best, and the fastest that is."""
EARLIEST = (1980, 1, 1, 0, 0, 0)
"""The first time a ZIP archive can state (APPNOTE 4.4.6); the image's own is in the record."""

FRAME = 64 << 20
"""Bytes of the image in each zstd frame; a multiple of ``PART``."""

OPTIONS: dict[int, int] = {
    zstd.CompressionParameter.compression_level: LEVEL,
    zstd.CompressionParameter.checksum_flag: 1,
}

Progress = Callable[[int], None]


def pack(image: Path, target: Path, form: str, progress: Progress = lambda _: None) -> str:
    """Write ``image`` to ``target``, compressed as ``form`` of SUFFIXES says, and return the SHA-256 of the raw bytes.

    Packed bytes depend on the library's version; only the raw ones are promised. OSError is left to the caller.
    """
    digest = hashlib.sha256()
    with (
        image.open("rb", buffering=0) as source,
        target.open("wb") as file,
        Threads(1, "image-hash") as hasher,
        _packer(cast("BinaryIO", file), form, image) as packed,
    ):
        hashed: Future[None] | None = None
        while part := source.read(PART):
            if hashed:
                hashed.result()
            hashed = hasher.submit(digest.update, part)
            packed.write(part)
            progress(len(part))
    return digest.hexdigest()


@contextmanager
def _packer(file: BinaryIO, form: str, image: Path) -> Iterator[IO[bytes]]:
    """Give the stream that packs what is written to it into ``file``."""
    if form == "zstd":
        frames = _Frames(file, image.stat().st_size)
        yield cast("IO[bytes]", frames)
        frames.finish()
    elif form == "gzip":
        with gzip.GzipFile("", "wb", LEVEL, file, mtime=0) as zipped:
            yield cast("IO[bytes]", zipped)
    else:
        with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=LEVEL) as archive:
            member = zipfile.ZipInfo(image.name, EARLIEST)
            member.compress_type, member.external_attr, member.create_system = zipfile.ZIP_DEFLATED, 0o644 << 16, 3
            with archive.open(member, "w", force_zip64=True) as stream:
                yield stream


class _Frames:
    """Writes zstd frames of ``FRAME`` bytes, each with its size stated, so that a reader can go to any of them."""

    def __init__(self, file: BinaryIO, size: int) -> None:
        self._file, self._left, self._room = file, size, 0
        self._compressor = zstd.ZstdCompressor(options=OPTIONS)

    def write(self, data: bytes) -> None:
        """Take bytes."""
        view = memoryview(data)
        while view:
            if not self._room:
                self._room = min(FRAME, self._left) or FRAME  # the latter of an image that grew, which is refused later
                self._left = max(0, self._left - self._room)
                self._compressor.set_pledged_input_size(self._room)
            part = view[: self._room]
            self._room, view = self._room - len(part), view[len(part) :]
            if self._room:
                self._file.write(self._compressor.compress(part))
            else:
                self._file.write(self._compressor.compress(part, self._compressor.FLUSH_FRAME))

    def finish(self) -> None:
        """End what was begun; of no bytes one empty frame. Raises CheckError for fewer bytes than were stated."""
        if not self._file.tell() or self._compressor.last_mode != self._compressor.FLUSH_FRAME:
            try:
                self._file.write(self._compressor.flush())
            except zstd.ZstdError:
                raise CheckError.one("was changed while it was packed", "build it again", file="card.img") from None


def unpack(packed: Path, target: Path, size: int, progress: Progress = lambda _: None) -> str:
    """Write what ``packed`` holds to ``target`` and return its SHA-256; not one byte more than ``size`` is written.

    Zeros become a hole where the file system has them. Raises CheckError when the packed bytes are damaged, or hold
    fewer or more than ``size`` bytes; OSError of reading and writing is left to the caller.
    """
    digest, left = hashlib.sha256(), size
    with target.open("wb") as file:
        for part in unpacked(packed):
            if len(part) > left:
                raise CheckError.one(
                    f"unpacks to more than the {size:,} bytes that the record states", file=packed.name
                )
            digest.update(part)
            if part == ZEROS[: len(part)]:
                file.seek(len(part), 1)
            else:
                file.write(part)
            left -= len(part)
            progress(len(part))
        if left:
            raise CheckError.one(f"unpacks to {size - left:,} bytes; expected {size:,}", file=packed.name)
        file.truncate(size)
    return digest.hexdigest()


def unpacked_from(packed: Path, offset: int) -> tuple[int, Iterator[bytes]]:
    """Return where in the image the bytes begin that are given, at or before an offset, and the bytes from there on.

    Raises as ``unpacked`` does.
    """
    if packed.suffix != SUFFIXES["zstd"]:
        return 0, unpacked(packed)
    with packed.open("rb", buffering=0) as file:
        at = skip_frames(cast("BinaryIO", file), offset)
        return at, unpacked(packed, file.tell())


def unpacked(packed: Path, start: int = 0) -> Iterator[bytes]:
    """Yield the bytes of a packed image, of zstd from the frame on that begins at ``start`` of the file.

    Whatever the libraries raise for damaged ones becomes a CheckError.
    """
    try:
        with packed.open("rb") as source:
            if packed.suffix == SUFFIXES["zstd"]:
                source.seek(start)
                yield from frames(cast("BinaryIO", source))
                return
            with _unpacker(cast("BinaryIO", source), packed) as stream:
                while part := stream.read(PART):
                    yield part
    except (zstd.ZstdError, EOFError, zipfile.BadZipFile, zlib.error, ValueError, gzip.BadGzipFile) as error:
        raise CheckError.one(f"is damaged: {error}", "get it again", file=packed.name) from error


def frames(source: BinaryIO) -> Iterator[bytes]:
    """Yield the bytes of zstd frames in a row; the library's own reader takes 8 KiB at a time, and four times as long.

    Raises EOFError where the last is cut short.
    """
    data = source.read(PART)
    while data:
        decompressor = zstd.ZstdDecompressor(options=BOUNDED)
        while not decompressor.eof:
            if part := decompressor.decompress(data, PART):
                yield part
            data = b""
            if decompressor.needs_input and not decompressor.eof:
                data = source.read(PART)
                if not data:
                    raise EOFError("it is cut short")
        data = decompressor.unused_data or source.read(PART)


@contextmanager
def _unpacker(source: BinaryIO, packed: Path) -> Iterator[IO[bytes]]:
    """Give the stream of unpacked bytes; an archive must hold one file and nothing else."""
    if packed.suffix == SUFFIXES["gzip"]:
        with gzip.GzipFile(fileobj=source) as zipped:
            yield cast("IO[bytes]", zipped)
    else:
        with zipfile.ZipFile(source) as archive:
            names = archive.namelist()
            if names != [packed.name.removesuffix(packed.suffix)]:
                raise zipfile.BadZipFile(f"it holds {shown(', '.join(names)) or 'nothing'}, expected the image alone")
            with archive.open(names[0]) as stream:
                yield stream
