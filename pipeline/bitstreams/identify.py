"""Which FPGA a file is for, from the file alone."""

from __future__ import annotations

from pipeline.bitstreams.bitstream import Bitstream
from pipeline.bitstreams.efinix import identify_efinix
from pipeline.bitstreams.gowin import identify_gowin
from pipeline.bitstreams.ice40 import identify_ice40
from pipeline.bitstreams.intel import identify_container, identify_raw
from pipeline.bitstreams.lattice import identify_lattice
from pipeline.bitstreams.xilinx import identify_xilinx

FORMATS = (
    identify_container,
    identify_xilinx,
    identify_lattice,
    identify_gowin,
    identify_efinix,
    identify_ice40,
    identify_raw,
)
"""In the order they are tried: the strongest marks first, those that hardly are marks last."""


def identify(data: bytes) -> Bitstream | None:
    """Return what a bitstream says of itself, None for a file that is none of a kind known here.

    Packed files (gzip, ZIP) are not unpacked. Any bytes will do; nothing is raised.
    """
    return next(filter(None, (read(data) for read in FORMATS)), None)
