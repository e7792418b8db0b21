"""What a title comes to with all that it takes over: from other titles, and from the layout of its core.

A pure function of TOML values that are known to fit their schemas. The result is what a person would have written
without ``layout`` and ``like``, and for each key that stands elsewhere the place where it does.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from sys import intern
from typing import Any

from pipeline.errors import Place, Problem
from pipeline.manifest.checks.self_checks import named_in_roms
from pipeline.manifest.expand.wiring import Wired, rewired
from pipeline.manifest.schema.formats import TITLE_FIELD
from pipeline.model.manifest import place_of
from pipeline.model.text import did_you_mean, quote
from pipeline.model.units import parse_size, show_size

Table = Mapping[str, Any]

SHARED = ("core", "folder", "orientation", "buttons")
"""Keys that a title takes over from the one it is like, where it does not have them itself."""

NAMED = ("chips", "sockets", "patches")
"""Tables of named things, each of which it takes over the same way."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """What one title's manifest states. ``name``: what the field {title} stands for."""

    id: str
    file: str
    name: str
    data: Table

    def place(self, key: str) -> Place:
        """Return the place of a key of this manifest."""
        return Place(self.file, key=key)


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedLayout:
    """A layout as the manifest of its core states it."""

    name: str
    core: str
    file: str
    data: Table
    places: dict[str, Place] = field(default_factory=dict, compare=False)
    """Those asked for so far: many titles have the same."""

    def place(self, key: str) -> Place:
        """Return the place of a key below the layout."""
        if key not in self.places:
            self.places[key] = Place(self.file, key=f"layouts.{self.name}.{key}")
        return self.places[key]


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenOut:
    """A title's values in full; what it has in sockets; places of keys that stand elsewhere; what is wrong."""

    data: Table
    sockets: Mapping[str, Table]
    places: Mapping[str, Place]
    problems: tuple[Problem, ...]


def written_out(chain: Sequence[Stated], layout: StatedLayout | None) -> WrittenOut:
    """Return the last title of a chain in full; each title of it is like the one before.

    ``layout``: the one it names, or takes over. A title that names a layout itself takes no ROM files over.
    """
    return _Writing(chain, layout).written_out()


@dataclass(slots=True, eq=False)
class _RomFile:
    """A ROM file while it is put together; ``places`` by the key below it, "" for all that is not named."""

    table: dict[str, Any]
    places: dict[str, Place]


@dataclass(slots=True)
class _Writing:
    chain: Sequence[Stated]
    layout: StatedLayout | None
    places: dict[str, Place] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    named: dict[str, dict[str, tuple[Table, Place]]] = field(default_factory=lambda: {group: {} for group in NAMED})
    roms: list[_RomFile] = field(default_factory=list)

    @property
    def title(self) -> Stated:
        return self.chain[-1]

    def written_out(self) -> WrittenOut:
        data = {key: value for key, value in self.title.data.items() if key not in (*NAMED, "rom", "files")}
        for stated in self.chain[:-1]:
            for key in SHARED:
                if key in stated.data and key not in self.title.data:
                    data[key] = stated.data[key]
                    self.places[key] = stated.place(key)
        self._rom_files()
        files = self._files()
        roms = self._numbered()
        chips = self._chips(roms)
        data["rom"], wired = roms, self._wired(chips, roms)
        if wired:
            data["rom"], places, problems = rewired(roms, wired, self._place)
            self.places |= places
            self.problems += problems
        if self.layout:
            self.places["sockets"] = self.layout.place("sockets")
        data |= {"chips": chips, "patches": self._tables("patches"), "files": files}
        filled = {name: table for name, (table, _) in self.named["sockets"].items()}
        places = {intern(key): place for key, place in self.places.items()}  # many titles have the same few
        return WrittenOut(data=data, sockets=filled, places=places, problems=tuple(self.problems))

    def _place(self, key: str) -> Place:
        return place_of(key, self.places, self.title.file)

    def _rom_files(self) -> None:
        """Put the ROM files together: those of the layout, changed and added to by each title of the chain."""
        first = max((number for number, stated in enumerate(self.chain) if "layout" in stated.data), default=0)
        if self.layout:
            for number, table in enumerate(self.layout.data["rom"], 1):
                self.roms.append(_RomFile(dict(table), {"": self.layout.place(f"rom.{number}")}))
        for number, stated in enumerate(self.chain):
            pinned = [rom for rom in self.roms if "sha256" in rom.table]
            before = [(rom, rom.table.pop("sha256"), self._made_of(rom)) for rom in pinned]
            for group, named in self.named.items():
                for name, table in stated.data.get(group, {}).items():
                    named[name] = table, stated.place(f"{group}.{name}")
            if number >= first:
                self._changed(stated)
            for rom, sha256, made in before:
                if "sha256" not in rom.table and self._made_of(rom) == made:
                    rom.table["sha256"] = sha256

    def _changed(self, stated: Stated) -> None:
        """Change the ROM files as a title says, and add those it has besides."""
        known = {_filled(rom.table["path"], stated): rom for rom in self.roms}
        changed = set[_RomFile]()
        for number, item in enumerate(stated.data.get("rom", ()), 1):
            key, path = f"rom.{number}", _filled(item["path"], stated)
            rom = known.get(path)
            if rom is None and not ("size" in item and "steps" in item):
                self._unknown_rom(item["path"], key, stated)
                continue
            if rom is None:
                rom = _RomFile(dict(item), {"": stated.place(key)})
                self.roms.append(rom)
                known[path] = rom
            elif rom in changed:
                what = f"found the path {quote(item['path'])} a second time, expected once"
                self.problems.append(Problem(stated.place(f"{key}.path"), what, "put both into one [[rom]]"))
            else:
                self._change(rom, item, key, stated)
            changed.add(rom)

    def _change(self, rom: _RomFile, item: Table, key: str, stated: Stated) -> None:
        """Change one ROM file: what is stated takes the place of what is there; a step, of the one with its id."""
        for name, value in item.items():
            if name not in ("path", "steps"):
                rom.table[name] = value
                rom.places[name] = stated.place(f"{key}.{name}")
        steps = [*rom.table["steps"]]
        ids = {step["id"]: index for index, step in enumerate(steps) if "id" in step}
        for number, step in enumerate(item.get("steps", ()), 1):
            place = stated.place(f"{key}.steps.{number}")
            if "id" in step and step["id"] not in ids:
                what = f"found {quote(step['id'])}, expected the id of a step that this title takes over"
                some = f"the steps are {', '.join(ids)}" if ids else "no step has an id; without one, a step is added"
                hint = did_you_mean(step["id"], ids, some)
                self.problems.append(Problem(stated.place(f"{key}.steps.{number}.id"), what, hint))
                continue
            index = ids[step["id"]] if "id" in step else len(steps)
            steps[index : index + 1] = [step]
            rom.places[f"steps.{index + 1}"] = place
        rom.table["steps"] = steps

    def _unknown_rom(self, path: str, key: str, stated: Stated) -> None:
        known = [_filled(rom.table["path"], stated) for rom in self.roms]
        missing = "found neither size nor steps, and no ROM file with this path to be changed"
        some = f"the ROM files are {', '.join(map(quote, known))}" if known else "give it size and steps"
        self.problems.append(Problem(stated.place(f"{key}.path"), missing, did_you_mean(path, known, some)))

    def _made_of(self, rom: _RomFile) -> object:
        """Return all that a ROM file's bytes depend on: its table, and each content whose name is somewhere in it."""
        table = {key: value for key, value in rom.table.items() if key not in ("path", "sha256", "placement")}
        names = set(_texts(table))
        parts = {
            (group, name): (named[name][0].get("size"), named[name][0]["sha256"].lower(), named[name][0].get("then"))
            for group, named in self.named.items()
            for name in names & named.keys()
        }
        return table, parts

    def _numbered(self) -> list[dict[str, Any]]:
        """Return the tables of the ROM files, and note the places of their keys."""
        tables = []
        for number, rom in enumerate(self.roms, 1):
            tables.append({**rom.table, "path": _filled(rom.table["path"], self.title)})
            for key, place in rom.places.items():
                self.places[f"rom.{number}.{key}" if key else f"rom.{number}"] = place
        return tables

    def _files(self) -> list[Table]:
        """Return the files: its own, behind those it takes over, which have other paths."""
        own = [(table, self.title.place(f"files.{n}")) for n, table in enumerate(self.title.data.get("files", ()), 1)]
        theirs = {
            table["path"]: (table, stated.place(f"files.{number}"))
            for stated in self.chain[:-1]
            for number, table in enumerate(stated.data.get("files", ()), 1)
        }
        for table, _ in own:
            theirs.pop(table["path"], None)
        files = [*theirs.values(), *own]
        self.places |= {f"files.{number}": place for number, (_, place) in enumerate(files, 1)}
        return [table for table, _ in files]

    def _tables(self, group: str) -> dict[str, Table]:
        """Return the tables of a group by name, and note where those stand that are taken over."""
        self.places |= {f"{group}.{name}": place for name, (_, place) in self.named[group].items()}
        return {name: table for name, (table, _) in self.named[group].items()}

    def _chips(self, roms: Sequence[Table]) -> dict[str, Table]:
        """Return the chips of the title: its own, and one for each socket that is filled."""
        sockets: Table = self.layout.data["sockets"] if self.layout else {}
        chips = self._tables("chips")
        for name, (table, place) in self.named["sockets"].items():
            if name not in sockets:
                self._unknown_socket(name, place, sockets)
            elif name in chips:
                what = f"found a socket and a chip that are both called {quote(name)}, expected names of their own"
                also = (self.named["chips"][name][1],)
                self.problems.append(Problem(place, what, "give the chip another name", also))
            else:
                chips[name] = self._in_socket(name, table, place, sockets[name])
        for name in dict.fromkeys(name for _, name in named_in_roms({"rom": roms})):
            if name in sockets and name not in chips and name not in self.named["sockets"]:
                empty = sockets[name].get("empty")
                if empty is None:
                    self._left_empty(name, sockets[name])
                elif not isinstance(empty, int) and self.layout:
                    stated = {known: sockets[name][known] for known in ("size", "holds") if known in sockets[name]}
                    chips[name] = {**stated, **empty}
                    self.places[f"chips.{name}"] = self.layout.place(f"sockets.{name}.empty")
        return chips

    def _in_socket(self, name: str, table: Table, place: Place, socket: Table) -> Table:
        """Return the chip in a socket, with what the socket says of it."""
        key = f"chips.{name}"
        self.places[key] = place
        chip = {known: value for known, value in table.items() if known != "then"}
        other_size = "size" in table and parse_size(table["size"]) != parse_size(socket["size"])
        for known in ("size", "holds") if other_size else ("size", "part", "holds"):  # another size is of another part
            if known in socket and known not in table and self.layout:
                chip[known] = socket[known]
                self.places[f"{key}.{known}"] = self.layout.place(f"sockets.{name}.{known}")
        return chip

    def _unknown_socket(self, name: str, place: Place, sockets: Table) -> None:
        if self.layout is None:
            what = "found a chip in a socket, and no layout, which says what sockets there are"
            hint = f"name a layout of the core, or declare it as [chips.{name}]"
            also: tuple[Place, ...] = ()
        else:
            what = f'found {quote(name)}, expected a socket of layout "{self.layout.name}" of core "{self.layout.core}"'
            free = [known for known in sockets if known not in self.named["sockets"]]
            some = f"the sockets without a chip are {', '.join(free)}" if free else "all of its sockets have a chip"
            hint, also = did_you_mean(name, free, some), (self.layout.place("sockets"),)
        self.problems.append(Problem(place, what, hint, also))

    def _left_empty(self, name: str, socket: Table) -> None:
        if self.layout is None:
            return
        of = f" of {show_size(parse_size(socket['size']))}"
        known = ", ".join(filter(None, (socket.get("part"), socket.get("holds"))))
        what = f"socket {quote(name)} is empty; expected a chip{of}" + (f" ({known})" if known else "")
        hint = f"doit pin title:{self.title.id} sockets.{name} FILE writes it"
        also = (self.layout.place(f"sockets.{name}"),)
        self.problems.append(Problem(self.title.place(f"sockets.{name}"), what, hint, also))

    def _wired(self, chips: Table, roms: Sequence[Table]) -> dict[str, Wired]:
        """Return the sockets whose bytes are not simply those of a chip: empty ones, and those wired somehow."""
        wired: dict[str, Wired] = {}
        if self.layout is None:
            return wired
        for name, socket in self.layout.data["sockets"].items():
            table, place = self.named["sockets"].get(name, ({}, None))
            then, stands = socket.get("then", []), self.layout.place(f"sockets.{name}")
            if "then" in table and place:
                then, stands = table["then"], place
            if name in chips and then:
                wired[name] = Wired(head={"chip": name}, then=then, stands=stands)
            elif name not in chips and isinstance(socket.get("empty"), int):
                head = {"fill": socket["empty"], "size": socket["size"]}
                wired[name] = Wired(head=head, then=then, stands=stands)
        return wired


def _filled(path: str, stated: Stated) -> str:
    return path.replace(TITLE_FIELD, stated.name)


def _texts(value: Any) -> Iterator[str]:
    """Yield every text in a TOML value."""
    if isinstance(value, str):
        yield value
    for inner in value.values() if isinstance(value, Mapping) else value if isinstance(value, list) else ():
        yield from _texts(inner)
