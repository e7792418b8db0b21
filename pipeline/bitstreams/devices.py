"""All published devices, by id, by die and by the size of a raw file."""

from __future__ import annotations

from collections.abc import Iterable

from pipeline.bitstreams import table_efinix, table_gowin, table_intel, table_lattice, table_xilinx
from pipeline.bitstreams.device import Device
from pipeline.bitstreams.table_efinix import EFINIX
from pipeline.bitstreams.table_gowin import GOWIN
from pipeline.bitstreams.table_intel import INTEL
from pipeline.bitstreams.table_lattice import LATTICE
from pipeline.bitstreams.table_xilinx import XILINX

DEVICES: tuple[Device, ...] = (
    *table_xilinx.DEVICES,
    *table_lattice.DEVICES,
    *table_gowin.DEVICES,
    *table_efinix.DEVICES,
    *table_intel.DEVICES,
)

MAKERS = {0x093: XILINX, 0x043: LATTICE, 0x81B: GOWIN, 0xA79: EFINIX, 0x0DD: INTEL}
"""The low 12 bits of an id (IEEE 1149.1: manufacturer, then 1) and whose they are (JEDEC JEP106)."""

WHOLE = 0xFFFF_FFFF
UNVERSIONED = 0x0FFF_FFFF

LESS = (0, 20)
"""Bytes by which a raw file may be shorter than published: a real 5CEA2 file of the maker's tools is 20 bytes short."""


def maker_of(device_id: int) -> str:
    """Return whose device an id is by its low 12 bits, "" for a maker without a table here."""
    return MAKERS.get(device_id & 0xFFF, "")


def mask_of(device_id: int) -> int:
    """Return the bits of an id that tell devices apart.

    A Xilinx device does not compare the version digit (UG380, UG470, UG570, "device ID check"); in Lattice ids that
    digit separates devices (ECP5 and MachXO3 rows of the Project Trellis device table).
    """
    return UNVERSIONED if maker_of(device_id) == XILINX else WHOLE


def same_id(first: int, second: int) -> bool:
    """Tell whether two ids are one device's."""
    mask = mask_of(first) & mask_of(second)
    return first & mask == second & mask


def same_but_version(first: int, second: int) -> bool:
    """Tell whether two ids are one device's, or those of two versions of a Gowin die.

    Bitstreams of Gowin devices carry the version digit, loaders that read the chip's id often leave it out.
    """
    gowin = maker_of(first) == maker_of(second) == GOWIN
    return same_id(first, second) or (gowin and first & UNVERSIONED == second & UNVERSIONED)


def with_id(device_id: int) -> tuple[Device, ...]:
    """Return the devices that have an id, in table order."""
    return tuple(device for device in DEVICES if device.device_id is not None and same_id(device.device_id, device_id))


def with_die(maker: str, die: str) -> tuple[Device, ...]:
    """Return the devices of a die ("332x144"), none for ""."""
    return tuple(device for device in DEVICES if device.maker == maker and device.die and device.die == die)


def with_size(maker: str, size: int) -> tuple[Device, ...]:
    """Return the devices whose uncompressed raw file has this size in bytes."""
    return tuple(device for device in DEVICES if device.maker == maker and device.size and device.size - size in LESS)


def names_of(devices: Iterable[Device]) -> tuple[str, ...]:
    """Return the devices' names, each once, in table order."""
    return tuple(dict.fromkeys(device.name for device in devices))
