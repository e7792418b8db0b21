"""Keeping what the user made on a card: its files are copied into the inputs, and go onto the next build."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from pipeline.device.folder import belongs, is_litter
from pipeline.device.ranges import same_card
from pipeline.errors import CheckError, MachineError, Place, Problem
from pipeline.file_digest import sha256_of_file
from pipeline.inspect.open_target import OpenTarget, digest, of_folder, of_image
from pipeline.inspect.opened_build import OpenedBuild
from pipeline.manifest.checks.sums import parse_sums
from pipeline.model.plan import SECTOR
from pipeline.model.text import counted
from pipeline.record.document import sums_text
from pipeline.workspace.atomic_write import replacing, write_if_changed
from pipeline.workspace.workspace import Workspace


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """What became of the user's files on a card, by path.

    ``copied``: new or changed on the card only. ``both``: changed on the card and in the inputs, so that both are kept,
    with where the card's lies. ``same``: known already, or changed in the inputs only.
    """

    copied: tuple[str, ...]
    both: tuple[tuple[str, str], ...]
    same: tuple[str, ...]


def keep(workspace: Workspace, card_id: str, patterns: tuple[str, ...], named: OpenTarget) -> Kept:
    """Copy what differs into the inputs; nothing there is written over unless the card had it before.

    ``patterns``: the card's ``keep``. A list beside the folder says what was on the card last time, so that a change on
    either side can be told. Raises CheckError for names that are no text, OSError too.
    """
    home = workspace.kept_folder(card_id)
    last, parts = _list(home), named.parts
    if parts is None:
        raise MachineError.one("says what was on a card, and has no files", "name the card itself", file=named.shown)
    copied, both, same = list[str](), list[tuple[str, str]](), list[str]()
    for path in _yours(named, patterns):
        sha256, mine = digest(parts(path)), home.joinpath(*path.split("/"))
        held = sha256_of_file(mine) if mine.is_file() else ""
        if sha256 == held or (held and sha256 == last.get(path)):
            same.append(path)
        elif held in ("", last.get(path)):
            _write(mine, parts(path), sha256)
            copied.append(path)
        else:
            other = home.with_name(f"{card_id}-both") / f"{path}.{sha256[:8]}"
            _write(other, parts(path), sha256)
            both.append((path, workspace.shown(other)))
        last[path] = sha256
    if last:
        write_if_changed(_list_path(home), sums_text(last).encode())
    return Kept(copied=tuple(copied), both=tuple(both), same=tuple(same))


def _yours(named: OpenTarget, patterns: tuple[str, ...]) -> list[str]:
    """Return the paths of the user's files on a card, sorted."""
    found = sorted(
        path
        for path, file in named.side.files.items()
        if not file.is_folder and belongs(path, patterns) and not is_litter(path)
    )
    wrong = [path for path in found if not path.isprintable()]
    if wrong:
        what, hint = "its name is not plain text, and would be none in the inputs", "rename it on the card"
        raise CheckError(Problem(Place(ascii(path)), what, hint) for path in wrong)
    return found


def keep_before_writing(workspace: Workspace, build: OpenedBuild, path: Path, then: str) -> None:
    """Copy what is the user's from a card that is about to be written over, when it holds a build of the same card.

    Raises CheckError when anything was copied, or it would be lost; ``then``: what to do next.
    """
    if not build.keep:
        return
    with path.open("rb") as medium:
        medium.seek(build.plan.volume.start * SECTOR)
        if not same_card(build.plan, medium.read(SECTOR)):
            return
    with card_at(path) as named:
        kept = keep(workspace, build.card, build.keep, named)
    if kept.copied or kept.both:
        number = counted(len(kept.copied) + len(kept.both), "file")
        folder = workspace.shown(workspace.kept_folder(build.card))
        raise CheckError.one(f"{number} of yours on it would be lost; now copied to {folder}", then, file=str(path))


@contextmanager
def card_at(path: Path) -> Iterator[OpenTarget]:
    """Give a mounted card, an image or a disk.

    Raises CheckError when it is too damaged to trust its files; MachineError when it is not there, holds no FAT
    volume, or cannot be read.
    """
    if path.is_dir():
        yield of_folder(path)
        return
    if not path.exists():
        raise MachineError.one("there is no such card", "name a mounted folder, an image or a disk", file=str(path))
    with ExitStack() as stack:
        named = of_image(path, stack)
        bad = [finding for finding in named.reading.findings if finding.path] if named.reading else []
        if bad:
            what = f"{bad[0].path}: {bad[0].what}"
            hint = "copy by hand what you can, from the mounted card; doit write --no-keep gives it up"
            raise CheckError.one(what, hint, file=str(path))
        yield named


def _write(path: Path, parts: Iterator[bytes], sha256: str) -> None:
    """Write a copy; raises CheckError when the card gives other bytes than a moment ago."""
    with replacing(path) as temporary:
        with temporary.open("wb") as file:
            file.writelines(parts)
        if sha256_of_file(temporary) != sha256:
            raise CheckError.one(
                "reads differently each time; the card may be failing", "copy it by hand", file=path.name
            )


def _list_path(home: Path) -> Path:
    return home.with_name(f"{home.name}.sha256")


def _list(home: Path) -> dict[str, str]:
    """Return the SHA-256 of each file as the card had it last time."""
    path = _list_path(home)
    if not path.is_file():
        return {}
    return {name: sha256 for sha256, name in parse_sums(path.read_text(encoding="utf-8"), str(path))}
