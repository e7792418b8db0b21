"""The command ``doit translate``: a script that arranges files, as a title."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.commands.base import JSON, OwnCommand
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import MachineError, ManifestError
from pipeline.manifest.files import FOLDERS, manifest_ids
from pipeline.model.text import counted, quoted, shown
from pipeline.model.units import show_size

if TYPE_CHECKING:
    from pipeline.translate.translate import Translation

MOST_FILES = 20_000
"""Files of a folder."""
MOST_BYTES = 512 << 20
"""Bytes that are read of them."""


class Translate(OwnCommand):
    """Reads a script and the files it names, and prints or writes a title; the script is never run."""

    name = "translate"
    cmd_options = (
        {
            "name": "in",
            "long": "in",
            "type": str,
            "metavar": "FOLDER",
            "default": "",
            "help": "the folder in which the script would run",
        },
        {
            "name": "as",
            "long": "as",
            "type": str,
            "metavar": "KIND",
            "default": "",
            "help": "what it is: batch, shell or make",
        },
        {
            "name": "title",
            "long": "title",
            "type": str,
            "metavar": "ID",
            "default": "",
            "help": "write the draft as this title",
        },
        {
            "name": "finished",
            "long": "finished",
            "type": str,
            "metavar": "FOLDER",
            "default": "",
            "help": "where finished files lie, from which open bytes are explained",
        },
        {"name": "all", "long": "all", "type": bool, "default": False, "help": "draft files that went into others too"},
        JSON,
    )

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Follow the script, print or write the title; 1 where something stays open."""
        from pipeline.drafts.new import path_of
        from pipeline.translate.rope import NotFollowedError
        from pipeline.translate.translate import LANGUAGES, translate

        if not words:
            raise ManifestError.one(f"expected {self.doc_usage}", "see doit help translate")
        if options["as"] and options["as"] not in LANGUAGES:
            raise ManifestError.one(f'found --as "{shown(options["as"])}", expected {quoted(LANGUAGES)}')
        script = Path(words[0])
        data = _script(script)
        id_, inputs = options["title"], self.workspace.inputs
        target = path_of(inputs, self.workspace.base, "title", id_) if id_ else None
        files = FolderFiles(Path(options["in"]) if options["in"] else script.parent)
        finished = (
            FolderFiles(Path(options["finished"]), "that holds the finished files") if options["finished"] else None
        )
        try:
            translation = translate(
                shown(script), data, files, language=options["as"], arguments=words[1:],
                intermediate=options["all"], finished=finished,
            )  # fmt: skip
        except NotFollowedError as error:
            raise MachineError.one(str(error), file=shown(files.folder)) from None
        self._told(options, translation, script, files, target)
        return 1 if translation.is_open else 0

    def _told(
        self,
        options: Mapping[str, Any],
        translation: Translation,
        script: Path,
        files: FolderFiles,
        target: Path | None,
    ) -> None:
        from pipeline.drafts.new import DraftedManifest, write
        from pipeline.drafts.translated import translated_text
        from pipeline.drafts.translated_layout import layout_document, layout_lines, layouts_of
        from pipeline.manifest.schema.copies import schema_line
        from pipeline.manifest.text.blank import BLANK

        cores = manifest_ids(self.workspace.inputs / FOLDERS["core"]) if self.workspace.inputs.is_dir() else []
        body = list(translated_text(translation, script.name, files, cores[0] if len(cores) == 1 else BLANK))
        if target and translation.roms:
            text = "\n".join([*filter(None, [schema_line(target, "title")]), *body, ""])
            write(DraftedManifest(path=target, text=text, blanks=(), notes=()), self.workspace.shown(target))
        if options["json"]:
            offered = [layout_document(layout) for layout in layouts_of(translation, files)]
            print_json({**_document(shown(script), translation), "layouts": offered})
            return
        offer = list(layout_lines(translation, files))
        lines = _summary(shown(script), translation, files)
        if target and translation.roms:
            lines = [f"written {self.workspace.shown(target)}", *lines, *offer]
        elif translation.roms:
            lines = [*(f"# {line}" for line in lines), "", *"\n".join(body).split("\n"), *offer]
        print_lines(lines)


class FolderFiles(Mapping[str, bytes]):
    """The bytes of a folder's files by their paths from it; read when asked for, links not followed."""

    def __init__(self, folder: Path, holds: str = "in which the script would run") -> None:
        if not folder.is_dir():
            raise MachineError.one("there is no such folder", f"name the one {holds}", file=shown(folder))
        self.folder, self.room = folder, MOST_BYTES
        self.sizes = dict(sorted(self._listed()))
        self.read = dict[str, bytes]()

    def _listed(self) -> Iterator[tuple[str, int]]:
        count = 0
        for place, folders, names in os.walk(self.folder):
            folders[:] = sorted(name for name in folders if not name.startswith(".git"))
            for name in sorted(names):
                path = Path(place, name)
                status = path.lstat()
                count += 1
                if count > MOST_FILES:
                    what = f"has more than {counted(MOST_FILES, 'file')}"
                    raise MachineError.one(what, "name a smaller folder with --in", file=shown(self.folder))
                if stat.S_ISREG(status.st_mode):
                    yield path.relative_to(self.folder).as_posix(), status.st_size

    def __getitem__(self, path: str) -> bytes:
        """Return a file's bytes; raises KeyError, NotFollowedError for one too large, and OSError."""
        from pipeline.translate.rope import LARGEST, NotFollowedError

        if path not in self.read:
            size = self.sizes[path]
            if size > min(LARGEST, self.room):
                raise NotFollowedError(f"{shown(path)} has {size:,} bytes; {show_size(LARGEST)} are the most")
            self.read[path] = (self.folder / path).read_bytes()
            self.room -= len(self.read[path])
        return self.read[path]

    def __contains__(self, path: object) -> bool:
        """Whether there is such a file; it is not read."""
        return path in self.sizes

    def __iter__(self) -> Iterator[str]:
        """Yield the paths."""
        return iter(self.sizes)

    def __len__(self) -> int:
        """Return how many files there are."""
        return len(self.sizes)


def _script(path: Path) -> bytes:
    """Return the script's bytes, one more than the largest may have at most."""
    from pipeline.translate.translate import LARGEST_SCRIPT

    if not path.is_file():
        raise MachineError.one("there is no such script", file=shown(path))
    with path.open("rb") as file:
        return file.read(LARGEST_SCRIPT + 1)


def _summary(script: str, translation: Translation, files: FolderFiles) -> list[str]:
    told = [f"{script}: {translation.language}; {counted(len(translation.roms), 'ROM file')} drafted"]
    told += [f"{script}:{remark.line}: {remark.kind}: {remark.text}" for remark in translation.remarks]
    for drafted in translation.roms:
        if drafted.file in files:
            same = sha256(files[drafted.file]).hexdigest() == drafted.sha256
            told.append(f"{shown(drafted.file)}: {'the same as' if same else 'differs from'} the file in the folder")
    if translation.is_open:
        told.append("hint: with the finished files at hand, --finished FOLDER explains what is open from them")
    return told


def _document(script: str, translation: Translation) -> dict[str, Any]:
    from pipeline.solve.manifest_text import rom_values

    return {
        "cardkiln-translate": 1,
        "script": script,
        "language": translation.language,
        "chips": dict(translation.chips),
        "roms": [
            {"file": rom.file, "path": rom.rom.path, "size": rom.rom.size, "sha256": rom.sha256,
             "chips": list(rom.chips), "lines": list(rom.lines), **rom_values(rom.rom)}
            for rom in translation.roms
        ],
        "remarks": [asdict(remark) for remark in translation.remarks],
    }  # fmt: skip
