"""The command ``doit solve``: the steps that arrange chips into a finished ROM file."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.commands.arguments import manifest_named, refuse_elsewhere
from pipeline.commands.base import JSON, OwnCommand
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import CheckError, MachineError, ManifestError, Place, Problem
from pipeline.manifest.files import ManifestFile
from pipeline.model.text import counted, shown
from pipeline.model.units import parse_size, show_size

if TYPE_CHECKING:
    from pipeline.model.content import Content, Location
    from pipeline.model.manifest import Title
    from pipeline.solve.declared import StepDifference
    from pipeline.solve.solve import Solution
    from pipeline.workspace.manifest_text import ManifestText

MOST_CHIPS = 4_096
"""Files that are taken as chips."""
MOST_LISTED = 24
"""Names of unused chips that are listed."""


class Solve(OwnCommand):
    """Finds steps, proves them by assembling the ROM file, and prints or writes them."""

    name = "solve"
    cmd_options = (
        {"name": "write", "long": "write", "type": bool, "default": False, "help": "write the steps into the title"},
        {"name": "replace", "long": "replace", "type": bool, "default": False, "help": "replace steps that differ"},
        JSON,
    )

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Find the steps, print or write them; 1 where bytes stay open."""
        to_title = bool(words) and words[0].startswith("title:")
        if len(words) < (3 if to_title else 2):
            raise ManifestError.one(f"expected {self.doc_usage}", "see doit help solve")
        if options["write"] and not to_title:
            raise ManifestError.one(
                "found --write, but no title", "name it: doit solve --write title:ID rom.1 FINISHED"
            )
        return self._to_title(options, *words) if to_title else self._alone(options, words[0], words[1:])

    def _alone(self, options: Mapping[str, Any], file: str, words: Sequence[str]) -> int:
        from pipeline.solve.solve import solve

        finished, content = _finished(file)
        chips = _given(words, content)
        if not chips:
            raise CheckError.one("found no chips; expected at least one file that is not the finished one")
        solution = solve(finished, {name: data for name, (data, _) in chips.items()}, _path(file))
        contents = {name: one for name, (_, one) in chips.items()}
        if options["json"]:
            print_json(_document(file, content, solution, ()))
        else:
            print_lines(_lines(file, content, solution, (), contents))
        return 1 if solution.unexplained else 0

    def _to_title(self, options: Mapping[str, Any], title: str, key: str, file: str, *words: str) -> int:
        from pipeline.manifest.decode.rom_files import rom_file
        from pipeline.solve.declared import wrong_steps
        from pipeline.solve.solve import solve
        from pipeline.workspace.manifest_text import read_manifest

        manifest = manifest_named(self.workspace, title)
        read = read_manifest(manifest)
        values = read.values
        taken = self._written_out(manifest, values)
        if taken:
            values = {
                "chips": {name: asdict(chip.content) for name, chip in taken.chips.items()},
                "rom": [{"path": rom.path} for rom in taken.roms],
            }
        number = _rom_number(manifest, values, key)
        if taken and options["write"]:
            what = f"takes ROM files over, this one from {taken.place(f'rom.{number + 1}')}; nothing is written"
            raise CheckError.one(what, "without --write the steps found are printed", file=manifest.file)
        finished, content = _finished(file)
        chips = self._declared(manifest, values, words, content)
        roms = values.get("rom", [])
        solution = solve(finished, chips, roms[number].get("path", "") if number < len(roms) else _path(file))
        wrong: tuple[StepDifference, ...] = ()
        if number < len(roms) and roms[number].get("steps") and roms[number].get("size"):
            wrong = wrong_steps(rom_file(roms[number], f"rom.{number + 1}"), solution.rom, finished, chips)
        elif taken and number < len(roms):
            found = wrong_steps(taken.roms[number], solution.rom, finished, chips)
            wrong = tuple(replace(one, key=str(taken.place(one.key))) for one in found)
        if options["write"]:
            self._written(options, read, number, solution, content)
        if options["json"]:
            print_json(_document(file, content, solution, wrong))
        elif options["write"]:
            print_lines([f"{manifest.file}: rom.{number + 1}: {_counted(solution)} written; they give {file}"])
        else:
            print_lines(_lines(file, content, solution, wrong, {}))
        return 1 if solution.unexplained else 0

    def _written_out(self, manifest: ManifestFile, values: Mapping[str, Any]) -> Title | None:
        """Return a title that takes something over, with all that it takes; None for any other."""
        from pipeline.manifest.checks.self_checks import takes_over

        if manifest.kind != "title" or not takes_over(values):
            return None
        refuse_elsewhere(self.workspace, manifest, "the ROM files are known")
        return self.inputs.manifest.titles[manifest.id]

    def _declared(
        self, manifest: ManifestFile, values: Mapping[str, Any], words: Sequence[str], finished: Content
    ) -> dict[str, bytes]:
        """Return the bytes of a title's chips, by name, from the files given, else from the sources."""
        from pipeline.model.content import Content
        from pipeline.sources.files.read import read_content

        tables = {name: table for name, table in values.get("chips", {}).items() if table.get("sha256")}
        if not tables:
            raise ManifestError.one("declares no chips with a sha256", "doit pin adds them", file=manifest.file)
        wanted = {table["sha256"].lower() for table in tables.values()}
        if words:
            at_hand = {content.sha256: data for data, content in _given(words, finished, wanted).values()}
        else:
            locations = self.inputs.search.locations
            at_hand = {
                table["sha256"].lower(): read_content(
                    locations[table["sha256"].lower()],
                    Content(sha256=table["sha256"].lower(), size=parse_size(table["size"])),
                )
                for table in tables.values()
                if table["sha256"].lower() in locations
            }
        missing = [name for name, table in tables.items() if table["sha256"].lower() not in at_hand]
        if missing:
            place = "the files given" if words else "the sources"
            raise CheckError(
                Problem(Place(manifest.file, key=f"chips.{name}"), f"the chip is not in {place}") for name in missing
            )
        return {name: at_hand[table["sha256"].lower()] for name, table in tables.items()}

    def _written(
        self, options: Mapping[str, Any], read: ManifestText, number: int, solution: Solution, content: Content
    ) -> None:
        """Write the steps into the manifest; raises where bytes stay open, or where the title means another file."""
        from pipeline.manifest.edit.steps import write_steps
        from pipeline.solve.manifest_text import assigned, rom_values, step_blocks
        from pipeline.workspace.manifest_text import write_manifests

        manifest, text = read.manifest, read.text
        if solution.unexplained:
            open_ = sum(run.end - run.start for run in solution.unexplained)
            what = f"{counted(open_, 'byte')} of the finished file stay unexplained; nothing is written"
            raise CheckError.one(what, "without --write the steps found are printed", file=manifest.file)
        values, key = rom_values(solution.rom), f"rom.{number + 1}"
        if number < len(read.values.get("rom", [])):
            rom = read.values["rom"][number]
            if rom.get("sha256", content.sha256).lower() != content.sha256 or (
                "size" in rom and parse_size(rom["size"]) != content.size
            ):
                what = "the finished file has another size or sha256 than is declared here; nothing is written"
                raise CheckError.one(
                    what, "name the file that is meant, or pin this one first", file=manifest.file, key=key
                )
            blocks = step_blocks(solution.rom.steps)
            new = write_steps(text, manifest.file, number, values, blocks, assigned, replacing=options["replace"])
        else:
            ending = "\r\n" if "\r\n" in text else "\n"
            new = text.rstrip("\r\n") + f"\n\n{_rom_table(solution, content)}".replace("\n", ending)
        if new != text:
            write_manifests([(read, new)])


def _rom_number(manifest: ManifestFile, values: Mapping[str, Any], key: str) -> int:
    """Return the number, from 0, of the ROM file that "rom.1" means; one more than there are is a new one."""
    from pipeline.manifest.edit.pinnable import find

    number = len(values.get("rom", []))
    if manifest.kind == "title" and key == f"rom.{number + 1}":
        return number
    way = find(manifest.kind, values, key, manifest.file) if key.startswith("rom.") else None
    if way is None or isinstance(way, Problem):
        problem = way or Problem(Place(manifest.file, key=key), "is not a ROM file of this manifest", 'write "rom.1"')
        raise ManifestError([problem])
    return int(way[1])


def _finished(file: str) -> tuple[bytes, Content]:
    """Return the finished file's bytes and what they are; raises where there are none, or too many."""
    from pipeline.model.manifest import ArchiveLimits
    from pipeline.solve.solve import LARGEST
    from pipeline.sources.files.argument import content_named, named
    from pipeline.sources.files.read import read_content

    location = named(file, ArchiveLimits())
    _refuse_size(location, LARGEST, file)
    content = content_named(location)
    if not content.size or content.size > LARGEST:
        raise MachineError.one(_size_told(content.size or 0, LARGEST), file=shown(file))
    return read_content(location, content), content


def _refuse_size(location: Location, most: int, file: str) -> None:
    """Refuse a file by its size alone, before it is read."""
    if location.member is None:
        size = Path(location.path).stat().st_size
        if size > most:
            raise MachineError.one(_size_told(size, most), file=shown(file))


def _size_told(size: int, most: int) -> str:
    return f"has {size:,} bytes; expected 1 to {most:,} ({show_size(most)})"


def _given(words: Sequence[str], finished: Content, wanted: set[str] | None = None) -> dict[str, tuple[bytes, Content]]:
    """Return the chips that files, folders and archives hold, by names made of the files' own.

    The finished file and files without bytes are left out, and those that are not ``wanted``.
    """
    from pipeline.solve.solve import MOST_BYTES
    from pipeline.sources.files.argument import content_named
    from pipeline.sources.files.read import read_content

    chips: dict[str, tuple[bytes, Content]] = {}
    room = MOST_BYTES
    for name, location in _listed(words):
        if location.member is None and Path(location.path).stat().st_size > room:
            raise MachineError.one(_too_much(), file=shown(location.path))
        content = content_named(location)
        if not content.size or content.sha256 == finished.sha256 or (wanted and content.sha256 not in wanted):
            continue
        room -= content.size
        if room < 0 or len(chips) == MOST_CHIPS:
            raise MachineError.one(_too_much(), file=shown(location.path))
        chips[_free_name(name, chips)] = read_content(location, content), content
    return chips


def _too_much() -> str:
    from pipeline.solve.solve import MOST_BYTES

    return f"is one too many; expected {MOST_CHIPS:,} chips of {show_size(MOST_BYTES)} together at most"


def _listed(words: Sequence[str]) -> list[tuple[str, Location]]:
    from pipeline.model.content import Location
    from pipeline.model.manifest import ArchiveLimits
    from pipeline.sources.files.archive import named_as_archive
    from pipeline.sources.files.argument import named
    from pipeline.sources.files.listing import list_tree

    listed = list[tuple[str, Location]]()
    for word in words:
        path = Path(word)
        if path.is_dir() or (path.is_file() and named_as_archive(word)):
            listed += [(Path(name).name, location) for name, location in list_tree(path, ArchiveLimits()).files.items()]
        else:
            listed.append((path.name, named(word, ArchiveLimits())))
    return listed


def _free_name(file: str, chips: Mapping[str, object]) -> str:
    """Return a chip's name made of a file's, which no other chip has."""
    stem = re.sub("[^A-Za-z0-9._-]+", "-", file.rpartition(".")[0] or file).strip("-._") or "chip"
    name, number = stem, 2
    while name in chips:
        name, number = f"{stem}-{number}", number + 1
    return name


def _path(file: str) -> str:
    """Return a path for the card, made of a file's name."""
    return re.sub("[^A-Za-z0-9._-]+", "-", Path(file).name).strip("-") or "FINISHED.ROM"


def _counted(solution: Solution) -> str:
    return counted(len(solution.rom.steps), "step")


def _share(solution: Solution) -> str:
    """Return the share of explained bytes; 100 % only where it is all."""
    share = 100 * solution.explained / solution.rom.size
    return "100 %" if not solution.unexplained else f"{min(share, 99.99):.2f} %"


def _rom_table(solution: Solution, content: Content) -> str:
    from pipeline.solve.manifest_text import assigned, rom_values, step_blocks

    rom = solution.rom
    lines = [
        "[[rom]]",
        assigned("path", rom.path),
        assigned("size", _size(rom.size)),
        assigned("sha256", content.sha256),
    ]
    lines += [assigned(key, value) for key, value in rom_values(rom).items() if key != "steps"]
    return "".join(f"{line}\n" for line in lines) + "\n" + step_blocks(rom.steps)


def _size(size: int) -> int | str:
    return show_size(size) if size % 1024 == 0 else size


def _lines(
    file: str, content: Content, solution: Solution, wrong: Sequence[StepDifference], chips: Mapping[str, Content]
) -> list[str]:
    from pipeline.roms.operations.arguments import show_address
    from pipeline.solve.manifest_text import chip_table

    rom = solution.rom
    share = f"{solution.explained:,} bytes explained ({_share(solution)}), {_counted(solution)}"
    lines = [f"{file}: {show_size(rom.size)}; {share}"]
    lines += [
        f"unexplained: {show_address(run.start)} to {show_address(run.end - 1)}, "
        f"{counted(run.end - run.start, 'byte')}: {run.looks}"
        for run in solution.unexplained
    ]
    if solution.unused:
        more = len(solution.unused) - MOST_LISTED
        names = ", ".join(solution.unused[:MOST_LISTED]) + (f" and {more:,} more" if more > 0 else "")
        lines.append(f"not used: {names}")
    lines += [f"note: {note}" for note in solution.notes]
    for step in wrong:
        lines.append(f"{step.key} is wrong: {step.declared}: {step.differing:,} of {step.size:,} bytes differ")
        lines += [f"  fits there: {text}" for text in step.found]
    used = [name for name in chips if name not in solution.unused]
    tables = "".join(chip_table(name, _size(chips[name].size or 0), chips[name].sha256) + "\n" for name in used)
    return [*(f"# {line}" for line in lines), "", *(tables + _rom_table(solution, content)).split("\n")[:-1]]


def _document(file: str, content: Content, solution: Solution, wrong: Sequence[StepDifference]) -> dict[str, object]:
    from pipeline.solve.manifest_text import rom_values

    return {
        "version": 1,
        "file": file,
        "size": content.size,
        "sha256": content.sha256,
        "explained": solution.explained,
        "rom": {"path": solution.rom.path, "size": solution.rom.size, **rom_values(solution.rom)},
        "unexplained": [asdict(run) for run in solution.unexplained],
        "unused": list(solution.unused),
        "notes": list(solution.notes),
        "wrong": [asdict(step) for step in wrong],
    }
