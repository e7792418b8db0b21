"""Sheets made of values, for tests."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

import html5lib

from pipeline.card.layout import lay_out
from pipeline.errors import Place, Problem
from pipeline.fat.geometry import fit_volume
from pipeline.model.content import CardFile
from pipeline.model.finished import FinishedCard, Silenced
from pipeline.model.manifest import Display, Needs, Rights, Station
from pipeline.model.matrix import AFTER, NOT, WORKS, Outlook
from pipeline.model.plan import Plan, Proof
from pipeline.model.ranges import Range, RangeSource, RomMap
from tests.support.samples import board, card, card_file, core, title

HTML = "{http://www.w3.org/1999/xhtml}"
SVG = "{http://www.w3.org/2000/svg}"

FILES = (
    card_file("DISCS.LIB", bytes(9000), kind="core-file", owner="fern", placement="first"),
    card_file("FABRICS/FERN/FERN.FAB", b"engine", kind="bitstream", owner="fern"),
    card_file("GOODS/FERN/SNAIL.ROM", bytes(2048), kind="rom-file", owner="snail-race"),
    card_file("BENCH.SET", b"[words]", kind="board-file", owner="oak"),
    card_file("NOTHING.TXT", b""),
)

MAP = RomMap(
    title="snail-race",
    path="SNAIL.ROM",
    size=2048,
    ranges=(
        Range(0, 8, (RangeSource("bytes", "AA"),)),
        Range(8, 1024, (RangeSource("chip", "a1"), RangeSource("chip", "b1", ("swap bytes",)))),
        Range(1024, 2048, (RangeSource("hole", "0xFF"),)),
    ),
)

STATION = Station(
    id="hall",
    file="inputs/stations/hall.toml",
    name="Hall",
    displays=(Display(name="tube", inputs=("rgb",), line_rates=((15_000, 16_000),), turns=True),),
    keyboards=("built-in",),
    pads=(2,),
)


def plan_of(files: Sequence[CardFile], fat_bits: int = 16, size: int = 64 << 20) -> Plan:
    return lay_out(
        "desk",
        files,
        fit_volume(size, fat_bits, partitioned=True),
        label="DESK",
        label_entry="second",
        serial=0x1234ABCD,
        timestamp=datetime(2026, 11, 25, 20),
        where=Place("inputs/cards/desk.toml"),
    )


def proof_of(plan: Plan) -> Proof:
    files = [entry for entry in plan.entries if not entry.is_folder]
    return Proof(
        image_sha256="0f" * 32,
        image_size=plan.volume.card_sectors * 512,
        files=len(files),
        folders=len(plan.entries) - len(files),
        file_bytes=sum(entry.size for entry in files),
        reader="pyfatfs 1.1.0",
    )


def sheet(files: Sequence[CardFile] = FILES, **changes: Any) -> FinishedCard:
    plan = plan_of(files)
    sample = FinishedCard(
        card=card(stations=("hall",), titles=("snail-race",)),
        board=board(),
        cores=(core(),),
        titles=(title(),),
        settings={},
        files=tuple(files),
        plan=plan,
        proof=proof_of(plan),
        plan_sha256="1e" * 32,
        timestamp_from="card",
        stations=(STATION,),
        outlooks=(
            Outlook(station="hall", core="fern", title="", verdict=WORKS, display="tube", output="rgb"),
            Outlook(station="hall", core="fern", title="snail-race", verdict=AFTER, steps=("turn the display",)),
        ),
        warnings=(),
        silenced=(),
        maps=(MAP,),
        made_by="cardkiln 0.1.0",
    )
    return replace(sample, **changes)


SUMS = {"card.img": "0f" * 32, "plan.json": "1e" * 32, "record.json": "2d" * 32}

MARKUP = "</title></style><script>alert(1)</script><img src=https://example.org/x onerror=alert(2)>\"'&amp;<!--"
TURNED = "abc\u202egnp.exe\u2066\u2069\u2069\u200f\u05d0\u05d1"
LONG = "W" * 300
HOSTILE = f"{MARKUP} {TURNED} {LONG}"
"""A name with markup, quotes, marks of writing direction, and no place to break it."""


def hostile() -> FinishedCard:
    """Return a sheet whose every text that a manifest gives is hostile."""
    rights = Rights(licence=HOSTILE, holder=HOSTILE, source=HOSTILE)
    needs = Needs(
        outputs=(HOSTILE, "rgb"), start_output=HOSTILE, switch={HOSTILE: (HOSTILE,)}, output_rates={HOSTILE: (15_625,)},
        orientation="portrait", keyboard="any", pads=2, buttons=2,
    )  # fmt: skip
    station = replace(STATION, name=HOSTILE, displays=(replace(STATION.displays[0], name=HOSTILE, inputs=(HOSTILE,)),))
    path = f"&lt;b&gt;{TURNED}/{'W' * 200}.ROM"
    return sheet(
        (*FILES, card_file(path, b"hostile")),
        card=card(name=HOSTILE, version=HOSTILE, rights=rights),
        board=board(name=HOSTILE, cautions=(HOSTILE,), rights=rights, source=HOSTILE, date=HOSTILE),
        cores=(core(name=HOSTILE, kind=HOSTILE, release=HOSTILE, start=(HOSTILE,), notes=(HOSTILE,), rights=rights,
                    needs=needs, source=HOSTILE, date=HOSTILE),),
        titles=(title(name=HOSTILE, rights=rights, source=HOSTILE, date=HOSTILE),),
        settings={HOSTILE: HOSTILE},
        stations=(replace(station, source=HOSTILE, date=HOSTILE),),
        outlooks=(Outlook(station="hall", core="fern", title="", verdict=NOT, reasons=(HOSTILE,)),),
        warnings=(Problem(Place(), HOSTILE),),
        silenced=(Silenced(problem=Problem(Place(), HOSTILE), reason=HOSTILE, by=HOSTILE),),
        maps=(replace(MAP, path=path, ranges=(Range(0, 2048, (RangeSource("bytes", HOSTILE),)),)),),
    )  # fmt: skip


def many(count: int) -> FinishedCard:
    """Return a sheet of a card with so many more files."""
    more = [
        card_file(f"PACK/{hashlib.sha256(b'%d' % n).hexdigest()[:8]}.DAT", b"%d" % n, owner="fern")
        for n in range(count)
    ]
    return sheet((*FILES, *more))


def parsed(text: str) -> Any:
    """Return the tree of a page; raises html5lib's ParseError for whatever the HTML standard calls a parse error."""
    return html5lib.HTMLParser(strict=True).parse(text)


def words(element: Any) -> str:
    return "".join(element.itertext())
