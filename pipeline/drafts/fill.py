"""Sizes and hashes that manifests lack, taken from the files of the places, where the files that fit are all alike."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.build.missing_hints import shown as shown_location
from pipeline.errors import CardkilnError, ManifestError, Place
from pipeline.manifest.edit.lacking import Lacking, lacking
from pipeline.manifest.edit.pin import Pinned, PinRequest, pin
from pipeline.manifest.edit.pinnable import KeyPath, held
from pipeline.manifest.expand.titles import LONGEST as LONGEST_CHAIN
from pipeline.manifest.files import FOLDERS, ManifestFile, is_id
from pipeline.manifest.load import load_sources
from pipeline.manifest.text.blank import blanks_in
from pipeline.manifest.text.positions import spell
from pipeline.manifest.text.read import toml_values
from pipeline.model.content import Content, Fitting, Location, Wanted
from pipeline.model.text import listed, quoted
from pipeline.model.units import parse_size, show_size
from pipeline.workspace.manifest_text import ManifestText, read_manifest
from pipeline.workspace.progress import counting
from pipeline.workspace.workspace import Workspace


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """What a table was filled from: the content, where it lies, the preferred place first, and what it was known by."""

    lacking: Lacking
    content: Content
    locations: tuple[Location, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """A table that was not filled, and why; ``choices``: the contents that fit, each with where it lies."""

    lacking: Lacking
    why: str
    choices: Mapping[Content, tuple[Location, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Filled:
    """What one manifest came to: its new text, what was taken, what was left, and the other blanks in it."""

    read: ManifestText
    pinned: Pinned
    taken: tuple[Taken, ...]
    left: tuple[Left, ...]
    blanks: tuple[str, ...]


def fill(
    workspace: Workspace, manifests: Sequence[ManifestText], below: Path | None = None, *, crc32: bool = False
) -> list[Filled]:
    """Return each manifest with the sizes and hashes that files of the places give it; nothing is written yet.

    ``below``: a folder or archive that is searched in place of those of sources.toml. Raises ManifestError where
    there is no place to search.
    """
    sizes = SocketSizes(workspace)
    gaps = [list(lacking(one.manifest.kind, one.manifest.id, one.values, sizes.of(one.values))) for one in manifests]
    found = iter(_found(workspace, [gap for some in gaps for gap in some], below))
    return [
        _filled(workspace, one, [(gap, next(found)) for gap in some], sizes.of(one.values), crc32=crc32)
        for one, some in zip(manifests, gaps, strict=True)
    ]


class SocketSizes:
    """The sizes of the sockets that titles fill, whatever else is wrong with manifests; each is read once."""

    def __init__(self, workspace: Workspace) -> None:
        self._workspace = workspace
        self._read: dict[tuple[str, str], Mapping[str, Any]] = {}

    def of(self, title: Mapping[str, Any]) -> Mapping[str, int]:
        """Return the size in bytes of each socket of a title's layout, or of that which it takes over; none without."""
        chain = [title]
        while "layout" not in chain[-1] and len(chain) <= LONGEST_CHAIN and (like := chain[-1].get("like")):
            chain.append(self._values("title", str(like)))
        core = next((str(one["core"]) for one in chain if "core" in one), "")
        sockets = held(self._values("core", core), ("layouts", str(chain[-1].get("layout")), "sockets"))
        sizes = dict[str, int]()
        for name, socket in sockets.items() if isinstance(sockets, dict) else ():
            with suppress(ValueError, TypeError, KeyError):
                sizes[name] = parse_size(socket["size"])
        return sizes

    def _values(self, kind: str, id_: str) -> Mapping[str, Any]:
        """Return the TOML values of a manifest; none where there is none, or it is no TOML."""
        if (kind, id_) not in self._read:
            path = self._workspace.inputs / FOLDERS[kind] / f"{id_}.toml"
            self._read[kind, id_] = {}
            with suppress(CardkilnError):
                if is_id(id_):
                    self._read[kind, id_] = read_manifest(
                        ManifestFile(kind=kind, id=id_, file="", where=str(path))
                    ).values
        return self._read[kind, id_]


def _found(workspace: Workspace, gaps: Sequence[Lacking], below: Path | None) -> Iterator[Fitting]:
    """Yield what fits each gap."""
    if not gaps:
        return
    known, problems = load_sources(workspace.inputs, workspace.base)
    if below is None and problems:
        raise ManifestError(problems)
    places = [*map(Path, known.places), *([below] if below else [])]
    if not places:
        raise ManifestError.one("sources.toml names no place to search", "add a place to it, or name one with --from")
    index = workspace.index
    with counting("searching the sources", "files") as advance:
        workspace.warn(index.scan(places, known.limits, advance, without=[workspace.build]).problems)
    with counting("hashing source files", "B") as advance:
        fitting = iter(index.fitting([gap.sought for gap in gaps if not gap.sha256], below, advance))
        by_hash = index.find([_wanted(gap) for gap in gaps if gap.sha256], advance)
    for gap in gaps:
        if not gap.sha256:
            yield next(fitting)
        else:
            content = by_hash.contents.get(gap.sha256)
            yield Fitting(contents={content: (by_hash.locations[gap.sha256],)} if content else {})


def _wanted(gap: Lacking) -> Wanted:
    content = Content(sha256=gap.sha256, size=gap.sought.size, crc32=gap.sought.crc32)
    return Wanted(content=content, name=spell(gap.way), place=Place(), file_names=gap.sought.names)


def _filled(
    workspace: Workspace,
    read: ManifestText,
    gaps: Iterable[tuple[Lacking, Fitting]],
    sizes: Mapping[str, int],
    *,
    crc32: bool,
) -> Filled:
    taken, left = list[Taken](), list[Left]()
    for gap, found in gaps:
        if len(found.contents) == 1 and not found.failures:
            ((content, locations),) = found.contents.items()
            taken.append(Taken(lacking=gap, content=content, locations=locations))
        else:
            left.append(Left(lacking=gap, why=_why(workspace, gap, found), choices=found.contents))
    pins = [
        PinRequest(
            way=one.lacking.way,
            content=one.content,
            source=str(one.locations[0]),
            usual_size=usual_size(one.lacking.way, sizes),
        )
        for one in taken
    ]
    pinned = Pinned(text=read.text, written={}, added=frozenset())
    if pins:
        pinned = pin(read.text, read.manifest.file, pins, crc32=crc32)
    ways = {one.lacking.way for one in left}
    blanks = (path for path in blanks_in(toml_values(pinned.text)) if path[:-1] not in ways)
    return Filled(
        read=read, pinned=pinned, taken=tuple(taken), left=tuple(left), blanks=tuple(spell(path) for path in blanks)
    )


def usual_size(way: KeyPath, sizes: Mapping[str, int]) -> int | None:
    """Return the size that a table need not state: that of its socket."""
    return sizes.get(str(way[1])) if way and way[0] == "sockets" else None


def _why(workspace: Workspace, gap: Lacking, found: Fitting) -> str:
    """Return why a table is not filled: nothing fits, too much does, or what may fit cannot be read."""
    if found.failures:
        location, reason = found.failures[0]
        return f"{shown_location(workspace, location)} may be it: {reason}"
    if found.contents:
        return f"{len(found.contents):,} different contents fit by {gap.basis}"
    sought = gap.sought
    signs = [f"is named {quoted(dict.fromkeys(sought.names))}"] if sought.by_name and not gap.sha256 else []
    signs += [f"has {show_size(sought.size)}"] if sought.size is not None else []
    signs += [f"has the CRC-32 {sought.crc32:08x}"] if sought.crc32 is not None else []
    signs = [f"has the SHA-256 {gap.sha256}"] if gap.sha256 else signs
    return f"no file {listed(signs)}"
