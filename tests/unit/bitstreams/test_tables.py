"""Our device tables against those of others (``published/README.md``), and against the standard's form of an id."""

from __future__ import annotations

import re

import pytest

from pipeline.bitstreams.device import Device
from pipeline.bitstreams.devices import DEVICES, MAKERS, UNVERSIONED, maker_of, same_but_version, same_id, with_id
from tests.unit.bitstreams.samples import published

FAMILIES = (
    "spartan", "artix", "kintex", "virtex", "zynq", "ecp5", "machxo2", "machxo3l", "machxo3lf", "gw", "trion",
    "titanium", "cyclone", "stratix", "max 10",
)  # fmt: skip
"""Families, as the loader's table calls them, that ours is to cover."""

NOT_OURS = {
    "0x04ac4033",  # listed beside 0x04ac4093 for the same device; no maker has 033
    "0x028040dd",  # Cyclone IV GX
}


def loader_rows() -> list[tuple[int, str, str]]:
    """Return id, family and model of every row; a long family may touch the model."""
    rows = []
    for words in published("openfpgaloader-1.1.1-list-fpga.txt"):
        text = " ".join(words[2:]).replace("10 LPEP", "10 LP EP")
        family, _, model = text.rpartition(" ")
        rows.append((int(words[0], 16), family.lower(), model))
    return rows


def fits(model: str, name: str) -> bool:
    """Tell whether a model of the loader's table ("GW1N(R)-9C", "5CE*A4", "xczu3cg/eg") may be our device."""
    first, *others = model.upper().split("/")
    names = [first, *(other if len(other) > 2 else first[: -len(other)] + other for other in others)]
    patterns = [re.sub(r"\\\((\w)\\\)", r"\1?", re.escape(one)).replace(r"\*", "[A-Z]?") for one in names]
    plain = name.upper()
    return any(re.match(pattern, plain) for pattern in patterns) or any(one.startswith(plain) for one in names)


def ours(maker: str) -> list[Device]:
    return [row for row in DEVICES if row.maker == maker and row.device_id is not None]


@pytest.mark.parametrize("row", [row for row in DEVICES if row.source.startswith("openFPGALoader")])
def test_a_row_said_to_be_the_loaders_is_in_its_table(row: Device) -> None:
    same = [model for device_id, _, model in loader_rows() if device_id == row.device_id]
    assert any(fits(model, row.name) for model in same), (row, same)


def test_every_device_of_the_loaders_families_is_known_here() -> None:
    missing = [
        f"0x{device_id:08x} {family} {model}"
        for device_id, family, model in loader_rows()
        if family.startswith(FAMILIES)
        and f"0x{device_id:08x}" not in NOT_OURS
        and maker_of(device_id)
        and not any(same_but_version(device_id, row.device_id or 0) and fits(model, row.name) for row in DEVICES)
    ]
    assert missing == []


def test_no_id_is_another_devices_in_the_loaders_table() -> None:
    """Wherever both tables have an id, they have it for devices of one name."""
    wrong = [
        (row.name, model)
        for row in DEVICES
        for device_id, _, model in loader_rows()
        if row.device_id is not None
        and same_but_version(device_id, row.device_id)
        and not any(fits(model, other.name) for other in with_id(row.device_id) + with_id(device_id))
    ]
    assert wrong == []


def test_lattice_ids_are_those_of_project_trellis() -> None:
    theirs = {(name, int(device_id, 16)) for name, device_id in published("project-trellis-devices.txt")}
    rows = [row for row in ours("Lattice") if row.source == "Project Trellis device table"]
    assert {(row.name, row.device_id) for row in rows} == theirs


def test_gowin_ids_are_those_apycula_writes() -> None:
    for name, record in published("apycula-0.32-headers.txt"):
        device_id = int(record[8:], 16)
        names = {row.name for row in with_id(device_id)}
        assert names & {name, f"{name}C", name.replace("GW1NS", "GW1NSR") + "C"}, (name, names)


def test_ids_have_the_form_of_the_standard() -> None:
    """IEEE 1149.1: the lowest bit of an id is 1; JEDEC JEP106 gives the seven to eleven bits above it to a maker."""
    for row in DEVICES:
        if row.device_id is None:
            continue
        assert row.device_id & 1, row
        assert maker_of(row.device_id) == row.maker or row.device_id == 1, row  # early Trion chips have 00000001
    assert len(set(MAKERS.values())) == len(MAKERS) == 5


def test_a_xilinx_id_is_compared_without_its_version_and_a_lattice_id_with_it() -> None:
    assert same_id(0x23752093, 0x03752093)
    assert not same_id(0x41111043, 0x21111043)
    assert 0x41111043 & UNVERSIONED == 0x21111043 & UNVERSIONED
    assert not same_id(0x04001093, 0x04002093)


def test_two_devices_share_an_id_only_where_it_is_published_so() -> None:
    """Xilinx: the three kinds of a Zynq UltraScale+ are one die; no others are."""
    for row in ours("Xilinx"):
        assert len({other.name.rstrip("CEGV") for other in with_id(row.device_id or 0)}) == 1, row
