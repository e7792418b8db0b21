"""Titles by the dozen: a draft for each set of dumps in a folder, with its chips in the sockets of a layout."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.drafts.found_sets import FoundSet, found_sets
from pipeline.drafts.source_files import chip_names
from pipeline.drafts.texts import title_text
from pipeline.errors import CardkilnError, MachineError, ManifestError
from pipeline.manifest.edit.pin import PinRequest, pin
from pipeline.manifest.edit.pinnable import held
from pipeline.manifest.files import FOLDERS, ManifestFile, path_from
from pipeline.manifest.load import load_sources
from pipeline.manifest.parse_manifest import parse_manifest
from pipeline.manifest.schema.copies import schema_line
from pipeline.manifest.schema.formats import TITLE_FIELD
from pipeline.manifest.text.blank import BLANK, BLANKS_ARE, blanks_in
from pipeline.manifest.text.positions import spell
from pipeline.manifest.text.read import toml_values
from pipeline.manifest.text.write import pair, toml_key, toml_value
from pipeline.model.manifest import Core
from pipeline.model.text import counted, did_you_mean, listed, quote, shown
from pipeline.model.units import show_size
from pipeline.sets.arrange import Arranged, Chips, DumpSet, arrange
from pipeline.sets.match import BY_LIST, BY_NAME, BY_ORDER, BY_SIZE, Dump, MatchedSet
from pipeline.workspace.atomic_write import write_together
from pipeline.workspace.manifest_text import read_manifest
from pipeline.workspace.workspace import Workspace

LONGEST_FILE_NAME = 8
"""Characters of what a title is called in file names, which also readers of short names take."""

TAG = re.compile("[a-z0-9]+(-[a-z0-9]+)*")

WORDS = {BY_LIST: "the checksum list", BY_NAME: "its name", BY_SIZE: "its size", BY_ORDER: "the order of the files"}
"""How a dump was matched, in words."""

NOT_ARRANGED = Arranged()


@dataclass(frozen=True, slots=True, kw_only=True)
class SetDraft:
    """What a set came to: the draft of a title, or ``why`` there is none, and what to do.

    ``path``: of the manifest. ``blanks``: the keys that a person has to fill in.
    """

    found: FoundSet
    path: Path | None = None
    text: str = ""
    blanks: tuple[str, ...] = ()
    came: Arranged = NOT_ARRANGED
    why: str = ""
    hint: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shelf:
    """What a folder of sets came to: a draft or a reason for each set, and what a person should know."""

    sets: tuple[SetDraft, ...]
    notes: tuple[str, ...]

    @property
    def texts(self) -> dict[Path, str]:
        """The manifests that are drafted, by path."""
        return {one.path: one.text for one in self.sets if one.path}


def draft_titles(
    workspace: Workspace,
    folder: str,
    core_id: str | None,
    layout: str | None,
    *,
    tag: str | None = None,
    in_order: bool = False,
) -> Shelf:
    """Return what each set in a folder comes to; nothing is written yet.

    ``core_id``: None for the only one. ``layout``: None for the one that a set fits. ``tag``: that each title gets.
    ``in_order``: as for ``match``. Raises CardkilnError where there can be no draft at all.
    """
    core, data = _core(workspace, core_id)
    if layout is not None and layout not in core.layouts:
        hint = did_you_mean(layout, core.layouts, f"there are {listed(core.layouts)}" if core.layouts else "")
        raise ManifestError.one(f"has no layout {quote(layout)}", hint, file=core.file)
    if tag is not None and not TAG.fullmatch(tag):
        raise ManifestError.one(f"found --tag {quote(tag)}, expected lower-case words with hyphens")
    layouts = {name: one for name, one in core.layouts.items() if layout in (None, name)}
    places, _ = load_sources(workspace.inputs, workspace.base)
    sets, loose = found_sets(workspace, folder, places)
    titles = _titles(workspace)
    why = {one.entry: reason for one, reason in zip(sets, _reasons(workspace, sets), strict=True)}
    fit = [one for one in sets if one.dumps and not one.faults and one.id]
    came = arrange(
        [DumpSet(id=one.id, name=one.name, dumps=tuple(one.dumps)) for one in fit],
        layouts,
        {name: _chips_of(titles, core.id, name) for name in layouts},
        in_order=in_order,
    )
    arranged = {one.entry: result for one, result in zip(fit, came, strict=True)}
    names = _FileNames(titles, is_used=TITLE_FIELD in str(data.get("layouts", "")))
    drafts = list[SetDraft]()
    for one in sets:
        what = arranged.get(one.entry, NOT_ARRANGED)
        reason = why[one.entry] or (_unfit(one, what) if layouts else _empty(one))
        if reason:
            drafts.append(SetDraft(found=one, came=what, why=reason[0], hint=reason[1]))
        else:
            drafts.append(_draft(workspace, one, core.id, what, names.of(one.id), tag))
    notes = list(_notes(workspace, folder, loose, places.places))
    return Shelf(sets=tuple(drafts), notes=tuple(notes))


def write_titles(workspace: Workspace, shelf: Shelf) -> None:
    """Write the drafts, all or none; raises MachineError."""
    folder = workspace.inputs / FOLDERS["title"]
    was_there = folder.is_dir()
    try:
        folder.mkdir(exist_ok=True)
        write_together({path: text.encode() for path, text in shelf.texts.items()})
    except OSError as error:
        if not was_there:
            with suppress(OSError):
                folder.rmdir()
        hint = "make room on the disk, or check the permissions"
        what = f"cannot be written: {error.strerror or error}; nothing was written"
        raise MachineError.one(what, hint, file=workspace.shown(folder)) from error


def _core(workspace: Workspace, id_: str | None) -> tuple[Core, Mapping[str, Any]]:
    """Return a core by itself, with its TOML values; raises ManifestError with all that is wrong with it."""
    known = workspace.names(FOLDERS["core"])
    if id_ is None and len(known) == 1:
        (id_,) = known
    if id_ not in known:
        some = f"the cores are {listed(known)}" if known else "doit new core ID drafts one"
        hint = did_you_mean(id_ or "", known, some)
        what = "expected --core ID" if id_ is None else f"found --core {quote(id_)}, expected the id of a core"
        raise ManifestError.one(what, hint)
    manifest = _manifest(workspace, "core", id_ or "")
    parsed = parse_manifest("core", manifest.id, manifest.file, read_manifest(manifest).data)
    if not isinstance(parsed.value, Core):
        raise ManifestError(parsed.problems)
    return parsed.value, parsed.data or {}


def _manifest(workspace: Workspace, kind: str, id_: str) -> ManifestFile:
    path = workspace.inputs / FOLDERS[kind] / f"{id_}.toml"
    return ManifestFile(kind=kind, id=id_, file=path_from(path, workspace.base), where=str(path))


def _titles(workspace: Workspace) -> dict[str, Mapping[str, Any]]:
    """Return the TOML values of the titles that are there, by id; none for one that cannot be read."""
    titles: dict[str, Mapping[str, Any]] = {}
    for id_ in workspace.names(FOLDERS["title"]):
        titles[id_] = {}
        with suppress(CardkilnError):
            titles[id_] = read_manifest(_manifest(workspace, "title", id_)).values
    return titles


def _chips_of(titles: Mapping[str, Mapping[str, Any]], core: str, layout: str) -> dict[str, Chips]:
    """Return the titles of a layout that a set may be a variant of, with their chips by socket."""
    fitting = {id_: data for id_, data in titles.items() if (data.get("core"), data.get("layout")) == (core, layout)}
    return {
        id_: {
            socket: str(table["sha256"]).lower()
            for socket in sockets
            if isinstance(table := held(data, ("sockets", socket)), dict) and "sha256" in table
        }
        for id_, data in fitting.items()
        if isinstance(sockets := data.get("sockets"), dict) and "like" not in data
    }


def _reasons(workspace: Workspace, sets: Sequence[FoundSet]) -> Iterator[tuple[str, str] | None]:
    """Yield for each set why there can be no draft of it, whatever its dumps are, and what to do."""
    same = defaultdict[str, list[str]](list)
    for one in sets:
        same[one.id].append(one.entry)
    for one in sets:
        path = workspace.inputs / FOLDERS["title"] / f"{one.id}.toml"
        if one.faults:
            more = f", and {counted(len(one.faults) - 1, 'more fault')}" if len(one.faults) > 1 else ""
            yield f"{one.faults[0]}{more}", ""
        elif not one.dumps:
            yield "holds no dump", ""
        elif not one.id:
            yield "its name gives no id", "rename it, or draft it by doit new title ID"
        elif len(same[one.id]) > 1:
            yield f"{listed(map(shown, same[one.id]))} give the same id, {one.id}", "rename all but one"
        elif path.exists() or path.is_symlink():
            yield f"{workspace.shown(path)} exists already", ""
        else:
            yield None


def _unfit(one: FoundSet, came: Arranged) -> tuple[str, str] | None:
    """Return why a set cannot be put into sockets, and what to do; None where it can."""
    if came.matched is None:
        return came.why, "name one with --layout"
    if not came.matched.matches and not any(came.matched.unfilled.values()):
        number = len(one.dumps)
        fit = "fits" if number == 1 else "fit"
        return f"its {counted(number, 'file')} {fit} no socket of layout {came.layout}", ""
    return None


def _empty(one: FoundSet) -> tuple[str, str] | None:
    """Return the first file of a set that is not a dump since it is empty."""
    return next(((f"{dump.path} has 0 bytes; expected a dump", "") for dump in one.dumps if not dump.size), None)


class _FileNames:
    """What titles are called in file names; two with one name would get each other's files."""

    def __init__(self, titles: Mapping[str, Mapping[str, Any]], *, is_used: bool) -> None:
        self._is_used = is_used
        self._taken = {str(data.get("file-name", self._derived(id_))) for id_, data in titles.items()}

    def of(self, id_: str) -> str:
        """Return the file-name of a new title, "" where it needs none, since the one derived from its id is free."""
        derived = name = self._derived(id_)
        number = 1
        while self._is_used and name in self._taken:
            number += 1
            name = f"{derived[: LONGEST_FILE_NAME - len(str(number))]}{number}"
        self._taken.add(name)
        return "" if name == derived else name

    @staticmethod
    def _derived(id_: str) -> str:
        return re.sub("[^A-Z0-9]", "", id_.upper())[:LONGEST_FILE_NAME]


def _draft(workspace: Workspace, one: FoundSet, core: str, came: Arranged, file_name: str, tag: str | None) -> SetDraft:
    """Return the draft of a title; where its core has no layout, as that of a single one, but for its name."""
    path = workspace.inputs / FOLDERS["title"] / f"{one.id}.toml"
    origin, pins = f" from {shown(one.entry)}", list[PinRequest]()
    if came.matched:
        lines = [*_layout_text(one, origin, core, came, came.matched, file_name)]
    else:
        files = list(one.dumps.values())
        chips = dict(zip(chip_names(files), files, strict=True))
        lines = [*title_text(origin, chips, one.texts, core, one.name)]
        pins = [
            PinRequest(way=("chips", name), content=file.content, source=shown(file.argument))
            for name, file in chips.items()
        ]
    if tag is not None:
        lines.insert(lines.index(pair("name", one.name)) + 1, pair("tags", [tag]))
    text = "\n".join([*filter(None, [schema_line(path, "title")]), *lines, ""])
    text = pin(text, path.name, pins).text if pins else text
    blanks = tuple(spell(way) for way in blanks_in(toml_values(text)))
    return SetDraft(found=one, came=came, path=path, text=text, blanks=blanks)


def _layout_text(
    one: FoundSet, origin: str, core: str, came: Arranged, result: MatchedSet, file_name: str
) -> Iterator[str]:
    """Yield the lines of a title that fills sockets, or of a variant."""
    yield f"# Drafted{origin}. {BLANKS_ARE}"
    yield from (f"# Taken for no dump: {shown(file.argument)}" for file in one.texts)
    yield pair("name", one.name)
    is_variant = bool(came.like or came.others)
    if is_variant:
        of = f"a variant by {came.how}" if came.like else f"it may be a variant of {listed(came.others, 'or')}"
        yield f"# It lacks {listed(result.unfilled)}; {of}."
        yield pair("like", came.like or BLANK)
    else:
        yield from (pair("core", core), pair("layout", came.layout))
    if file_name:
        yield pair("file-name", file_name)
    yield from ("", "[sockets]")
    for socket, match in result.matches.items():
        if socket not in came.same:
            yield f"# {shown(match.dump.path)}, by {WORDS[match.how]}"
            yield _socket(socket, match.dump.sha256)
    for socket, near in result.unfilled.items() if not is_variant else ():
        yield f"# {_choices(near)}"
        yield _socket(socket, BLANK)
    strange = [dump for dump, sockets in result.left.items() if not sockets]
    if strange:
        yield from ("", "# Fit no socket that is left:")
        yield from (f"#   {shown(dump.path)}, {show_size(dump.size)}" for dump in strange)


def _socket(socket: str, sha256: str) -> str:
    return f"{toml_key([socket])} = {toml_value({'sha256': sha256})}"


def _choices(near: Iterable[Dump]) -> str:
    paths = [shown(dump.path) for dump in near]
    return f"may be {listed(paths, 'or')}" if paths else "no file of the set is left that fits"


def _notes(workspace: Workspace, folder: str, loose: Sequence[str], places: Sequence[str]) -> Iterator[str]:
    """Yield what a person should know of the folder."""
    if loose:
        first = f"{shown(loose[0])}{f' and {len(loose) - 1:,} more' if loose[1:] else ''}"
        yield f"{counted(len(loose), 'file')} beside the sets, in none of them: {first}"
    path = Path(folder).expanduser().resolve()
    if not any(path.is_relative_to(Path(place).resolve()) for place in places):
        yield f"in no place of sources.toml: {shown(folder)}; add it to its places"
