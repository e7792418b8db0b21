"""Stamps: small files that say what a finished output was made from, and that it is still the one that was made.

A stage is current when its stamp names the same inputs and its outputs are untouched. The stamp is written last,
by rename, so an interrupted stage is never taken for a finished one, and nothing depends on an engine's memory.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

VERSION = 1

NEW = "new"
"""The reason of a stage whose output was never made: not worth saying."""


def digest(value: object) -> str:
    """Return the SHA-256 of a frozen value's text; equal values have equal digests in any run, on any machine."""
    return hashlib.sha256(repr(value).encode()).hexdigest()


def sha256_of_file(path: Path) -> str:
    """Return the SHA-256 of what a file holds now."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def write_stamp(
    path: Path,
    inputs: Mapping[str, str],
    outputs: Mapping[str, tuple[Path, str]],
    facts: object = None,
    *,
    sync: bool = True,
) -> None:
    """Write what the outputs (name to path and SHA-256) were made from; ``facts`` is any JSON value to keep with it.

    Without ``sync`` a power cut may take the stamp, and the outputs are then made once more.
    """
    document = {
        "cardkiln-stamp": VERSION,
        "inputs": dict(inputs),
        "outputs": {name: [*_signature(made), sha256] for name, (made, sha256) in outputs.items()},
        "facts": facts,
    }
    with replacing(path, sync=sync) as temporary:
        temporary.write_text(json.dumps(document, indent=1, sort_keys=True) + "\n", encoding="utf-8")


def read_inputs(path: Path) -> dict[str, str]:
    """Return what a stamp's outputs were made from, nothing when there is no whole stamp."""
    return dict(_read(path).get("inputs", {}))


def read_outputs(path: Path) -> dict[str, str]:
    """Return the SHA-256 of each output of a stamp by its name, nothing when there is no whole stamp."""
    return {name: kept[-1] for name, kept in _read(path).get("outputs", {}).items()}


def read_facts(path: Path) -> object:
    """Return the facts kept in a stamp, None when there is no whole stamp."""
    return _read(path).get("facts")


def stale(
    path: Path, inputs: Mapping[str, str], outputs: Mapping[str, Path], sha256_of: Callable[[Path], str]
) -> str | None:
    """Return why the outputs must be made again, in a few words; None when they are current.

    ``sha256_of`` is asked only for an output whose size, times or inode are not those of the stamp.
    """
    document = _read(path)
    if not document:
        return NEW
    before = document["inputs"]
    changed = sorted(name for name in before.keys() | inputs.keys() if before.get(name) != inputs.get(name))
    if changed:
        more = f" and {len(changed) - 3} more" if len(changed) > 3 else ""
        return f"{', '.join(changed[:3])}{more} changed"
    for name, output in outputs.items():
        *signature, sha256 = document["outputs"].get(name, [None])
        try:
            if signature != _signature(output) and sha256 != sha256_of(output):
                return f"{name} was changed by something else"
        except FileNotFoundError:
            return f"{name} is gone"
    return None


@dataclass(frozen=True, slots=True)
class Made:
    """What untouched outputs were made from, and the SHA-256 of each by its name."""

    inputs: dict[str, str]
    sha256: dict[str, str]


def made_of(path: Path, outputs: Mapping[str, Path], sha256_of: Callable[[Path], str]) -> Made | None:
    """Return what the outputs of a stamp were made from; None when one of them is not what was made then."""
    inputs = _read(path).get("inputs", {})
    if stale(path, inputs, outputs, sha256_of):
        return None
    return Made(inputs, read_outputs(path))


@contextmanager
def replacing(path: Path, *, sync: bool = True) -> Iterator[Path]:
    """Give a temporary name beside ``path``; what was written there takes its place when all went well.

    The old file stays until then. File and folder are synced, so the change survives a power cut in either state.
    Without ``sync`` a power cut may leave the old file, none or a damaged one, until it is synced later.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(path.name + ".part")
    try:
        yield temporary
        if sync:
            with temporary.open("rb+") as written:
                os.fsync(written.fileno())
        temporary.replace(path)
        if sync:
            sync_folder(path.parent)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise


def write_if_changed(path: Path, data: bytes) -> bool:
    """Write a small file unless it holds these bytes already; return whether it was written."""
    with suppress(FileNotFoundError):
        if path.read_bytes() == data:
            return False
    with replacing(path) as temporary:
        temporary.write_bytes(data)
    return True


def _read(path: Path) -> dict[str, Any]:
    try:
        document = json.loads(path.read_bytes())
    except (FileNotFoundError, ValueError):
        return {}
    return document if isinstance(document, dict) and document.get("cardkiln-stamp") == VERSION else {}


def _signature(path: Path) -> list[int]:
    """Return what changes when a file is changed: size, modification time, inode, and on POSIX the change time."""
    state = path.stat()
    return [state.st_size, state.st_mtime_ns, state.st_ino, state.st_ctime_ns if os.name == "posix" else 0]


def sync_folder(folder: Path) -> None:
    """Make a rename durable; Windows has no such call and needs none."""
    if os.name == "posix":
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
