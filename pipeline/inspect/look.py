"""What a card in the hand is: its volume, its health, its board, and which known contents lie on it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from pipeline.build.build import Build
from pipeline.build.inputs import Inputs
from pipeline.device.folder import is_litter
from pipeline.errors import ManifestError, Place
from pipeline.inspect.catalogue import Fit, best_board, catalogue
from pipeline.inspect.conformance import Against, Held, broken, cores_there, titles_there, unknown_cores
from pipeline.inspect.open_target import PART, Named, digest, read_at
from pipeline.model.content import CardFile, Origin
from pipeline.model.manifest import Board, Manifest
from pipeline.model.reading import Reading
from pipeline.record.snapshot import File
from pipeline.workspace.progress import progress

LARGEST_TEXT = 1 << 20
"""Bytes of a config file; more of one is not looked at."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownFile:
    """A file of the card that the manifests know: what it is, and where it would belong on a card for the board."""

    path: str
    what: str
    belongs: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What was seen. ``board``: None where none fits or the manifests cannot be read; ``why`` says how it came to it.

    ``files``: all but litter and folders. ``strangers``: bitstreams by their place that belong to no known core.
    """

    named: Named
    files: tuple[Held, ...]
    litter: tuple[str, ...]
    board: Board | None
    why: str
    cores: tuple[str, ...] = ()
    titles: tuple[str, ...] = ()
    strangers: tuple[str, ...] = ()
    broken: tuple[str, ...] = ()
    known: tuple[KnownFile, ...] = ()

    @property
    def reading(self) -> Reading | None:
        """The volume, None for a plain folder."""
        return self.named.reading

    @property
    def sound(self) -> bool:
        """Whether nothing is wrong with it."""
        return not self.broken and not (self.reading and self.reading.findings)


def look(build: Build, named: Named, board_id: str = "") -> Look:
    """Return what there is to say of a card; its files are hashed where some manifest knows their size.

    A board that was asked for must be known, else ManifestError; without one the manifests may be missing altogether.
    """
    plain = [file for file in named.side.files.values() if not file.is_folder]
    litter = tuple(path for path in named.side.files if is_litter(path))
    files = [file for file in plain if not is_litter(file.path)]
    inputs = build.inputs
    board, why = _board(inputs, [file.path for file in files], board_id)
    if board is None:
        unhashed = tuple(Held(path=file.path, size=file.size) for file in files)
        return Look(named=named, files=unhashed, litter=litter, board=None, why=why)
    known = catalogue(build, board)
    chips = chips_of(inputs.manifest)
    held = hashed(named, files, _sizes([*known, *chips]))
    against = Against(
        manifest=inputs.manifest,
        board=board,
        known=known,
        files=held,
        read=lambda path: small_file(named, path),
        reading=named.reading,
        size=named.size,
    )
    return Look(
        named=named,
        files=held,
        litter=litter,
        board=board,
        why=why,
        cores=tuple(core.id for core in cores_there(against)),
        titles=tuple(title.id for title in titles_there(against)),
        strangers=unknown_cores(against),
        broken=tuple(dict.fromkeys(broken(against))),
        known=tuple(_known(held, [*known, *chips])),
    )


def _board(inputs: Inputs, paths: Iterable[str], asked: str) -> tuple[Board | None, str]:
    try:
        boards = inputs.manifest.boards
    except ManifestError as error:
        if asked:
            raise
        return None, f"no board: {error.problems[0].place}: {error.problems[0].what}"
    if asked:
        return boards[asked], "as asked"
    fit = best_board(inputs.manifest, paths)
    return (boards[fit.board], _guessed(fit)) if fit else (None, "no board's folders are on it")


def _guessed(fit: Fit) -> str:
    return f"guessed: {fit.places} of its places are there"


def small_file(named: Named, path: str) -> bytes:
    """Return the bytes of a config file, no more than one may have."""
    found = bytearray()
    for part in named.parts(path) if named.parts else ():
        found += part
        if len(found) > LARGEST_TEXT:
            break
    return bytes(found[:LARGEST_TEXT])


def hashed(named: Named, files: Iterable[File], sizes: set[int] | None) -> tuple[Held, ...]:
    """Return the files with the hash of each that has one of the sizes; None: of all."""
    files = list(files)
    wanted = [file for file in files if sizes is None or file.size in sizes]
    hashes = {}
    with progress("look", sum(file.size for file in wanted)) as advance:
        for file in wanted:
            hashes[file.path] = digest(parts_of(named, file))
            advance(file.size)
    return tuple(Held(path=file.path, size=file.size, sha256=hashes.get(file.path, "")) for file in files)


def parts_of(named: Named, file: File) -> Iterator[bytes]:
    """Yield the bytes of a file of an image, a disk or a folder, as far as they can be followed."""
    if named.reading is None or named.image is None:
        yield from named.parts(file.path) if named.parts else ()
        return
    for start, length in named.reading.extents_ranges(file.extents or (), file.size):
        for at in range(0, length, PART):
            yield read_at(named.image, start + at, min(PART, length - at))


def chips_of(manifest: Manifest) -> tuple[CardFile, ...]:
    """Return every chip of every title as if it were a file, so that a raw dump on a card is known too."""
    return tuple(
        CardFile(
            path="",
            content=chip.content,
            placement="anywhere",
            origin=Origin(kind=f"chip {name}", owner=title.id),
            place=Place(file=title.file, key=f"chips.{name}"),
        )
        for title in manifest.titles.values()
        for name, chip in title.chips.items()
    )


def _sizes(known: Iterable[CardFile]) -> set[int] | None:
    """Return the sizes of known contents; None where one is declared by its hash alone, so that any file may be it."""
    sizes = {one.content.size for one in known}
    return None if None in sizes else {size for size in sizes if size is not None}


def _known(held: Iterable[Held], known: Iterable[CardFile]) -> Iterator[KnownFile]:
    by_hash: dict[str, CardFile] = {}
    for one in known:
        by_hash.setdefault(one.content.sha256, one)
    for file in held:
        if file.sha256 in by_hash:
            one = by_hash[file.sha256]
            what = f"{one.origin.kind.replace('-', ' ').replace('rom ', 'ROM ')} of {one.origin.owner}"
            yield KnownFile(path=file.path, what=what, belongs=one.path)
