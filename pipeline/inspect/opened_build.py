"""The finished build of a card, held open: what is built meanwhile changes nothing of it."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.card.plan_text import plan_from_text
from pipeline.errors import MachineError
from pipeline.image.digest import open_image_digest
from pipeline.image.opened import open_image, read_at
from pipeline.inspect.with_kept import kept_files, write_with_kept
from pipeline.model.plan import Plan
from pipeline.record.document import keep_of_record
from pipeline.workspace.files import read_record
from pipeline.workspace.lock import keep_unpatched, locked
from pipeline.workspace.progress import progress
from pipeline.workspace.versions import CardVersion
from pipeline.workspace.workspace import Workspace, how_to_build

if TYPE_CHECKING:
    from pipeline.build.build import Build

WAIT = 3.0
"""Seconds to wait for another run to end: enough for one that has nothing to do, or opens the same build."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenedBuild:
    """Record, plan and image of one build, which were checked to belong together.

    ``image``: the descriptor of the open image. ``changed``: when it was last written to, nanoseconds since 1970.
    """

    card: str
    record: Mapping[str, Any]
    plan: Plan
    image_path: Path
    image: int
    changed: int

    @property
    def keep(self) -> tuple[str, ...]:
        """The paths and patterns of the files that are the user's."""
        return keep_of_record(self.record)

    @property
    def version(self) -> str:
        """The card's version as it was built."""
        return str(self.record["card"]["version"])

    @property
    def sha256(self) -> str:
        """The SHA-256 of the image, which is that of the record."""
        return str(self.record["image"]["sha256"])

    def read(self, offset: int, length: int) -> bytes:
        """Return bytes of the image, fewer at its end; threads may share it."""
        return read_at(self.image, offset, length)

    def check_unchanged(self) -> None:
        """Raise MachineError when something wrote into the open image: the build never does, a mounted image may."""
        if os.fstat(self.image).st_mtime_ns != self.changed:
            what = "was changed while it was read; the result is not valid"
            raise MachineError.one(what, f"{how_to_build(self.card)}, then start again", file=str(self.image_path))


@contextmanager
def opened_build(build: Build, card_id: str) -> Iterator[OpenedBuild]:
    """Give the finished build of a card; it is opened under the lock, and the image is hashed.

    Raises CheckError when it is not what the manifests say; MachineError while another run is working in the build
    folder, and when image, plan and record do not belong together; OSError.
    """
    from pipeline.build.flow import refuse_out_of_date  # only now, as reading a card needs no stage of a build

    folder = build.workspace.card_folder(card_id)
    with ExitStack() as stack:
        with locked(build.workspace.build, wait=WAIT):
            refuse_out_of_date(build, card_id)
            opened = _opened(folder, how_to_build(card_id), stack)
        yield _checked(opened)


@contextmanager
def opened_version(workspace: Workspace, version: CardVersion) -> Iterator[OpenedBuild]:
    """Give a version that was received, with the files that were kept for its card in ``inputs/kept`` put onto it.

    No manifest is read. Raises MachineError as ``opened_build`` does, CheckError when the kept files do not fit.
    """
    receive_again = f"receive version {version.version} of {version.card} again"
    with ExitStack() as stack:
        with locked(workspace.build, wait=WAIT):
            opened = _opened(version.folder, receive_again, stack)
            kept = kept_files(workspace.kept_folder(version.card), keep_of_record(version.record))
            if kept:
                received = _checked(opened)
                folder = write_with_kept(received.plan, received.record, received.read, kept, version.folder)
                opened = _opened(folder, receive_again, stack)
        yield _checked(opened)


@dataclass(frozen=True, slots=True)
class _Opened:
    """A build whose image is open and not checked yet; ``hint``: what makes it anew."""

    folder: Path
    record: Mapping[str, Any]
    plan: bytes
    image: int
    size: int
    hint: str


def _opened(folder: Path, hint: str, stack: ExitStack) -> _Opened:
    record, plan = read_record(folder / "record.json"), (folder / "plan.json").read_bytes()
    image, size = open_image(folder / "card.img", stack)
    keep_unpatched(image)
    return _Opened(folder, record, plan, image, size, hint)


def _checked(opened: _Opened) -> OpenedBuild:
    """Return a build whose image, plan and record belong together; raises MachineError for another."""
    record, image, card = opened.record, opened.image, str(opened.record["card"]["id"])
    changed = os.fstat(image).st_mtime_ns
    with progress(f"check {card}", opened.size) as advance, open(image, "rb", buffering=0, closefd=False) as file:
        digest = open_image_digest(file, advance)
    for name, found in (("image", digest), ("plan", hashlib.sha256(opened.plan).hexdigest())):
        if found != record[name]["sha256"]:
            what = f"{record[name]['file']} is not the one of record.json: its SHA-256 is {found}"
            raise MachineError.one(what, f"{opened.hint}, then start again", file=str(opened.folder))
    return OpenedBuild(
        card=card,
        record=record,
        plan=plan_from_text(opened.plan.decode("ascii")),
        image_path=opened.folder / "card.img",
        image=image,
        changed=changed,
    )
