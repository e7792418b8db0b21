"""A script and the files of its folder -> the ROM files that it makes, as steps, and what stays open."""

from __future__ import annotations

import codecs
import hashlib
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from pipeline.errors import ManifestError
from pipeline.model.manifest import RomFile
from pipeline.model.text import counted, listed, shown
from pipeline.roms.operations.arguments import show_address
from pipeline.solve.atoms import bytes_of
from pipeline.translate import makefile
from pipeline.translate.batch import follow as batch
from pipeline.translate.draft import chips_of, rom_file
from pipeline.translate.finished import from_finished
from pipeline.translate.machine import Machine, Remark, ScriptStoppedError
from pipeline.translate.rope import NotFollowedError, Rope, data_of, is_open, reasons, size_of, unknown
from pipeline.translate.shell import follow as shell
from pipeline.translate.shell.own_commands import Leave

LARGEST_SCRIPT = 8 << 20
"""Bytes of a script."""
LANGUAGES = ("batch", "shell", "make")
NOT_IN_A_PATH = re.compile(r"[^A-Za-z0-9._/ -]+")
SHORT_ENOUGH = 200
"""Runs of a file that is told as open, and of which some bytes are known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DraftedRom:
    """A ROM file that a script makes: the file, its steps, a line of the script for each (0: none), what it holds.

    ``chips``: the files of the folder that it is made of, each once.
    """

    file: str
    rom: RomFile
    lines: tuple[int, ...]
    sha256: str
    chips: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Translation:
    """What a script makes. ``chips``: names by the files they are from; ``remarks``: by line; ``text``: its lines."""

    language: str
    roms: tuple[DraftedRom, ...]
    chips: Mapping[str, str]
    remarks: tuple[Remark, ...]
    text: tuple[str, ...]

    @property
    def is_open(self) -> bool:
        """Whether anything was not followed."""
        return any(remark.kind == "open" for remark in self.remarks)


def language_of(name: str, text: bytes) -> str:
    """Return the language of a script, by its name, else by its first lines: "batch", "shell" or "make"."""
    file = name.rpartition("/")[2].casefold()
    if file.endswith((".bat", ".cmd")):
        return "batch"
    if file in ("makefile", "gnumakefile") or file.endswith((".mk", ".mak", ".make")):
        return "make"
    if file.endswith((".sh", ".bash")) or text.startswith(b"#!"):
        return "shell"
    words = re.search(
        rb"(?mi)^[ \t]*@?(echo off|(copy|type|ren|rem|del|md|xcopy|fc)\b)|%[a-z_]+%|[a-z0-9_]\\[a-z0-9_]",
        text,
    )
    return "batch" if words else "shell"


def translate(
    name: str, data: bytes, inputs: Mapping[str, bytes], *, language: str = "", arguments: Sequence[str] = (),
    intermediate: bool = False, finished: Mapping[str, bytes] | None = None,
) -> Translation:  # fmt: skip
    """Follow a script over the files of a folder, by their paths; nothing is run.

    ``intermediate``: also those files are drafted that went into others. ``finished``: what outputs hold, by path or
    name; an output of which bytes stay open is explained from it. Raises ManifestError for what is no script.
    """
    if len(data) > LARGEST_SCRIPT:
        raise ManifestError.one(f"has more than {LARGEST_SCRIPT:,} bytes, the most of a script", file=shown(name))
    data = data.removeprefix(codecs.BOM_UTF8)
    if b"\0" in data:
        what = f"found a byte 0x00 at offset {show_address(data.index(0))}, expected the text of a script"
        raise ManifestError.one(what, file=shown(name))
    language = language or language_of(name, data)
    machine = Machine(inputs=inputs, any_case=language == "batch")
    text: Sequence[str] = data.decode("utf-8", "replace").splitlines()
    try:
        if language == "batch":
            decoded = batch.decoded(data, inputs)
            text = decoded.splitlines()
            batch.follow(machine, decoded, name.rpartition("/")[2], arguments)
        elif language == "make":
            makefile.follow(machine, data, arguments)
        else:
            shell.follow(machine, data, arguments)
    except (ScriptStoppedError, NotFollowedError, Leave) as error:
        _stopped(machine, str(error))
    except RecursionError:
        _stopped(machine, "too many commands inside one another")
    return _drafts(machine, language, tuple(text), finished or {}, intermediate=intermediate)


def _stopped(machine: Machine, why: str) -> None:
    machine.remarks[Remark(machine.line, f"{why}; nothing beyond this line is followed")] = None
    for path in machine.written:
        machine.files[path] = unknown(f"line {machine.line}: {why}", machine.line)


@dataclass(slots=True, kw_only=True)
class _Drafts:
    """The ROM files that are drafted one by one. ``closed``: why bytes were open that a finished file explains."""

    machine: Machine
    text: tuple[str, ...]
    finished: Mapping[str, bytes]
    intermediate: bool
    roms: list[DraftedRom] = field(default_factory=list)
    remarks: dict[Remark, None] = field(default_factory=dict)
    names: dict[str, str] = field(default_factory=dict)
    closed: set[str] = field(default_factory=set)
    left_open: set[str] = field(default_factory=set)

    def add(self, path: str, rope: Rope, *, used: bool) -> None:
        """Draft a file that the script leaves, or say why it is not drafted."""
        line = self.machine.written[path]
        if is_open(rope):
            self._add_open(path, rope, line)
        elif used and not self.intermediate:
            self._remark(line, f"{shown(path)} went into other files and is not drafted; --all drafts it", "note")
        elif not rope:
            self._remark(line, f"{shown(path)} has 0 bytes and is not drafted", "note")
        else:
            try:
                self._add_followed(path, rope)
            except NotFollowedError as error:
                self._remark(line, f"{shown(path)} is not drafted: {error}")

    def _add_followed(self, path: str, rope: Rope) -> None:
        for file in dict.fromkeys(chips_of(rope)):
            self._named(file)
        rom, lines = rom_file(self._rom_path(path), rope, self.names)
        data = data_of(rope)
        if b"".join(_assembled(rom, self.machine.inputs, self.names)) != data:
            raise NotFollowedError("the steps do not give what the script makes; please report this script")
        self._drafted(path, rom, lines, data)

    def _add_open(self, path: str, rope: Rope, line: int) -> None:
        finished = next((file for file in self.finished if _is_of(path, file)), None)
        if finished is None:
            self.left_open.update(reasons(rope))
            self._remark(line, f"{shown(path)} is not drafted: {_told(rope)}")
            return
        try:
            data = self.finished[finished]
            chips = {self._named(file): self.machine.inputs[file] for file in self._files_named()}
            rom, lines = from_finished(self._rom_path(path), rope, data, chips)
        except NotFollowedError as error:
            self.left_open.update(reasons(rope))
            self._remark(line, f"{shown(path)} is not drafted: {_told(rope)}; {error}")
            return
        self.closed.update(reasons(rope))
        self._remark(line, f"{shown(path)}: {_told(rope)}; its steps are found from the finished file", "note")
        self._drafted(path, rom, lines, data)

    def _files_named(self) -> list[str]:
        """Return the files that the script reads, and those that it names and does not make."""
        words, made = "\n".join(self.text).casefold(), {_last(path) for path in self.machine.written}
        return [
            file for file in self.machine.inputs
            if file in self.machine.chips or (_last(file) in words and _last(file) not in made)
        ]  # fmt: skip

    def _named(self, file: str) -> str:
        return self.names.setdefault(file, _chip_name(file, self.names.values()))

    def _rom_path(self, path: str) -> str:
        return _rom_path(path, [drafted.rom.path for drafted in self.roms])

    def _drafted(self, path: str, rom: RomFile, lines: tuple[int, ...], data: bytes) -> None:
        files = tuple(dict.fromkeys(_names_in(rom, self.names)))
        self.roms.append(
            DraftedRom(file=path, rom=rom, lines=lines, sha256=hashlib.sha256(data).hexdigest(), chips=files)
        )

    def _remark(self, line: int, text: str, kind: str = "open") -> None:
        self.remarks[Remark(line, text, kind)] = None

    def all_remarks(self) -> tuple[Remark, ...]:
        """Return what is said of each line; what a finished file closes is a note."""
        closed = self.closed - self.left_open
        return tuple(sorted(
            replace(remark, kind="note")
            if any(reason.startswith(f"line {remark.line}: ") and _same_cause(remark.text, reason) for reason in closed)
            else remark
            for remark in (*self.machine.remarks, *self.remarks)
        ))  # fmt: skip


def _same_cause(remark: str, reason: str) -> bool:
    """Whether a remark gives the reason, which stands in it without the line and what follows from it."""
    cause = reason.partition(": ")[2]
    return remark == cause or remark.startswith(f"{cause};")


def _is_of(path: str, file: str) -> bool:
    """Whether a finished file is that of an output: its path, or its name alone; in any case."""
    return file.casefold() in (path.casefold(), _last(path))


def _last(path: str) -> str:
    return path.rpartition("/")[2].casefold()


def _drafts(
    machine: Machine, language: str, text: tuple[str, ...], finished: Mapping[str, bytes], *, intermediate: bool
) -> Translation:
    drafts = _Drafts(machine=machine, text=text, finished=finished, intermediate=intermediate)
    for path, rope, used in machine.outputs():
        if not path.rpartition("/")[2].startswith(".mktemp."):
            drafts.add(path, rope, used=used)
    files = {file for drafted in drafts.roms for file in drafted.chips}
    return Translation(
        language=language, roms=tuple(drafts.roms),
        chips={file: name for file, name in drafts.names.items() if file in files},
        remarks=drafts.all_remarks(), text=text,
    )  # fmt: skip


def _assembled(rom: RomFile, inputs: Mapping[str, bytes], names: Mapping[str, str]) -> Iterator[bytes]:
    used = set(_names_in(rom, names))
    chips = {names[file]: inputs[file] for file in names if file in used}
    for step in rom.steps:
        yield bytes_of(step.piece, chips)


def _names_in(rom: RomFile, names: Mapping[str, str]) -> Iterator[str]:
    files = {name: file for file, name in names.items()}
    pieces = [step.piece for step in rom.steps]
    while pieces:
        piece = pieces.pop()
        pieces += piece.parts
        if piece.name:
            yield files[piece.name]


def _told(rope: Rope) -> str:
    """Return which bytes of a file are known, and why others are open."""
    at, parts = 0, list[str]()
    for run in rope[:SHORT_ENOUGH]:
        if run.source.kind == "open":
            if run.size is None:
                parts.append(f"from {show_address(at)} on it is open" if at else "it is open")
                break
            parts.append(f"{show_address(at)} to {show_address(at + run.size - 1)} is open")
        at += run.size or 0
    size = size_of(rope)
    whole = f" of {counted(size, 'byte')}" if size else ""
    return f"{listed(parts) or 'some bytes are open'}{whole}: {reasons(rope)[0]}"


def _chip_name(file: str, taken: Collection[str]) -> str:
    """Return a chip's name: as the script calls the file, without its ending."""
    stem = file.rpartition("/")[2]
    stem = stem.rpartition(".")[0] or stem
    name = re.sub("[^A-Za-z0-9._-]+", "-", stem).strip("-._")[:32].rstrip("-._") or "chip"
    number, unique = 1, name
    while unique in taken:
        number += 1
        unique = f"{name}-{number}"
    return unique


def _rom_path(path: str, taken: Collection[str]) -> str:
    """Return a path for the card, made of a file's."""
    parts = [NOT_IN_A_PATH.sub("-", part).strip(" -.") or "ROM" for part in path.split("/")]
    number, unique = 1, "/".join(parts)
    folded = {used.casefold() for used in taken}
    while unique.casefold() in folded:
        number += 1
        unique = f"{'/'.join(parts)}-{number}"
    return unique
