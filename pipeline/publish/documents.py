"""The documents of a delta, packed as one: what they repeat of each other, hashes above all, is then stored once.

Source: POSIX.1-2017, pax, "ustar Interchange Format"; RFC 8878 for the packing around it.
"""

from __future__ import annotations

import tarfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import IO, cast

from pipeline.errors import CheckError
from pipeline.model.text import shown
from pipeline.publish.compression import BOUNDED, zstd
from pipeline.publish.folder import STRANGE

PACKED = "documents.tar.zst"
DOCUMENTS = ("record.json", "plan.json", "provenance.json", "materials.cdx.json", "sheet.html")
LEVEL = 19
PART, BLOCK = 1 << 20, 512


def pack_documents(folder: Path, names: tuple[str, ...]) -> None:
    """Move documents of a folder into ``PACKED``; equal documents give equal bytes with the same library."""
    options: dict[int, int] = {
        zstd.CompressionParameter.compression_level: LEVEL,
        zstd.CompressionParameter.checksum_flag: 1,
    }
    with (
        (folder / PACKED).open("wb") as file,
        zstd.ZstdFile(file, "wb", options=options) as packed,
        tarfile.open(fileobj=cast("IO[bytes]", packed), mode="w|", format=tarfile.USTAR_FORMAT) as archive,
    ):
        for name in names:
            member = tarfile.TarInfo(name)
            member.size = (folder / name).stat().st_size
            with (folder / name).open("rb") as document:
                archive.addfile(member, document)
    for name in names:
        (folder / name).unlink()


def unpack_documents(packed: Path, limits: Mapping[str, int], target: Path) -> dict[str, Path]:
    """Write the documents to ``target`` and return where each is; OSError of writing is left to the caller.

    ``limits``: the names there may be, each once, and how many bytes each may have at most. Raises CheckError for a
    damaged archive, and for anything else in it; nothing else is written, and memory is bounded.
    """
    found = dict[str, Path]()
    with _opened(packed) as members:
        for name, size, parts in members:
            if name not in limits or name in found:
                what = f"holds {shown(name)}, expected each of {', '.join(sorted(limits))} once"
                raise CheckError.one(what, STRANGE, file=packed.name)
            if size > limits[name]:
                what = f"{name} in it is larger than {limits[name]:,} bytes, the limit"
                raise CheckError.one(what, STRANGE, file=packed.name)
            found[name] = target / name
            with found[name].open("wb") as file:
                file.writelines(parts)
    return found


def read_document(packed: Path, name: str, limit: int) -> bytes:
    """Return one document of an archive; raises CheckError where it is damaged or has none of that name and size."""
    with _opened(packed) as members:
        for found, size, parts in members:
            if found == name and size <= limit:
                return b"".join(parts)
    raise CheckError.one(f"holds no {name} of at most {limit:,} bytes", STRANGE, file=packed.name)


Member = tuple[str, int, Iterator[bytes]]
"""Name, size and bytes of a file of the archive."""


@contextmanager
def _opened(packed: Path) -> Iterator[Iterator[Member]]:
    """Give the members of an archive; whatever is damaged in it is a CheckError."""
    with packed.open("rb") as file, zstd.ZstdFile(file, options=BOUNDED) as stream:
        try:
            yield _members(cast("IO[bytes]", stream))
        except (zstd.ZstdError, tarfile.HeaderError, EOFError, ValueError) as error:
            raise CheckError.one(f"is damaged: {shown(error)}", STRANGE, file=packed.name) from error


def _members(stream: IO[bytes]) -> Iterator[Member]:
    """Yield each plain file; anything else raises HeaderError.

    So do headers that only announce other headers (long names, extensions), whose size is a stranger's word.
    """
    while (block := _exactly(stream, BLOCK)) != bytes(BLOCK):
        member = tarfile.TarInfo.frombuf(block, "ascii", "strict")
        if member.type != tarfile.REGTYPE or member.size < 0:
            raise tarfile.HeaderError(f"{member.name!r} is not a plain file")
        parts = (_exactly(stream, min(PART, member.size - at)) for at in range(0, member.size, PART))
        yield member.name, member.size, parts
        for _ in parts:  # which the caller did not want
            pass
        _exactly(stream, -member.size % BLOCK)
    if stream.read(tarfile.RECORDSIZE + 1).strip(b"\0"):
        raise tarfile.HeaderError("there is more behind its end")


def _exactly(stream: IO[bytes], size: int) -> bytes:
    data = stream.read(size)
    if len(data) < size:
        raise EOFError("it is cut short")
    return data
