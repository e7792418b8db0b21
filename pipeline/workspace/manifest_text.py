"""Manifests that a command changes: read as bytes and values, and written back together, all or none."""

from __future__ import annotations

import codecs
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from pipeline.errors import CheckError, MachineError, ManifestError, Problem
from pipeline.manifest.files import ManifestFile
from pipeline.manifest.text.read import parse, read
from pipeline.workspace.atomic_write import write_together


@dataclass(frozen=True, slots=True, kw_only=True)
class ManifestText:
    """A manifest as it was read: its bytes, its text without a byte order mark, and its TOML values."""

    manifest: ManifestFile
    data: bytes
    text: str
    values: dict[str, Any]


def read_manifest(manifest: ManifestFile) -> ManifestText:
    """Return a manifest's text; raises MachineError where it cannot be read and ManifestError where it is no TOML."""
    data = read(manifest)
    if isinstance(data, Problem):
        raise MachineError([data])
    parsed = parse(data, manifest.file)
    if isinstance(parsed, Problem):
        raise ManifestError([parsed])
    return ManifestText(manifest=manifest, data=data, text=parsed[0], values=parsed[1])


def write_manifests(changes: Iterable[tuple[ManifestText, str]]) -> None:
    """Give manifests another text, all or none; permissions stay, and a link to a manifest stays a link.

    Raises CheckError where one is not any more what was read, and OSError.
    """
    files = {}
    for manifest_text, text in changes:
        path = manifest_text.manifest.path.resolve()
        with path.open("rb+") as writable:
            if writable.read() != manifest_text.data:
                what = "changed in the meantime; nothing was written"
                raise CheckError.one(what, "run again", file=manifest_text.manifest.file)
        mark = codecs.BOM_UTF8 if manifest_text.data.startswith(codecs.BOM_UTF8) else b""
        files[path] = mark + text.encode()
    write_together(files)
