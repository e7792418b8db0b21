"""Device ids of Efinix FPGAs. Their bitstreams carry the name and no id; the id helps where a board states it.

Source: part table of openFPGALoader 1.1.1 (T8 and T20 have another id in some packages, so they stand twice; Ti60 was
also sold as an engineering sample). Ti90, Ti120 and T4's other packages: names only, from memory.
``v``: named in a bitstream made by the maker's tools. Sizes: bytes of a bitstream with its header, measured on T8F81,
T13F256 and T120F324 (openfpgaloader 1.1.1.0); devices with one id have one die, so one size.
"""

from __future__ import annotations

from pipeline.bitstreams.device import Device, rows

EFINIX = "Efinix"
LOADER = "openFPGALoader 1.1.1 part table"

DEVICES: tuple[Device, ...] = (
    *rows(
        EFINIX,
        "Trion",
        LOADER,
        """
        T4   =00000001 #173380
        T8   =00000001 #173380 v
        T8   =00210A79 #609770 v
        T13  =00210A79 #609770 v
        T20  =00210A79 #609770
        T20  =00240A79
        T35  =00240A79
        T55  =00220A79 #3550357
        T85  =00220A79 #3550357
        T120 =00220A79 #3550357 v
        """,
    ),
    *rows(
        EFINIX,
        "Titanium",
        LOADER,
        """
        Ti35  =00661A79
        Ti60  =00360A79 v
        Ti60  =00660A79 v
        Ti180 =00690A79 v
        """,
    ),
    *rows(EFINIX, "Titanium", "from memory", "Ti90\nTi120"),
)
