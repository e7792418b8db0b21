"""TOML values to the dataclasses of ``model.manifest``, once they are known to be what the schemas ask for."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from sys import intern

from pipeline.manifest.checks.sums import known_chips
from pipeline.manifest.decode.common import Table, config, configs, content, day, files, rights, size, sums, texts
from pipeline.manifest.decode.rom_files import changes, rom_file
from pipeline.manifest.schema.formats import parse_moment, parse_rate, parse_rates
from pipeline.model.manifest import (
    NOTHING,
    Board,
    Card,
    Chip,
    ConfigEdit,
    Core,
    Display,
    Fpga,
    KnownChip,
    Layout,
    Needs,
    Setting,
    Socket,
    Station,
    Title,
    TitleRules,
    VolumeRequest,
)
from pipeline.model.units import parse_size


def board(id_: str, file: str, data: Table) -> Board:
    """Return a board."""
    cores = data["cores"]
    return Board(
        id=id_,
        file=file,
        name=data["name"],
        volumes=tuple(data["volumes"]),
        partitioned=data.get("partitioned", True),
        largest=size(data, "largest-card"),
        label_entry=data.get("label-entry", "second"),
        fpga=_fpga(data["fpga"]) if "fpga" in data else None,
        outputs=texts(data, "outputs"),
        core_folder=cores["folder"],
        bitstream=cores["bitstream"],
        menu=config(cores["menu"], "cores.menu") if "menu" in cores else None,
        one_menu=cores.get("menu", {}).get("one-for-all", False),
        silenced=dict(data.get("silence", {})),
        core_slots=cores.get("slots", 0),
        title_folder=data.get("title-folder", ""),
        reserved=texts(data, "reserved"),
        settings={name: _setting(name, table) for name, table in data.get("settings", {}).items()},
        base=texts(data, "base"),
        cautions=texts(data, "cautions"),
        rights=rights(data),
        source=data.get("source", ""),
        date=day(data),
    )


def core(id_: str, file: str, data: Table) -> Core:
    """Return a core; its folder is derived from its id where none is given: "marrowby-two" is MARROWBY."""
    return Core(
        id=id_,
        file=file,
        name=data["name"],
        kind=data["kind"],
        release=data["release"],
        folder=data.get("folder", _derived_name(id_)),
        boards=tuple(data["boards"]),
        tags=texts(data, "tags"),
        bitstream=content(data["bitstream"]),
        needs=_needs(data.get("needs", {})),
        files=tuple(files(data)),
        sums=tuple(sums(data)),
        configs=tuple(configs(data)),
        titles=_title_rules(data.get("titles", {})),
        start=texts(data, "start"),
        notes=texts(data, "notes"),
        rights=rights(data),
        source=data.get("source", ""),
        date=day(data),
        release_date=day(data, "release-date"),
        silenced=dict(data.get("silence", {})),
        folders=texts(data, "folders"),
        layouts={name: layout(name, table) for name, table in data.get("layouts", {}).items()},
    )


def layout(name: str, data: Table) -> Layout:
    """Return a layout."""
    known = (line for line in known_chips(data.get("known", ""), data["sockets"]) if isinstance(line, KnownChip))
    return Layout(
        name=name,
        sockets={socket: _socket(socket, table) for socket, table in data["sockets"].items()},
        known=tuple(known),
    )


def title(id_: str, file: str, data: Table) -> Title:
    """Return a title that takes over nothing, or that is written out.

    A card takes it by id, and then its core must be on the card; or by a tag, and then only if its core is.
    """
    name = file_name(id_, data)
    return Title(
        id=id_,
        file=file,
        name=data["name"],
        core=intern(data["core"]),
        tags=texts(data, "tags"),
        folder=intern(data.get("folder", "")),
        chips={(chip := intern(key)): _chip(chip, table) for key, table in data.get("chips", {}).items()},
        roms=tuple(rom_file(table, f"rom.{number}", name) for number, table in enumerate(data.get("rom", ()), 1)),
        files=tuple(files(data)),
        orientation=data.get("orientation", ""),
        buttons=data.get("buttons", 0),
        rights=rights(data),
        source=data.get("source", ""),
        date=day(data),
        patches={name: content(table) for name, table in data["patches"].items()} if "patches" in data else NOTHING,
    )


def _chip(name: str, table: Table) -> Chip:
    """Return a chip; its name, part and what it holds are those of thousands of others."""
    part, holds = intern(table.get("part", "")), intern(table.get("holds", ""))
    return Chip(name=name, content=content(table), part=part, holds=holds)


def file_name(id_: str, data: Table) -> str:
    """Return what the field {title} stands for in a title: its file-name, else one derived as a core's folder is."""
    return str(data.get("file-name", _derived_name(id_)))


def card(id_: str, file: str, data: Table) -> Card:
    """Return a card."""
    volume = data["volume"]
    return Card(
        id=id_,
        file=file,
        name=data["name"],
        version=data.get("version", ""),
        board=data["board"],
        cores=texts(data, "cores"),
        titles=texts(data, "titles"),
        tags=texts(data, "tags"),
        volume=VolumeRequest(
            type=volume.get("type", ""),
            size=parse_size(volume["size"]),
            label=volume.get("label", ""),
            serial=int(volume["serial"].replace("-", ""), 16) if "serial" in volume else None,
            timestamp=parse_moment(volume["timestamp"]) if "timestamp" in volume else None,
        ),
        settings=dict(data.get("settings", {})),
        files=tuple(files(data)),
        sums=tuple(sums(data)),
        configs=tuple(configs(data)),
        edits=tuple(_edit(table, f"edits.{number}") for number, table in enumerate(data.get("edits", ()), 1)),
        stations=texts(data, "stations"),
        required_stations=texts(data, "required-stations"),
        rights=rights(data),
        silenced=dict(data.get("silence", {})),
        image_sha256=data.get("image-sha256", "").lower(),
        keep=texts(data, "keep"),
        accepted=dict(data.get("accept", {})),
        folders=texts(data, "folders"),
    )


def station(id_: str, file: str, data: Table) -> Station:
    """Return a station."""
    return Station(
        id=id_,
        file=file,
        name=data["name"],
        displays=tuple(map(_display, data["displays"])),
        keyboards=texts(data, "keyboards"),
        pads=tuple(data.get("pads", ())),
        source=data.get("source", ""),
        date=day(data),
    )


DECODERS: Mapping[str, Callable[[str, str, Table], Board | Core | Title | Card | Station]] = {
    "board": board,
    "core": core,
    "title": title,
    "card": card,
    "station": station,
}


def _derived_name(id_: str) -> str:
    return re.sub("[^A-Z0-9]", "", id_.upper())[:8]


def _fpga(table: Table) -> Fpga:
    device_id = int(table["device-id"], 16) if "device-id" in table else None
    return Fpga(part=table["part"], package=table.get("package", ""), device_id=device_id)


def _setting(name: str, table: Table) -> Setting:
    return Setting(
        name=name,
        path=table["path"],
        section=table.get("section", ""),
        key=table["key"],
        choices=dict(table["choices"]),
        add=table.get("add", False),
    )


def _needs(table: Table) -> Needs:
    return Needs(
        volumes=texts(table, "volumes"),
        settings=dict(table.get("settings", {})),
        outputs=texts(table, "outputs"),
        orientation=table.get("orientation", ""),
        line_rates=tuple(map(parse_rate, table.get("line-rates", ()))),
        keyboard=table.get("keyboard", ""),
        pads=table.get("pads", 0),
        buttons=table.get("buttons", 0),
        start_output=table.get("start-output", ""),
        switch={output: tuple(steps) for output, steps in table.get("switch", {}).items()},
        output_rates={
            output: tuple(map(parse_rate, rates)) for output, rates in table.get("output-line-rates", {}).items()
        },
    )


def _display(table: Table) -> Display:
    return Display(
        name=table["name"],
        inputs=texts(table, "inputs"),
        line_rates=tuple(map(parse_rates, table.get("line-rates", ()))),
        orientation=table.get("orientation", "landscape"),
        turns=table.get("turns", False),
    )


def _socket(name: str, table: Table) -> Socket:
    size, empty = parse_size(table["size"]), table.get("empty")
    return Socket(
        name=name,
        size=size,
        part=table.get("part", ""),
        holds=table.get("holds", ""),
        empty=content({**empty, "size": size}) if isinstance(empty, dict) else empty,
        then=changes(table),
    )


def _title_rules(table: Table) -> TitleRules:
    return TitleRules(
        folder=table.get("folder", ""),
        names=table.get("names", "long"),
        largest=size(table, "largest"),
        most=table.get("most", 0),
    )


def _edit(table: Table, key: str) -> ConfigEdit:
    return ConfigEdit(
        path=table["path"],
        section=table.get("section", ""),
        name=table["key"],
        value=table["value"],
        add=table.get("add", False),
        key=key,
    )
