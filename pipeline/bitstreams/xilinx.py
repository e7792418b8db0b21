"""Xilinx/AMD bitstreams: .bit files, and raw configuration data in four byte orders.

The data begin with FF padding, in newer families a bus-width pattern (000000BB 11220044), and the sync word
AA 99 55 66. Memory files may hold every byte with its bits reversed, some loaders want 32-bit words with their bytes
swapped; the sync word shows which. Sources: UG570 "Bit Swapping" and "Parallel Bus Bit Order", UG380, UG470.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from pipeline.bitstreams.bitstream import AS_WRITTEN, Bitstream, weigh
from pipeline.bitstreams.parts import read_part
from pipeline.bitstreams.table_xilinx import XILINX
from pipeline.bitstreams.xilinx_header import BitHeader, read_header
from pipeline.bitstreams.xilinx_packets import Walk, walk

SYNC = bytes.fromhex("AA995566")
DESYNC = (bytes.fromhex("30008001 0000000D"), bytes.fromhex("30A1 000D"))
HEAD = 4096
"""Bytes from the start of the data in which the sync word must come."""

MOST_DIES = 8
FILLER = (b"\xff" * 4, b"\x20\0\0\0", b"\0" * 4, b"\0\0\0\xbb", b"\x11\x22\0\x44")
REVERSED = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))


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
    """Configuration data found: their id, their byte order, and whether they end before DESYNC."""

    device_id: int
    byte_order: str
    truncated: bool


def identify_xilinx(data: bytes) -> Bitstream | None:
    """Return what a .bit file or raw configuration data say, None for anything else."""
    header = read_header(data)
    if header:
        return _bit_file(data, header)
    found = _configuration(data, 0, to_end=True)
    if found is None:
        return None
    named = weigh(found.device_id, read_part(""))
    return Bitstream(
        maker=XILINX,
        format="raw Xilinx configuration data",
        size=len(data),
        family=named.family,
        devices=named.devices,
        device_id=found.device_id,
        id_mask=named.id_mask,
        byte_order=found.byte_order,
        truncated=found.truncated,
    )


def _bit_file(data: bytes, header: BitHeader) -> Bitstream:
    found = None if header.length is None else _configuration(data, header.data, to_end=False)
    part = read_part(header.part)
    named = weigh(found.device_id if found else None, part)
    declared = None if header.length is None else header.data + header.length
    short = not header.damaged and (declared is None or declared > len(data))
    conflict = named.contradictory
    if not conflict and not short and found is None:
        conflict = "its header is a .bit file's, but no configuration data with a device id follow"
    elif not conflict and declared is not None and declared < len(data):
        conflict = f"its header asks for {declared:,} bytes in all, it has {len(data):,}"
    return Bitstream(
        maker=XILINX,
        format="Xilinx .bit file",
        size=len(data),
        family=named.family,
        devices=named.devices,
        device_id=found.device_id if found else None,
        id_mask=named.id_mask,
        package=named.package,
        byte_order=found.byte_order if found else AS_WRITTEN,
        declared_size=declared,
        truncated=short,
        contradictory=conflict,
    )


def _configuration(data: bytes, start: int, *, to_end: bool) -> Configuration | None:
    """Return the configuration data from ``start`` on; ``to_end``: also look whether they are whole."""
    for name, straighten in ORDERS.items():
        sync = data[start : start + HEAD].find(straighten(SYNC))
        if sync < 0:
            continue
        # words are counted from the sync word on, so it decides where a word begins
        straight = straighten(data[start + sync :])
        found = walk(straight, len(SYNC), to_end=False)
        if found.device_id is not None:
            cut = to_end and not _ends_well(straight) and _runs_out(straight)
            return Configuration(device_id=found.device_id, byte_order=name, truncated=cut)
    return None


def _ends_well(data: bytes) -> bool:
    """Tell whether nothing but padding stands between the last DESYNC and the end of the data."""
    tail = data[-HEAD:]
    last, size = max((tail.rfind(command), len(command)) for command in DESYNC)
    return last >= 0 and not tail[last + size :].strip(b"\xff\x20\0")


def _runs_out(data: bytes) -> bool:
    """Tell whether the packets end before DESYNC; devices of several dies have one after the other in a file."""
    position = 0
    for _ in range(MOST_DIES):
        if data[position : position + len(SYNC)] != SYNC:
            break
        found = walk(data, position + len(SYNC), to_end=True)
        if found.end is None or found.ran_out:
            return found.ran_out
        position = _after_filler(data, found)
    return False


def _after_filler(data: bytes, found: Walk) -> int:
    position = found.end or 0
    limit = position + HEAD
    while position < limit and data[position : position + 4] in FILLER:
        position += 4
    return position
