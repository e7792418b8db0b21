"""The FPGA a board's manifest names, looked up in the published tables."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.bitstreams.device import Device
from pipeline.bitstreams.devices import maker_of, names_of, same_but_version, with_id
from pipeline.bitstreams.parts import read_part
from pipeline.model.manifest import Fpga

UNLISTED = "a maker without a table here"


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardFpga:
    """``text``: for people. ``maker``: "" where nothing is known. ``ids``: those it may have, as published or stated.

    ``rows``: the table rows of what it may be. ``divided``: its part and its device id name different FPGAs.
    """

    text: str
    maker: str = ""
    ids: tuple[int, ...] = ()
    rows: tuple[Device, ...] = ()
    package: str = ""
    divided: bool = False

    @property
    def devices(self) -> tuple[str, ...]:
        """The names of what it may be."""
        return names_of(self.rows)


def read_board(fpga: Fpga | None) -> BoardFpga:
    """Return what a board's FPGA is: by its part, and by its device id where the manifest states one.

    None stands for a manifest that names no FPGA. An id that is stated decides over those of the part. A part in no
    table without an id leaves the FPGA unknown.
    """
    if fpga is None:
        return BoardFpga(text="")
    part = read_part(fpga.part)
    package = fpga.package or part.package
    text = f"{fpga.part} ({fpga.package})" if fpga.package else fpga.part
    ids = tuple(dict.fromkeys(row.device_id for row in part.devices if row.device_id is not None))
    if fpga.device_id is None:
        maker = part.devices[0].maker if part.devices else ""
        return BoardFpga(text=text, maker=maker, ids=ids, rows=part.devices, package=package)
    stated = with_id(fpga.device_id)
    maker = stated[0].maker if stated else maker_of(fpga.device_id) or UNLISTED
    agrees = not ids or any(same_but_version(own, fpga.device_id) for own in ids)
    divided = bool(part.devices) and (part.devices[0].maker != maker or not agrees)
    return BoardFpga(
        text=f"{text}, device id 0x{fpga.device_id:08X}",
        maker=maker,
        ids=(fpga.device_id, *ids) if divided else (fpga.device_id,),
        rows=(*stated, *part.devices) if divided else part.devices or stated,
        package=package,
        divided=divided,
    )
