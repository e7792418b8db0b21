"""Keeping what the user made on a card: its files are copied into the inputs, and go onto the next build."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from pipeline.device.folder import belongs, is_litter
from pipeline.device.ranges import same_card
from pipeline.errors import CheckError, MachineError, ManifestError
from pipeline.manifest.sums import parse_sums
from pipeline.model.plan import SECTOR, Plan
from pipeline.record.document import sums_text
from pipeline.stages.build import building
from pipeline.stages.project import Project
from pipeline.stages.stamp import replacing, write_if_changed
from pipeline.stages.volume import file_bytes, opened
from pipeline.stages.words import counted

Read = Callable[[], bytes]


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """What became of the user's files on a card, by path.

    ``copied``: new or changed on the card only. ``both``: changed on the card and in the inputs, so that both are kept,
    with where the card's lies. ``same``: known already, or changed in the inputs only.
    """

    copied: tuple[str, ...]
    both: tuple[tuple[str, str], ...]
    same: tuple[str, ...]


def folder_of(project: Project, card_id: str) -> Path:
    """Return where the user's files of a card are kept: part of the inputs."""
    return project.inputs / "kept" / card_id


def keep(project: Project, card_id: str, files: Mapping[str, Read]) -> Kept:
    """Copy what differs into the inputs; nothing there is written over unless the card had it before.

    A list beside the folder says what was on the card last time, so that a change on either side can be told. Raises
    ManifestError when the card keeps nothing, OSError too.
    """
    card = project.manifest.cards[card_id]
    if not card.keep:
        hint = 'name the files that are yours in its manifest: keep = ["SAVES/**"]'
        raise ManifestError.one(f'card "{card_id}" keeps no files', hint, file=card.file, key="keep")
    home = folder_of(project, card_id)
    last = _list(home)
    copied, both, same = list[str](), list[tuple[str, str]](), list[str]()
    for path in sorted(path for path in files if belongs(path, card.keep) and not is_litter(path)):
        data = files[path]()
        sha256, mine = hashlib.sha256(data).hexdigest(), home.joinpath(*path.split("/"))
        held = hashlib.sha256(mine.read_bytes()).hexdigest() if mine.is_file() else ""
        if sha256 == held or (held and sha256 == last.get(path)):
            same.append(path)
        elif held in ("", last.get(path)):
            _write(mine, data)
            copied.append(path)
        else:
            other = home.with_name(f"{card_id}-both") / f"{path}.{sha256[:8]}"
            _write(other, data)
            both.append((path, project.shown(other)))
        last[path] = sha256
    if copied or both:
        write_if_changed(_list_path(home), sums_text(last).encode())
    return Kept(copied=tuple(copied), both=tuple(both), same=tuple(same))


def keep_before_writing(project: Project, card_id: str, plan: Plan, path: Path) -> None:
    """Copy what is the user's from a card that is about to be written over, when it holds a build of the same card.

    Raises CheckError when anything was copied: it must be built in first, or it would be lost.
    """
    if not project.manifest.cards[card_id].keep:
        return
    with path.open("rb") as medium:
        medium.seek(plan.volume.start * SECTOR)
        if not same_card(plan, medium.read(SECTOR)):
            return
    with files_on(path) as files:
        kept = keep(project, card_id, files)
    if kept.copied or kept.both:
        number = counted(len(kept.copied) + len(kept.both), "file")
        what = f"{number} of yours on it would be lost; now copied to {project.shown(folder_of(project, card_id))}"
        raise CheckError.one(what, f"build with them ({building(card_id)}), then write", file=str(path))


@contextmanager
def files_on(path: Path) -> Iterator[Mapping[str, Read]]:
    """Give the files of a mounted card, an image or a disk, by path, and how each is read.

    Raises CheckError when it holds no FAT volume, or one too damaged to trust its files; MachineError when it is not
    there or cannot be read.
    """
    if path.is_dir():
        found = [one for one in path.rglob("*") if one.is_file()]
        yield {one.relative_to(path).as_posix(): one.read_bytes for one in found}
        return
    if not path.exists():
        raise MachineError.one("there is no such card", "name a mounted folder, an image or a disk", file=str(path))
    with opened(path) as (reading, source):
        bad = [finding for finding in reading.findings if finding.path]
        if bad:
            what = f"{bad[0].path}: {bad[0].what}"
            hint = "copy by hand what you can, from the mounted card; doit write --no-keep gives it up"
            raise CheckError.one(what, hint, file=str(path))
        files = [item for item in reading.items if not item.is_folder]
        yield {item.path: partial(file_bytes, reading, item, source) for item in files}


def _write(path: Path, data: bytes) -> None:
    with replacing(path) as temporary:
        temporary.write_bytes(data)


def _list_path(home: Path) -> Path:
    return home.with_name(f"{home.name}.sha256")


def _list(home: Path) -> dict[str, str]:
    """Return the SHA-256 of each file as the card had it last time."""
    path = _list_path(home)
    if not path.is_file():
        return {}
    return {name: sha256 for sha256, name in parse_sums(path.read_text(encoding="utf-8"), str(path))}
