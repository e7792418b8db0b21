"""Which known build a card in the hand is of, and whether it still is what was built then."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from pipeline.device.folder import belongs
from pipeline.device.identify import has_serial, is_half_written
from pipeline.errors import MachineError, ManifestError
from pipeline.image.opened import open_image
from pipeline.inspect.known_builds import KnownBuild
from pipeline.inspect.planned_image import CardImage
from pipeline.inspect.verify import (
    GOOD,
    HALF_WRITTEN,
    TOUCHED,
    OpenedFolder,
    Verification,
    verify_folder,
    verify_image,
)
from pipeline.record.changes_text import changes_text
from pipeline.record.compare import compare
from pipeline.record.snapshot import side_of_record
from pipeline.volume.read import NotFatError, read_volume
from pipeline.workspace.lock import keep_unpatched

Keep = Callable[[KnownBuild], Sequence[str]]
"""Gives the paths and patterns of the files of a build that are the user's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedCard:
    """A card held against the build it is of, or, when it is of none that is known, against the newest.

    ``tried``: how many known builds it was held against. ``changes``: lines that say what changed from its build to the
    ``newest``; none where that is its build.
    """

    verdict: Verification
    build: KnownBuild
    newest: KnownBuild
    tried: int
    changes: tuple[str, ...] = ()


class OpenedCard:
    """An image or disk that is verified, opened once."""

    def __init__(self, path: Path, stack: ExitStack) -> None:
        self._descriptor, self.size = open_image(path, stack)
        keep_unpatched(self._descriptor)
        self.path = path

    def image(self) -> CardImage:
        """Return it as something to read, no sector known to be bad."""
        return CardImage(self._descriptor, self.size)

    def candidates(self, known: Sequence[KnownBuild]) -> list[KnownBuild]:
        """Return the builds it can be of: those with the serial of its volume, or one that was written halfway.

        Raises ManifestError when there is none, MachineError when there is no FAT volume.
        """
        image = self.image()
        found = [build for build in known if has_serial(build.plan, image.read)]
        found = found or [build for build in known if is_half_written(build.plan, image.read)][:1]
        if not found:
            try:
                read_volume(image.read, image.size)
            except NotFatError as error:
                hint = "if a built card was written to it, name the card: doit verify PATH CARD"
                raise MachineError.one(f"no record lies beside it, and {error}", hint, file=str(self.path)) from None
            what = "no record lies beside it, and no build known here has its serial"
            raise ManifestError.one(what, "name the card: doit verify PATH CARD", file=str(self.path))
        return found


@contextmanager
def opened_card(path: Path) -> Iterator[OpenedCard]:
    """Give an image or disk opened for reading; raises MachineError for anything else, and OSError."""
    with ExitStack() as stack:
        yield OpenedCard(path, stack)


def judge_card(card: OpenedCard, known: Sequence[KnownBuild], keep: Keep) -> JudgedCard:
    """Return which of the builds, the newest first, an image or disk holds, and whether it is good."""
    half = next((build for build in known if is_half_written(build.plan, card.image().read)), None)
    if half is not None:
        verdict = Verification(card=half.card, verdict=HALF_WRITTEN)
        return JudgedCard(verdict=verdict, build=half, newest=known[0], tried=len(known))

    def verify(build: KnownBuild) -> Verification:
        with ExitStack() as stack:
            reference = _reference(build, card.path, stack)
            return verify_image(card.image(), build.plan, build.record, reference, keep(build))

    files = CardFiles(card.image())
    return _judged(known, verify, lambda build: files.fit(build.record, keep(build)))


def judge_folder(folder: OpenedFolder, known: Sequence[KnownBuild], keep: Keep) -> JudgedCard:
    """Return the same for a mounted card, of which only the files can be checked."""

    def fits(build: KnownBuild) -> bool:
        return verify_folder(folder, build.record, keep(build)).verdict in (GOOD, TOUCHED)

    return _judged(known, lambda build: verify_folder(folder, build.record, keep(build)), fits)


def _judged(
    known: Sequence[KnownBuild], verify: Callable[[KnownBuild], Verification], fits: Callable[[KnownBuild], bool]
) -> JudgedCard:
    newest = known[0]
    first = verify(newest)
    chosen, verdict = newest, first
    if first.verdict not in (GOOD, TOUCHED) and not (len(known) > 1 and fits(newest)):
        for build in known[1:]:
            if fits(build):
                chosen, verdict = build, verify(build)
                break
    changes = () if chosen is newest else tuple(_changes(chosen, newest))
    return JudgedCard(verdict=verdict, build=chosen, newest=newest, tried=len(known), changes=changes)


def _changes(old: KnownBuild, new: KnownBuild) -> Iterator[str]:
    """Yield what changed from one build to another, without the hashes of plan and image."""
    changes = compare(side_of_record(old.record), side_of_record(new.record))
    yield from changes_text(tuple(change for change in changes if change.group != "image"))


class CardFiles:
    """The files of an image or disk wherever they lie, each hashed once, and only when a build asks for it."""

    def __init__(self, image: CardImage) -> None:
        self._image = image
        self._digests: dict[str, str] = {}

    @cached_property
    def _files(self) -> Mapping[str, tuple[int, Sequence[tuple[int, int]]]]:
        """The size of each file, and the (offset, bytes) ranges where it lies; none where there is no FAT volume."""
        try:
            reading = read_volume(self._image.read, self._image.size)
        except NotFatError:
            return {}
        return {item.path: (item.size, reading.ranges(item)) for item in reading.items if not item.is_folder}

    def fit(self, record: Mapping[str, Any], keep: Sequence[str]) -> bool:
        """Whether every file of a record that is not the user's is there with the right bytes."""
        own = [file for file in record["files"] if not belongs(file["path"], keep)]
        files = self._files
        if any(file["path"] not in files or files[file["path"]][0] != file["size"] for file in own):
            return False
        return all(self._digest(file["path"]) == file["sha256"] for file in own)

    def _digest(self, path: str) -> str:
        if path not in self._digests:
            self._digests[path] = self._image.digest(self._files[path][1])
        return self._digests[path]


def _reference(build: KnownBuild, path: Path, stack: ExitStack) -> CardImage | None:
    """Return the image as built, where it is at hand and is not the one that is verified."""
    image = build.image
    if image is None or not image.is_file() or image.resolve() == path.resolve():
        return None
    descriptor, size = open_image(image, stack)
    keep_unpatched(descriptor)
    return CardImage(descriptor, size)
