"""The command ``doit pin``: sizes and hashes of files, named by a person or found in the places, in manifests."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.commands.arguments import manifest_named, refuse_elsewhere
from pipeline.commands.base import JSON, OwnCommand
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import CheckError, MachineError, ManifestError, Place, Problem
from pipeline.manifest.files import ManifestFile
from pipeline.model.text import counted, shown
from pipeline.model.units import show_size

if TYPE_CHECKING:
    from pipeline.manifest.edit import pin as pinning
    from pipeline.manifest.edit.pin import Pinned
    from pipeline.manifest.edit.pinnable import KeyPath
    from pipeline.model.manifest import Title

    Asked = Sequence[tuple[KeyPath, str]]
    """What is to be pinned: the way to a table, and the file as it was written."""

    Changes = Mapping[KeyPath, Sequence[str]]
    """What is different in what was built anew, as lines."""

BUILT = "built"
"""Stands in place of a file: the ROM file that was built of the title, or the image of the card."""


class Pin(OwnCommand):
    """Writes what the arguments ask for into one manifest, or nothing at all."""

    name = "pin"
    cmd_options = (
        {"name": "replace", "long": "replace", "type": bool, "default": False,
         "help": "replace sizes and hashes that differ"},
        {"name": "crc32", "long": "crc32", "type": bool, "default": False, "help": "add the CRC-32 too"},
        {"name": "from", "long": "from", "type": str, "metavar": "PLACE", "default": None,
         "help": "search this folder or archive in place of sources.toml"},
        JSON,
    )  # fmt: skip

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Pin, and say what was written."""
        from pipeline.commands import pin_many
        from pipeline.drafts.fill import SocketSizes
        from pipeline.manifest.edit import pin as pinning
        from pipeline.workspace.manifest_text import read_manifest, write_manifests

        if len(words) == 1:
            return pin_many.run(self.workspace, words[0], options)
        if len(words) < 3:
            raise ManifestError.one(f"expected {self.doc_usage}", "see doit help pin")
        if options["from"] is not None:
            raise ManifestError.one("found --from with a KEY and a FILE, expected none", "name the file itself")
        manifest = manifest_named(self.workspace, words[0])
        read = read_manifest(manifest)
        roms = self._roms_taken_over(manifest, read.values, words[1::2])
        asked = _asked(manifest, read.values, words[1:], roms)
        changes = self._built_anew(manifest, asked, roms) if options["replace"] else {}
        pins = self._pins(manifest, asked, SocketSizes(self.workspace).of(read.values), roms)
        pinned = pinning.pin(read.text, manifest.file, pins, replacing=options["replace"], crc32=options["crc32"])
        if pinned.text != read.text:
            write_manifests([(read, pinned.text)])
        if options["json"]:
            print_json(_document(manifest, pins, pinned, changes))
        else:
            print_lines(_lines(manifest, pins, pinned, changes))
        return 0

    def _roms_taken_over(
        self, manifest: ManifestFile, values: Mapping[str, Any], keys: Sequence[str]
    ) -> Mapping[str, int]:
        """Return the path of each ROM file of a title that takes some over, with the number of its own table.

        One that has none yet gets the next number. None for other titles, and where no ROM file is to be pinned.
        """
        from pipeline.manifest.checks.self_checks import takes_over
        from pipeline.manifest.decode.decode import file_name
        from pipeline.manifest.schema.formats import TITLE_FIELD

        if manifest.kind != "title" or not takes_over(values) or not any(key.startswith("rom.") for key in keys):
            return {}
        refuse_elsewhere(self.workspace, manifest, "ROM files are known")
        items, name = values.get("rom", []), file_name(manifest.id, values)
        own = {item["path"].replace(TITLE_FIELD, name): number for number, item in enumerate(items)}
        roms = dict[str, int]()
        for rom in self.inputs.manifest.titles[manifest.id].roms:
            roms[rom.path] = own.get(rom.path, len(items) + len(roms.keys() - own.keys()))
        return roms

    def _built_anew(self, manifest: ManifestFile, asked: Asked, taken: Mapping[str, int]) -> Changes:
        """Build what is to be pinned as built, whatever SHA-256 is declared for it now; return what changed."""
        from pipeline.build.fresh_build import build_fresh_image, build_fresh_roms

        ways = [way for way, file in asked if file == BUILT and (not way or way[0] == "rom")]
        if not ways:
            return {}
        if ways == [()]:
            refuse_elsewhere(self.workspace, manifest, "images are built")
            return {(): build_fresh_image(self.inputs, manifest.id)}
        refuse_elsewhere(self.workspace, manifest, "ROM files are built")
        changes = build_fresh_roms(self.inputs, manifest.id)
        title = self.inputs.manifest.titles[manifest.id]
        return {way: changes[_path(title, way, taken)] for way in ways}

    def _pins(
        self, manifest: ManifestFile, asked: Asked, sizes: Mapping[str, int], roms: Mapping[str, int]
    ) -> list[pinning.PinRequest]:
        """Return what each file is; ``sizes``: of sockets. Raises with all that is wrong with the files at once."""
        from pipeline.drafts.fill import usual_size

        pins, wrong = [], list[MachineError]()
        for way, file in asked:
            try:
                pin = replace(self._pin(manifest, way, file, roms), usual_size=usual_size(way, sizes))
                pins.append(self._of_rom(manifest, pin, roms) if roms and way[0] == "rom" else pin)
            except MachineError as error:
                wrong.append(error)
        if wrong:
            raise MachineError(problem for error in wrong for problem in error.problems)
        return pins

    def _of_rom(self, manifest: ManifestFile, pin: pinning.PinRequest, taken: Mapping[str, int]) -> pinning.PinRequest:
        """Return the pin of a ROM file that may be taken over, and then need not state its size."""
        title = self.inputs.manifest.titles[manifest.id]
        path = _path(title, pin.way, taken)
        return replace(pin, path=path, usual_size=next(rom.size for rom in title.roms if rom.path == path))

    def _pin(self, manifest: ManifestFile, way: KeyPath, file: str, roms: Mapping[str, int]) -> pinning.PinRequest:
        from pipeline.manifest.edit import pin as pinning
        from pipeline.model.manifest import ArchiveLimits
        from pipeline.sources.files.archive import named_as_archive
        from pipeline.sources.files.argument import content_named, members, named

        group = way[0] if way else "image"
        if file == BUILT and group in ("rom", "image"):
            file = self._built_rom(manifest, way, roms) if way else self._built_image(manifest)
        location = named(file, ArchiveLimits())
        if group != "files" and location.member is None and named_as_archive(location.path):
            inside = sorted(member.name for member in members(Path(location.path), ArchiveLimits()))
            hint = f'name a member of it, such as "{file}/{inside[0]}"' if inside else ""
            raise MachineError.one("is an archive; expected the file itself", hint, file=file)
        content = content_named(location)
        if group != "files" and not content.size:
            raise MachineError.one("has 0 bytes; expected at least one", file=file)
        return pinning.PinRequest(way=way, content=content, source=shown(file))

    def _built_rom(self, manifest: ManifestFile, way: KeyPath, taken: Mapping[str, int]) -> str:
        """Return the path of a ROM file that was built and is current."""
        from pipeline.build.build import Build

        refuse_elsewhere(self.workspace, manifest, "ROM files are built")
        inputs = self.inputs.unpinned_title(manifest.id)  # its SHA-256 is what is pinned
        roms = Build(inputs).title(inputs.manifest.titles[manifest.id])
        path = roms.paths[_path(roms.title, way, taken)]
        return self._current(path, roms.reason(), f"doit rom:{manifest.id}")

    def _built_image(self, manifest: ManifestFile) -> str:
        """Return the path of a card's image that was built and is current, but for the digest that is pinned now."""
        from pipeline.build.build import Build
        from pipeline.build.flow import built_image
        from pipeline.workspace.workspace import how_to_build

        refuse_elsewhere(self.workspace, manifest, "images are built")
        path, why = built_image(Build(self.inputs.unpinned()), manifest.id)
        return self._current(path, why, how_to_build(manifest.id))

    def _current(self, path: Path, why: str | None, building: str) -> str:
        from pipeline.build.flow import not_current

        if why:
            raise CheckError.one(not_current(why), building, file=self.workspace.shown(path))
        return self.workspace.shown(path)


def _path(title: Title, way: KeyPath, taken: Mapping[str, int]) -> str:
    """Return the path of the ROM file that a way leads to."""
    return {number: path for path, number in taken.items()}[int(way[1])] if taken else title.roms[int(way[1])].path


def _asked(manifest: ManifestFile, values: Mapping[str, Any], words: Sequence[str], roms: Mapping[str, int]) -> Asked:
    """Return what the arguments ask for; raises ManifestError with everything that is wrong with them."""
    from pipeline.manifest.edit.pinnable import KeyPath, find, key_of

    asked, problems = list[tuple[KeyPath, str]](), list[Problem]()
    for key, file in zip(words[::2], words[1::2], strict=False):
        way = find(manifest.kind, values, key, manifest.file, roms)
        if isinstance(way, Problem):
            problems.append(way)
        elif way in (known for known, _ in asked):
            problems.append(Problem(Place(manifest.file, key=key_of(way)), "is named twice; expected one file for it"))
        else:
            asked.append((way, file))
    if len(words) % 2:
        has_built = words[-1] == "image" or words[-1].startswith("rom.")
        built = f', or the word "{BUILT}" for the one in build' if has_built else ""
        problems.append(Problem(Place(), f'found no file after "{words[-1]}"', f"write its path there{built}"))
    if problems:
        raise ManifestError(problems)
    return asked


def _lines(manifest: ManifestFile, pins: Sequence[pinning.PinRequest], pinned: Pinned, changes: Changes) -> list[str]:
    lines = list[str]()
    for pin in pins:
        written = pinned.written[pin.way]
        lines += changes.get(pin.way, ())
        known = f"{pin.key}: {show_size(pin.content.size or 0)}, sha256 {pin.content.sha256[:8]}..."
        done = f"{counted(len(written), 'value')} written in" if written else "as declared in"
        done = "added to" if pin.way in pinned.added else done
        lines.append(f"{'pinned ' if written else ''}{known}; {done} {manifest.file}")
    return lines


def _document(
    manifest: ManifestFile, pins: Sequence[pinning.PinRequest], pinned: Pinned, changes: Changes
) -> dict[str, object]:
    return {
        "manifest": manifest.file,
        "pinned": [
            {
                "key": pin.key,
                "file": pin.source,
                "size": pin.content.size,
                "sha256": pin.content.sha256,
                "crc32": f"{pin.content.crc32 or 0:08x}",
                "written": list(pinned.written[pin.way]),
                "added": pin.way in pinned.added,
                **({"changes": list(changes[pin.way])} if pin.way in changes else {}),
            }
            for pin in pins
        ],
    }
