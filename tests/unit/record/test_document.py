"""The record and its checksums: one text for one value."""

from __future__ import annotations

import hashlib
import json
import subprocess
from datetime import datetime
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from pipeline.card.layout import lay_out
from pipeline.errors import Place, Problem
from pipeline.fat.geometry import fit_volume
from pipeline.model.content import CardFile
from pipeline.model.finished import FinishedCard, Silenced
from pipeline.model.matrix import WORKS, Outlook
from pipeline.model.plan import Proof
from pipeline.model.ranges import Range, RangeSource, RomMap
from pipeline.record.document import record_text, sums_text
from tests.strangers.tools import require
from tests.support import samples
from tests.support.cli import ROOT


def record(files: list[CardFile], **more: Any) -> str:
    plan = lay_out(
        "desk",
        files,
        fit_volume(16 << 20, 16, partitioned=True),
        label="DESK",
        label_entry="second",
        serial=0x51AB0E80,
        timestamp=datetime(2026, 6, 20, 18, 30),
        where=Place(),
    )
    proof = Proof(image_sha256="a" * 64, image_size=16 << 20, files=2, folders=1, file_bytes=9, reader="pyfatfs 1.1.0")
    return "".join(
        record_text(
            FinishedCard(
                card=samples.card(), settings={}, files=tuple(files), plan=plan, plan_sha256="b" * 64, proof=proof,
                timestamp_from="card", made_by="cardkiln 0.1.0",
                **{"board": samples.board(), "cores": (samples.core(),), "titles": (samples.title(),), **more},
            )
        )
    )  # fmt: skip


FILES = [samples.card_file("GOODS/SNAIL.ROM", b"rom"), samples.card_file("Read me.txt", b"hello!")]


def test_a_record_keeps_to_its_schema() -> None:
    schema = json.loads((ROOT / "schemas/record.schema.json").read_bytes())
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema).validate(json.loads(record(FILES)))


def test_facts_stations_warnings_and_what_is_silenced_are_in_the_record() -> None:
    warning = Problem(Place(file="cores/fern.toml", key="date"), "the facts are old", rule="facts-are-current")
    silent = Problem(Place(file="cards/desk.toml", key="stations.1"), "no picture", rule="cores-are-seen")
    facts: dict[str, Any] = {"source": "the manual", "date": "2026-05"}
    document = json.loads(
        record(
            FILES,
            board=samples.board(**facts),
            cores=[samples.core(**facts, release_date="2026-06")],
            titles=[samples.title(**facts)],
            stations=(samples.station("attic", name="Attic"),),
            outlooks=(Outlook(station="attic", core="fern", title="", verdict=WORKS, output="rgb"),),
            warnings=(warning,),
            silenced=(Silenced(problem=silent, reason="only the menu is shown", by="board oak"),),
        )
    )
    jsonschema.Draft202012Validator(json.loads((ROOT / "schemas/record.schema.json").read_bytes())).validate(document)
    seen = {"core": "fern", "verdict": "works", "output": "rgb"}
    assert document["stations"] == [{"id": "attic", "name": "Attic", "outlooks": [seen]}]
    assert document["warnings"] == [
        {"rule": "facts-are-current", "where": "cores/fern.toml: date", "what": "the facts are old"}
    ]
    assert document["silenced"] == [
        {
            "rule": "cores-are-seen",
            "where": "cards/desk.toml: stations.1",
            "what": "no picture",
            "reason": "only the menu is shown",
            "by": "board oak",
        }
    ]
    sides = (document["board"], document["cores"][0], document["titles"][0])
    assert [(side["source"], side["date"]) for side in sides] == [("the manual", "2026-05")] * 3
    assert document["cores"][0]["release-date"] == "2026-06"


def test_the_order_files_are_given_in_does_not_enter_the_record() -> None:
    assert record(FILES) == record(FILES[::-1])


def test_every_file_has_a_line_of_its_own() -> None:
    lines = record(FILES).splitlines()
    assert sum('"sha256"' in line and '"path"' in line for line in lines) == 2
    assert record(FILES).isascii()


def test_checksums_are_in_the_form_sha256sum_checks(tmp_path: Path) -> None:
    # GNU coreutils manual, "sha2 utilities"
    (tmp_path / "card.img").write_bytes(b"abc")
    # NIST, "Examples with Intermediate Values" ("SHA256.pdf"): "abc"
    published = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert hashlib.sha256(b"abc").hexdigest() == published
    text = sums_text({"card.img": published})
    assert text == f"{published}  card.img\n"
    (tmp_path / "SHA256SUMS").write_text(text)
    command = [require("sha256sum"), "--check", "--strict", "SHA256SUMS"]
    subprocess.run(command, cwd=tmp_path, check=True, capture_output=True)
    (tmp_path / "card.img").write_bytes(b"abd")
    with pytest.raises(subprocess.CalledProcessError):
        subprocess.run(command, cwd=tmp_path, check=True, capture_output=True)


def test_a_rom_file_says_where_its_bytes_are_from() -> None:
    ranges = (Range(0, 3, (RangeSource("chip", "4t", ("interleave",)),)),)
    rom = RomMap(title="snail-race", path="SNAIL.ROM", card_path="GOODS/SNAIL.ROM", size=3, ranges=ranges)
    document = json.loads(record(FILES, maps=(rom,)))
    jsonschema.Draft202012Validator(json.loads((ROOT / "schemas/record.schema.json").read_bytes())).validate(document)
    files = document["files"]
    assert [one["made-from"].get("ranges") for one in files] == [
        [{"start": 0, "end": 3, "from": ["chip 4t, interleave"]}],
        None,
    ]
