"""One manifest, drafted from files and from what the inputs have already, and written as a whole or not at all."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from pipeline.drafts.source_files import SourceFile, bitstreams_among, chip_names, source_files
from pipeline.drafts.texts import board_text, card_text, core_text, described, station_text, title_text
from pipeline.errors import MachineError, ManifestError
from pipeline.manifest.edit.pin import PinRequest, pin
from pipeline.manifest.edit.pinnable import KeyPath
from pipeline.manifest.files import DEVICE, FOLDERS, SOURCES, is_id, manifest_ids, path_from
from pipeline.manifest.parse_manifest import parse_manifest
from pipeline.manifest.schema.copies import schema_line
from pipeline.manifest.sources import sources
from pipeline.manifest.text.blank import BLANK, blanks_in
from pipeline.manifest.text.positions import spell
from pipeline.model.manifest import Board, Sources
from pipeline.model.text import counted, did_you_mean, listed, quote, shown
from pipeline.workspace.atomic_write import replacing

FROM_FILES = ("core", "title", "board")
"""The kinds of manifest that are drafted from files."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DraftedManifest:
    """A drafted manifest: where it goes, its text, the keys that are blank, and what a person should know."""

    path: Path
    text: str
    blanks: tuple[str, ...]
    notes: tuple[str, ...]


def draft(inputs: Path, base: Path, kind: str, id_: str, arguments: Sequence[str]) -> DraftedManifest:
    """Return the draft of a manifest; raises CardkilnError when there can be none.

    Messages name paths from ``base`` on.
    """
    path = path_of(inputs, base, kind, id_)
    if arguments and kind not in FROM_FILES:
        raise ManifestError.one(f"a {kind} is drafted from no file; expected {kind} ID only", "leave the file out")
    known = _sources(inputs)
    files = source_files(arguments, known.limits)
    if arguments and not files:
        raise ManifestError.one("holds no file to draft from", "name another", file=shown(arguments[0]))
    origin = f" from {', '.join(shown(Path(argument).name) for argument in arguments)}" if arguments else ""
    boards = _boards(inputs)
    notes, pins = list[str](), dict[KeyPath, SourceFile]()
    if kind == "core":
        lines, pins, notes = _core(files, boards, origin)
    elif kind == "title":
        texts = [file for file in files if file.is_read_me or file.is_licence]
        dumps = _dumps([file for file in files if file not in texts])
        chips = dict(zip(chip_names(dumps), dumps, strict=True))
        pins = {("chips", name): file for name, file in chips.items()}
        lines = list(title_text(origin, chips, texts, _only(_ids(inputs, "core"))))
    elif kind == "board":
        bitstreams = bitstreams_among(files)
        lines = list(board_text(origin, bitstreams[0].bitstream if len(bitstreams) == 1 else None))
        if files and len(bitstreams) != 1:
            notes.append(f"{counted(len(bitstreams), 'bitstream')} found, so the FPGA is not known")
    elif kind == "card":
        cores = _ids(inputs, "core")
        lines = list(card_text(_only(list(boards)), _only(cores), cores))
    else:
        lines = list(station_text())
    text = "\n".join([*filter(None, [schema_line(path, kind)]), *lines, ""])
    contents = [PinRequest(way=way, content=file.content, source=shown(file.argument)) for way, file in pins.items()]
    text = pin(text, path.name, contents).text
    blanks = tuple(spell(way) for way in blanks_in(tomllib.loads(text)))
    outside = dict.fromkeys(shown(file.location.path) for file in pins.values() if not _is_found(file, known))
    if outside:
        notes.append(f"in no place of sources.toml: {listed(outside)}; add the folder or archive to its places")
    return DraftedManifest(path=path, text=text, blanks=blanks, notes=tuple(notes))


def write(drafted: DraftedManifest, shown_path: str) -> None:
    """Write a draft where nothing is yet; when that fails, nothing is left."""
    folder = drafted.path.parent
    was_there = folder.is_dir()
    try:
        with replacing(drafted.path) as temporary:
            temporary.write_text(drafted.text, encoding="utf-8", newline="\n")
    except OSError as error:
        if not was_there:
            with suppress(OSError):
                folder.rmdir()
        hint = "make room on the disk, or check the permissions"
        raise MachineError.one(f"cannot be written: {error.strerror or error}", hint, file=shown_path) from error


def path_of(inputs: Path, base: Path, kind: str, id_: str) -> Path:
    """Return where a manifest goes; raises ManifestError for what cannot be one, or exists already."""
    if kind not in FOLDERS:
        hint = did_you_mean(kind, FOLDERS, f"the kinds are {', '.join(FOLDERS)}")
        raise ManifestError.one(f"found {quote(kind)}, expected a kind of manifest", hint)
    better = "-".join(re.findall("[a-z0-9]+", id_.lower()))
    if DEVICE.fullmatch(better):
        raise ManifestError.one(f"found the id {quote(id_)}, which some systems keep for a device", f'try "{better}-1"')
    if not is_id(id_):
        hint = f'try "{better or "moth-pantry"}"'
        raise ManifestError.one(f"found {quote(id_)}, expected an id: lower-case words with hyphens", hint)
    if not inputs.is_dir():
        what = "there is no folder of inputs here"
        raise ManifestError.one(what, "doit start FOLDER makes one", file=path_from(inputs, base))
    path = inputs / FOLDERS[kind] / f"{id_}.toml"
    if path.exists() or path.is_symlink():
        what = "exists already; nothing was written"
        raise ManifestError.one(what, "choose another id, or move it away", file=path_from(path, base))
    return path


def _core(
    files: Sequence[SourceFile], boards: dict[str, Board | None], origin: str
) -> tuple[list[str], dict[KeyPath, SourceFile], list[str]]:
    """Return the lines of a core, what is to be pinned in them, and notes."""
    from pipeline.bitstreams.verdict import RIGHT, judge  # only now, as other drafts need none of it

    bitstreams = bitstreams_among(files)
    fitting = [
        (file, id_)
        for file in bitstreams
        for id_, board in boards.items()
        if board and judge(file.bitstream, board.fpga).name == RIGHT
    ]
    chosen, board = fitting[0] if len(fitting) == 1 else (bitstreams[0] if len(bitstreams) == 1 else None, BLANK)
    (only,) = boards.values() if len(boards) == 1 else (None,)
    notes = []
    if board == BLANK and only and chosen:
        verdict = judge(chosen.bitstream, only.fpga)
        if verdict.is_error:
            notes.append(f"not for board {only.id}: {verdict.name}: {verdict.text}")
        else:
            board = only.id
    elif board == BLANK and not bitstreams:
        board = _only(list(boards))
    notes += [f"bitstream {shown(chosen.path)}: {described(chosen.bitstream)}"] if chosen and chosen.bitstream else []
    notes += [f"{len(bitstreams)} bitstreams found; none is chosen"] if len(bitstreams) > 1 and not chosen else []
    notes += ["no bitstream of a known kind found"] if files and not bitstreams else []
    pins: dict[KeyPath, SourceFile] = {("bitstream",): chosen} if chosen else {}
    return list(core_text(origin, files, bitstreams, chosen, board)), pins, notes


def _dumps(files: Sequence[SourceFile]) -> Sequence[SourceFile]:
    """Return files that can be dumps; raises MachineError for empty ones."""
    for file in files:
        if not file.content.size:
            raise MachineError.one("has 0 bytes; expected a dump", "leave it out", file=shown(file.argument))
    return files


def _ids(inputs: Path, kind: str) -> list[str]:
    return manifest_ids(inputs / FOLDERS[kind])


def _only(ids: Sequence[str]) -> str:
    """Return the one id there is, else a blank."""
    return ids[0] if len(ids) == 1 else BLANK


def _boards(inputs: Path) -> dict[str, Board | None]:
    """Return the boards by id; None for one whose manifest has problems."""
    boards: dict[str, Board | None] = {}
    for id_ in _ids(inputs, "board"):
        path = inputs / FOLDERS["board"] / f"{id_}.toml"
        with suppress(OSError):
            value = parse_manifest("board", id_, path.name, path.read_bytes()).value
            boards[id_] = value if isinstance(value, Board) else None
    return boards


def _sources(inputs: Path) -> Sources:
    """Return the places that are declared, and the limits of archives; whatever is wrong with them is for the check."""
    present = [inputs / name for name in SOURCES if (inputs / name).is_file()]
    return sources(inputs, [parse_manifest("sources", "", path.name, path.read_bytes()) for path in present])[0]


def _is_found(file: SourceFile, known: Sources) -> bool:
    """Whether a file is located in one of the places that are searched."""
    path = Path(file.location.path).resolve()
    return any(path.is_relative_to(Path(place).resolve()) for place in known.places)
