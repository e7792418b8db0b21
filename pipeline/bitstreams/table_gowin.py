"""Device ids of Gowin FPGAs, as their bitstreams carry them.

Sources: apycula 0.32 (MIT), the ``06`` record of each device's stored header; UG290 table of ids for GW1N-4B and
GW2A-55; openFPGALoader 1.1.1 for GW1N-2, GW1NS-2C, GW5AT and the devices with memory in the package ("R"), which have
the id of the same die without it. Loaders that read the id from the chip show 0 as the top digit of some of these.
``o``: met in a file made with open tools, which write what apycula says.
"""

from __future__ import annotations

from pipeline.bitstreams.device import Device, rows

GOWIN = "Gowin"
APYCULA = "apycula 0.32 device headers"
UG290 = "UG290"
LOADER = "openFPGALoader 1.1.1 part table"

DEVICES: tuple[Device, ...] = (
    *rows(
        GOWIN,
        "GW1N",
        APYCULA,
        """
        GW1N-1    =0900281B o
        GW1N-4    =0100381B o
        GW1N-9    =1100581B o
        GW1N-9C   =1100481B o
        GW1NR-9   =1100581B
        GW1NR-9C  =1100481B
        GW1NZ-1   =0100681B o
        GW1NS-4C  =0100981B
        GW1NSR-4C =0100981B o
        """,
    ),
    *rows(
        GOWIN,
        "GW2A",
        APYCULA,
        """
        GW2A-18   =0000081B o
        GW2A-18C  =0000081B
        GW2AR-18  =0000081B
        GW2AR-18C =0000081B
        """,
    ),
    *rows(
        GOWIN,
        "GW5A",
        APYCULA,
        """
        GW5A-25A    =0001281B
        GW5AST-138C =0001081B
        """,
    ),
    *rows(GOWIN, "GW1N", UG290, "GW1N-4B =1100381B"),
    *rows(GOWIN, "GW2A", UG290, "GW2A-55 =0000281B"),
    *rows(
        GOWIN,
        "GW1N",
        LOADER,
        """
        GW1N-2    =0120681B
        GW1NS-2C  =0300181B
        """,
    ),
    *rows(
        GOWIN,
        "GW5AT",
        LOADER,
        """
        GW5AT-15  =0001681B
        GW5AT-60  =0001481B
        GW5AT-138 =0001181B
        """,
    ),
)
