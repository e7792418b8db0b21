"""One FPGA of the published tables, and how a table is written."""

from __future__ import annotations

from dataclasses import dataclass

VENDOR_FILE = "vendor file"
OPEN_FILE = "open tool's file"


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """An FPGA as its maker calls it, without package and speed.

    ``device_id``: the 32-bit IDCODE of IEEE 1149.1 (version, part, manufacturer, 1), None where none is known.
    ``die``: what one bitstream format can tell apart where it carries no id ("332x144"). ``size``: of an
    uncompressed raw file in bytes, 0 where it is not known or not constant. ``source``: who publishes the row.
    ``seen``: the row was met in a real file, made by the maker's own tools ("vendor file") or by open ones
    ("open tool's file"); "" for a row that is only published.
    """

    maker: str
    family: str
    name: str
    source: str
    device_id: int | None = None
    die: str = ""
    size: int = 0
    seen: str = ""


def rows(maker: str, family: str, source: str, table: str) -> tuple[Device, ...]:
    """Return the devices of a table: one a line, its name, then any of these.

    ``=`` and an id of eight hexadecimal digits, ``:`` and a die, ``#`` and a size in bytes, ``v`` (met in a vendor
    file), ``o`` (met in an open tool's file). A name stands once for each id it has.
    """
    return tuple(_row(maker, family, source, *line.split()) for line in table.splitlines() if line.strip())


def _row(maker: str, family: str, source: str, name: str, *facts: str) -> Device:
    given = {fact[0]: fact[1:] for fact in facts}
    return Device(
        maker=maker,
        family=family,
        name=name,
        source=source,
        device_id=int(given["="], 16) if "=" in given else None,
        die=given.get(":", ""),
        size=int(given.get("#", "0")),
        seen=VENDOR_FILE if "v" in given else OPEN_FILE if "o" in given else "",
    )
