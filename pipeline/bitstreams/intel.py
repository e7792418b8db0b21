"""Intel/Altera configuration files, of which little is published.

A raw binary file (.rbf) has no header, name or readable id. Its start, as found in 15 files of the maker's tools: 32
bytes FF then 6A F7 F7 F7 F7 F7 F7 F3 FB (9 of 9 for Cyclone IV E and 10 LP), or 128 bytes FF then 6A 6A 6A 6A (6 of 6
for Cyclone V and Stratix V). Its size is the device's where it is not compressed (see ``table_intel``), and then it is
the size of every device of that class.
.sof and .pof begin with "SOF" or "POF" and NUL; a .pof goes on with a u32, the number of records as u32, and records of
a u16 tag, a u32 length (all little-endian) and bytes; tag 2 is the part. Source: openFPGALoader's reader of .pof files;
no real file was met, and that a .sof has the same records is from memory.
"""

from __future__ import annotations

from pipeline.bitstreams.bitstream import DEVICE, SIZE_CLASS, Bitstream, weigh
from pipeline.bitstreams.devices import names_of, with_size
from pipeline.bitstreams.integrity import INTACT, TRUNCATED, Integrity, after_end
from pipeline.bitstreams.parts import FpgaPart, read_part
from pipeline.bitstreams.table_intel import INTEL

STARTS = {
    b"\xff" * 32 + bytes.fromhex("6AF7F7F7F7F7F7F3FB"): ("Cyclone III", "Cyclone IV E", "Cyclone 10 LP"),
    b"\xff" * 128 + b"\x6a" * 4: ("Cyclone V", "Stratix V"),
}
"""How a raw binary file begins, and the families that begin so."""

CONTAINERS = {b"SOF\0": "Intel .sof file", b"POF\0": "Intel .pof file"}
COUNT, FIRST_RECORD = 8, 12
PART_TAG = 2
NO_SIZE = "its size is that of no known device: it is cut short, or compressed"


def identify_container(data: bytes) -> Bitstream | None:
    """Return what a .sof or .pof file says, None for anything else."""
    kind = CONTAINERS.get(data[:4])
    if kind is None:
        return None
    part, integrity = _follow(data)
    named = weigh(None, part)
    return Bitstream(
        maker=INTEL,
        format=kind,
        size=len(data),
        family=named.family,
        devices=named.devices,
        package=named.package,
        integrity=integrity,
        precision=DEVICE,
    )


def identify_raw(data: bytes) -> Bitstream | None:
    """Return what can be said of a raw binary file, None for a file that does not begin like one."""
    families = next((families for start, families in STARTS.items() if data.startswith(start)), None)
    if families is None:
        return None
    devices = tuple(device for device in with_size(INTEL, len(data)) if device.family in families)
    return Bitstream(
        maker=INTEL,
        format="Intel raw binary file",
        size=len(data),
        family=" or ".join(families),
        devices=names_of(devices),
        integrity=INTACT if devices else Integrity(doubt=NO_SIZE),
        precision=SIZE_CLASS,
    )


def _follow(data: bytes) -> tuple[FpgaPart, Integrity]:
    """Return the part that the records name, and whether there are as many records as the file announces."""
    position, part = FIRST_RECORD, FpgaPart()
    short = TRUNCATED if data.startswith(b"POF") else Integrity(doubt="it ends before its records do")
    for _ in range(int.from_bytes(data[COUNT : COUNT + 4], "little")):
        tag = int.from_bytes(data[position : position + 2], "little")
        length = int.from_bytes(data[position + 2 : position + 6], "little")
        position += 6
        if position + length > len(data):
            return part, short
        if tag == PART_TAG:
            part = read_part(data[position : position + length].rstrip(b"\0").decode("ascii", "replace"))
        position += length
    return part, after_end(data, position) if len(data) >= FIRST_RECORD else short
