"""Files on a card that are the user's, by the ``keep`` paths of its manifest: listed, and never called damaged."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pipeline.device.folder import belongs, is_litter
from pipeline.record.snapshot import File


@dataclass(frozen=True, slots=True, kw_only=True)
class Yours:
    """What became of the files that are the user's, by path."""

    changed: tuple[str, ...] = ()
    new: tuple[str, ...] = ()
    removed: tuple[str, ...] = ()

    def __bool__(self) -> bool:
        """Whether there is any."""
        return bool(self.changed or self.new or self.removed)

    def __str__(self) -> str:
        """Return "1 changed, 1 new" or the like."""
        counts = (("changed", self.changed), ("new", self.new), ("removed", self.removed))
        return ", ".join(f"{len(paths):,} {word}" for word, paths in counts if paths)


def is_yours(path: str, keep: Sequence[str], *, is_folder: bool) -> bool:
    """Whether a file, or all that a folder can hold, is the user's; what a desktop leaves there is not."""
    return belongs(f"{path}/" if is_folder else path, keep) and not is_litter(path)


def yours_between(old: Mapping[str, File], new: Mapping[str, File], keep: Sequence[str]) -> Yours:
    """Return what became of the user's files from one card to another, both hashed where sizes are equal."""
    before, after = (
        {path: (file.size, file.sha256) for path, file in files.items()
         if not file.is_folder and is_yours(path, keep, is_folder=False)}
        for files in (old, new)
    )  # fmt: skip
    return Yours(
        changed=tuple(sorted(path for path in before.keys() & after.keys() if before[path] != after[path])),
        new=tuple(sorted(after.keys() - before.keys())),
        removed=tuple(sorted(before.keys() - after.keys())),
    )
