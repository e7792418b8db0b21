"""Xilinx/AMD bitstreams: .bit files, and raw configuration data in four byte orders.

The data begin with FF padding, in newer families a bus-width pattern (000000BB 11220044), and the sync word
AA 99 55 66. Memory files may hold every byte with its bits reversed, some loaders want 32-bit words with their bytes
swapped; the sync word shows which. Sources: UG570 "Bit Swapping" and "Parallel Bus Bit Order", UG380, UG470.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace

from pipeline.bitstreams.bitstream import AS_WRITTEN, Bitstream, NamedDevice, weigh
from pipeline.bitstreams.checksums import REVERSED
from pipeline.bitstreams.integrity import INTACT, TRUNCATED, UNCHECKED, Integrity, after_end, damaged, worst
from pipeline.bitstreams.parts import read_part
from pipeline.bitstreams.table_xilinx import SEVERAL_DIES, XILINX
from pipeline.bitstreams.xilinx_check import SYNC, check_packets
from pipeline.bitstreams.xilinx_header import MAGIC, BitHeader, read_header
from pipeline.bitstreams.xilinx_packets import PacketFindings, find_id

HEAD = 4096
"""Bytes from the start of the data in which the sync word must come."""

BEFORE_SYNC = re.compile(rb"[\xff\x00]*(?:\xbb\x11\x22\x00\x44[\xff\x00]*)?")
"""What may stand before the sync word: padding, and the bus-width pattern."""

HEADER_FIELD = re.compile(rb"b\x00.[\w-]+\x00c\x00|\x0f\xf0\x0f\xf0\x0f\xf0", re.DOTALL)
"""What shows that bytes before the sync word were the header of a .bit file: its field "b", or its magic."""


def _swapped(data: bytes) -> bytes:
    """Return 32-bit words with their bytes in the other order; the last bytes, too few for a word, as they are."""
    whole = len(data) // 4 * 4
    out = bytearray(data)
    for byte in range(4):
        out[byte:whole:4] = data[3 - byte : whole : 4]
    return bytes(out)


ORDERS: dict[str, Callable[[bytes], bytes]] = {
    AS_WRITTEN: bytes,
    "bits of every byte reversed": lambda data: data.translate(REVERSED),
    "bytes of every 32-bit word swapped": _swapped,
    "bits reversed and bytes of every 32-bit word swapped": lambda data: _swapped(data.translate(REVERSED)),
}
"""Byte orders, and what gives the order the device sees; each undoes itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Configuration:
    """Configuration data found: their id, their byte order, their bytes from the sync word on, and its offset."""

    found: PacketFindings
    byte_order: str
    data: bytes
    sync: int


def identify_xilinx(data: bytes) -> Bitstream | None:
    """Return what a .bit file or raw configuration data say, None for anything else."""
    header = read_header(data)
    if header:
        return _bit_file(data, header)
    configuration = _configuration(data, 0)
    if configuration is None:
        return None
    named = weigh(configuration.found.device_id, read_part(""))
    return Bitstream(
        maker=XILINX,
        format="raw Xilinx configuration data",
        size=len(data),
        family=named.family,
        devices=named.devices,
        device_id=configuration.found.device_id,
        id_mask=named.id_mask,
        byte_order=configuration.byte_order,
        integrity=worst((_before(data, configuration), _packets(configuration, named))),
    )


def _bit_file(data: bytes, header: BitHeader) -> Bitstream:
    configuration = _configuration(data, header.data)
    named = weigh(configuration.found.device_id if configuration else None, read_part(header.part))
    declared = None if header.length is None else header.data + header.length
    integrity = _bit_integrity(data, header, configuration, named)
    conflict = named.contradictory
    if not conflict and integrity == INTACT:
        if configuration is None:
            conflict = "its header is a .bit file's, but no configuration data with a device id follow"
        elif declared is not None and declared < len(data):
            conflict = f"its header asks for {declared:,} bytes in all, it has {len(data):,}"
    return Bitstream(
        maker=XILINX,
        format="Xilinx .bit file",
        size=len(data),
        family=named.family,
        devices=named.devices,
        device_id=configuration.found.device_id if configuration else None,
        id_mask=named.id_mask,
        package=named.package,
        byte_order=configuration.byte_order if configuration else AS_WRITTEN,
        declared_size=declared,
        integrity=integrity,
        contradictory=conflict,
    )


def _bit_integrity(
    data: bytes, header: BitHeader, configuration: Configuration | None, named: NamedDevice
) -> Integrity:
    """Return whether a .bit file is whole: its header, its length, and the packets within that length."""
    if header.damage:
        return damaged(f"its header cannot be read: {header.damage}")
    if header.length is None or header.data + header.length > len(data):
        return TRUNCATED
    end = header.data + header.length
    rest = after_end(data, end, MAGIC, SYNC)
    if configuration is None:
        return rest
    within = replace(configuration, data=configuration.data[: end - configuration.sync])
    found = _packets(within, named)
    if found.truncated:
        found = damaged("its configuration does not end within the length that its header gives")
    return worst((rest, found))


def _configuration(data: bytes, start: int) -> Configuration | None:
    """Return the configuration data from ``start`` on."""
    for name, straighten in ORDERS.items():
        sync = data[start : start + HEAD].find(straighten(SYNC))
        if sync < 0:
            continue
        # words are counted from the sync word on, so it decides where a word begins
        straight = straighten(data[start + sync :])
        found = find_id(straight, len(SYNC))
        if found is not None:
            return Configuration(found=found, byte_order=name, data=straight, sync=start + sync)
    return None


def _packets(configuration: Configuration, named: NamedDevice) -> Integrity:
    """Return whether the packets are whole; of a device in no table only a cut counts, since its CRC may be another."""
    found = check_packets(
        configuration.data,
        len(SYNC),
        configuration.found,
        origin=configuration.sync,
        has_dies=any(device in SEVERAL_DIES for device in named.devices),
    )
    return found if named.devices or found.truncated else UNCHECKED


def _before(data: bytes, configuration: Configuration) -> Integrity:
    """Return what the bytes before the sync word of raw data tell: they are padding, or a header was damaged."""
    before = data[: configuration.sync]
    straight = ORDERS[configuration.byte_order](before[configuration.sync % 4 :])
    if BEFORE_SYNC.fullmatch(straight):
        return INTACT
    if HEADER_FIELD.search(before):
        return damaged("its header cannot be read: it is not as a .bit file's begins")
    return Integrity(doubt=f"{configuration.sync:,} bytes of an unknown format come before its data")
