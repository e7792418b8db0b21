"""Stamps: what a finished output was made from, and that it is still the one that was made.

A stage is current when its stamp names the same inputs and its outputs are untouched. The stamp is written last,
by rename, so an interrupted stage is never taken for a finished one, and nothing depends on an engine's memory.
"""

from __future__ import annotations

import hashlib
import re
import stat
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path, PureWindowsPath
from typing import TypeVar

from pipeline.file_digest import sha256_of_file
from pipeline.sources.files.signature import signature
from pipeline.workspace import state
from pipeline.workspace.state_lines import NamedValues

NEW = "new"
"""The reason of a stage whose output was never made: not worth saying."""

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Output:
    """One output as it was made, with the signature of its file (``sources.files.signature``)."""

    signature: str
    sha256: str

    def __post_init__(self) -> None:
        if not re.fullmatch("[0-9a-f]{64}", self.sha256):
            raise ValueError("expected a SHA-256")


@dataclass(frozen=True, slots=True, kw_only=True)
class Stamp:
    """What outputs (by path below their folder) were made from, and any JSON value that was kept with them."""

    inputs: dict[str, str] = field(default_factory=dict)
    outputs: dict[str, Output] = field(default_factory=dict)
    facts: object = None

    def __post_init__(self) -> None:
        paths = map(PureWindowsPath, self.outputs)  # it knows both separators, and drives
        if any(path.anchor or ".." in path.parts for path in paths):
            raise ValueError("expected paths that stay in the outputs' folder")


def digest(value: object) -> str:
    """Return the SHA-256 of a frozen value's text; equal values have equal digests in any run, on any machine."""
    return hashlib.sha256(repr(value).encode()).hexdigest()


def rom_stamps(build: Path) -> NamedValues:
    """Return the stamps of the ROM files in a build folder, by title."""
    return NamedValues(build / "state" / "rom.lines")


def stamp_of(inputs: Mapping[str, str], outputs: Mapping[str, tuple[Path, str]], facts: object = None) -> Stamp:
    """Return the stamp of outputs (name to path and SHA-256) as they lie there now; raises OSError."""
    made = {name: Output(signature=signature(path.stat()), sha256=sha256) for name, (path, sha256) in outputs.items()}
    return Stamp(inputs=dict(inputs), outputs=made, facts=facts)


def write_stamp(
    path: Path,
    inputs: Mapping[str, str],
    outputs: Mapping[str, tuple[Path, str]],
    facts: object = None,
) -> None:
    """Write what the outputs (name to path and SHA-256) were made from; ``facts`` is any JSON value to keep with it."""
    state.write(path, stamp_of(inputs, outputs, facts))


def read_stamp(path: Path) -> Stamp:
    """Return the stamp kept at a path, an empty one when there is no whole one."""
    return state.read(path, Stamp) or Stamp()


def read_inputs(path: Path) -> dict[str, str]:
    """Return what a stamp's outputs were made from, nothing when there is no whole stamp."""
    return read_stamp(path).inputs


def read_outputs(path: Path) -> dict[str, str]:
    """Return the SHA-256 of each output of a stamp by its name, nothing when there is no whole stamp."""
    return {name: output.sha256 for name, output in read_stamp(path).outputs.items()}


def read_facts(path: Path, kind: type[T]) -> T | None:
    """Return the facts kept in a stamp as a dataclass; None when there is no whole stamp with facts of that kind."""
    try:
        facts: T = state.decoded(kind, read_stamp(path).facts)
    except (ValueError, RecursionError):
        return None
    return facts


def stale(path: Path, inputs: Mapping[str, str], outputs: Mapping[str, Path]) -> str | None:
    """Return why the outputs must be made again, in a few words; None when they are current.

    Only an output whose size, times or inode are not those of the stamp is hashed, and always anew: what a cache says
    of it may not keep it on a card.
    """
    return why_stale(read_stamp(path), inputs, outputs)


def why_stale(stamp: Stamp, inputs: Mapping[str, str], outputs: Mapping[str, Path]) -> str | None:
    """Return why the outputs of a stamp must be made again; else as ``stale``."""
    if stamp == Stamp():
        return NEW
    changed = sorted(name for name in stamp.inputs.keys() | inputs.keys() if stamp.inputs.get(name) != inputs.get(name))
    if changed:
        more = f" and {len(changed) - 3} more" if len(changed) > 3 else ""
        return f"{', '.join(changed[:3])}{more} changed"
    if stamp.outputs.keys() != outputs.keys():
        return NEW
    for name, output in outputs.items():
        made = stamp.outputs[name]
        try:
            now = output.stat()
            if not stat.S_ISREG(now.st_mode):  # a pipe in its place would never come to an end
                return f"{name} is gone"
            if made.signature != signature(now) and made.sha256 != sha256_of_file(output):
                return f"{name} was changed by another program"
        except (FileNotFoundError, NotADirectoryError):
            return f"{name} is gone"
    return None


@dataclass(frozen=True, slots=True)
class Made:
    """What untouched outputs were made from, and the SHA-256 of each by its name."""

    inputs: dict[str, str]
    sha256: dict[str, str]


def made_of(path: Path, outputs: Mapping[str, Path]) -> Made | None:
    """Return what the outputs of a stamp were made from; None when one of them is not what was made then."""
    inputs = read_stamp(path).inputs
    if stale(path, inputs, outputs):
        return None
    return Made(inputs, read_outputs(path))
