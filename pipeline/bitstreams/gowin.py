"""Gowin .fs files: text, one record a line, as the digits 0 and 1 of its bytes, highest bit first.

Comment lines begin with "//". After a line ending in A5C3 come records (see ``gowin_records``), among them 06 (86 with
a check) and the 32-bit id the device must have, after three zero bytes. Sources: apycula, doc/commandstructure, checked
against files of gowin_pack; UG290. The comment "//Part Number: GW1NR-LV9QN88PC6/I5" is from memory and not met in a
real file.
"""

from __future__ import annotations

import re

from pipeline.bitstreams.bitstream import Bitstream, weigh
from pipeline.bitstreams.gowin_records import CHECKED, SYNC_WORD, check_records, read_record
from pipeline.bitstreams.parts import FpgaPart, read_part
from pipeline.bitstreams.table_gowin import GOWIN

HEAD = 16_384
"""Bytes in which the id must come: comments and a few short records stand before it."""

START = re.compile(rb"\s*(?://|[01]{8})")
SYNC = "".join(f"{byte:08b}" for byte in SYNC_WORD).encode()
PART = re.compile(rb"^//\s*Part Number:\s*([\w./-]{2,64})", re.MULTILINE)
DEVICE_ID = 0x06
MAKER = 0x81B
MOST_RECORDS = 100
FAMILIES_WITH_CRC = ("GW1N", "GW2A")
"""Families whose frames were seen to carry a CRC; apycula does not check it in GW5A either."""


def identify_gowin(data: bytes) -> Bitstream | None:
    """Return what a Gowin .fs file says, None for anything else."""
    head = data[:HEAD]
    if not START.match(head):
        return None
    sync = re.search(rb"^[01]*" + SYNC + rb"\r?\n", head, re.MULTILINE)
    device_id = _device_id(head[sync.end() :]) if sync else None
    if sync is None or device_id is None:
        return None
    part = PART.search(head[: sync.start()])
    named = weigh(device_id, read_part(part[1].decode("ascii", "replace")) if part else FpgaPart())
    return Bitstream(
        maker=GOWIN,
        format="Gowin .fs file",
        size=len(data),
        family=named.family,
        devices=named.devices,
        device_id=device_id,
        id_mask=named.id_mask,
        package=named.package,
        integrity=check_records(data, sync.end(), has_frame_crc=named.family in FAMILIES_WITH_CRC),
        contradictory=named.contradictory,
    )


def _device_id(text: bytes) -> int | None:
    for line in text.split(b"\n")[:MOST_RECORDS]:
        record = read_record(line)
        if record and record[0] | CHECKED == DEVICE_ID | CHECKED and len(record) == 8:
            device_id = int.from_bytes(record[4:], "big")
            return device_id if device_id & 0xFFF == MAKER and not any(record[1:4]) else None
    return None
