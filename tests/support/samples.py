"""Small frozen values for tests: each function gives a valid one, changed where the test needs it."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from typing import Any

from pipeline.errors import Place
from pipeline.model.content import CardFile, Content, Origin
from pipeline.model.manifest import (
    Board,
    Card,
    Core,
    Display,
    Manifest,
    Needs,
    Rights,
    Sources,
    Station,
    Title,
    TitleRules,
    VolumeRequest,
)


def content(data: bytes) -> Content:
    return Content(sha256=hashlib.sha256(data).hexdigest(), size=len(data))


def board(**changes: Any) -> Board:
    sample = Board(
        id="oak", file="inputs/boards/oak.toml", name="Oak", volumes=("fat16", "fat32"), partitioned=True,
        largest=None, label_entry="second", fpga=None, outputs=("rgb",), core_folder="FABRICS/{core}",
        bitstream="{core}.FAB", menu=None, core_slots=0, title_folder="GOODS/{core}", reserved=(), settings={},
        base=(), cautions=(), rights=Rights(),
    )  # fmt: skip
    return replace(sample, **changes)


def core(id: str = "fern", **changes: Any) -> Core:
    sample = Core(
        id=id, file=f"inputs/cores/{id}.toml", name=id.title(), kind="arcade", release="1.0",
        folder=id.upper().replace("-", "")[:8], boards=("oak",), tags=(), bitstream=content(id.encode()),
        needs=Needs(), files=(), sums=(), configs=(), titles=TitleRules(), start=(), notes=(), rights=Rights(),
        source="", date="",
    )  # fmt: skip
    return replace(sample, **changes)


def title(id: str = "snail-race", **changes: Any) -> Title:
    sample = Title(
        id=id, file=f"inputs/titles/{id}.toml", name=id.title(), core="fern", tags=(), folder="", chips={}, roms=(),
        files=(), orientation="", buttons=0, rights=Rights(), source="", date="",
    )  # fmt: skip
    return replace(sample, **changes)


def card(**changes: Any) -> Card:
    volume = VolumeRequest(type="", size=64 << 20, label="", serial=None, timestamp=None)
    sample = Card(
        id="desk", file="inputs/cards/desk.toml", name="Desk", version="1", board="oak", cores=("fern",), titles=(),
        tags=(), volume=volume, settings={}, files=(), sums=(), configs=(), edits=(),
    )  # fmt: skip
    return replace(sample, **changes)


def station(id: str = "attic", **changes: Any) -> Station:
    sample = Station(
        id=id, file=f"inputs/stations/{id}.toml", name=id.title(), displays=(Display(name="tube", inputs=("rgb",)),),
    )  # fmt: skip
    return replace(sample, **changes)


def manifest(*values: Board | Core | Title | Card | Station) -> Manifest:
    def of(kind: type) -> dict[str, Any]:
        return {value.id: value for value in values if isinstance(value, kind)}

    return Manifest(
        root="inputs",
        boards=of(Board),
        cores=of(Core),
        titles=of(Title),
        cards=of(Card),
        sources=Sources(),
        stations=of(Station),
    )


def card_file(
    path: str, data: bytes = b"", *, kind: str = "card-file", owner: str = "desk", **changes: Any
) -> CardFile:
    sample = CardFile(
        path=path,
        content=content(data),
        placement="anywhere",
        origin=Origin(kind=kind, owner=owner),
        place=Place(file="inputs/cards/desk.toml", key="files.1"),
    )
    return replace(sample, **changes)
