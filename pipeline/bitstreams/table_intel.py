"""Device ids of Intel/Altera FPGAs, and the size of an uncompressed raw binary file (.rbf) where it is published.

A raw binary file carries neither name nor readable id, so its size is all there is. Sources: ids from the part table
of openFPGALoader 1.1.1; Cyclone V sizes from Intel's document 683801, "Configuration Files" (21,061,280, 33,958,560
and 56,167,552 bits for 5CE A2/A4, A5 and A7); Cyclone IV E sizes of EP4CE30, 40 and 75 from the Cyclone IV handbook
from memory (9,534,304 and 19,965,752 bits); a Cyclone 10 LP has the size of the Cyclone IV E with its id. ``v``: the
size was met in a file made by the maker's tools, named for the device.
Cyclone V names stand without their package letters: 5CEA4 for 5CEBA4 and 5CEFA4.
"""

from __future__ import annotations

from pipeline.bitstreams.device import Device, rows

INTEL = "Intel"
LOADER = "openFPGALoader 1.1.1 part table"
MEMORY = "from memory"

DEVICES: tuple[Device, ...] = (
    *rows(
        INTEL,
        "Cyclone III",
        LOADER,
        """
        EP3C5   =020F10DD
        EP3C10  =020F10DD
        EP3C16  =020F20DD
        EP3C25  =020F30DD
        EP3C40  =020F40DD
        EP3C55  =020F50DD
        EP3C80  =020F60DD
        EP3C120 =020F70DD
        """,
    ),
    *rows(
        INTEL,
        "Cyclone IV E",
        LOADER,
        """
        EP4CE6   =020F10DD #368011 v
        EP4CE10  =020F10DD #368011 v
        EP4CE15  =020F20DD #510856 v
        EP4CE22  =020F30DD #718569 v
        EP4CE30  =020F40DD #1191788
        EP4CE55  =020F50DD #1861195
        EP4CE75  =020F60DD #2495719
        EP4CE115 =020F70DD #3571462 v
        """,
    ),
    *rows(
        INTEL,
        "Cyclone 10 LP",
        LOADER,
        """
        10CL016 =020F20DD #510856 v
        10CL025 =020F30DD #718569 v
        10CL055 =020F50DD #1861195 v
        10CL080 =020F60DD #2495719
        10CL120 =020F70DD #3571462
        """,
    ),
    *rows(INTEL, "Cyclone IV E", MEMORY, "EP4CE40 =020F40DD #1191788"),
    *rows(
        INTEL,
        "Cyclone 10 LP",
        MEMORY,
        """
        10CL006 =020F10DD #368011 v
        10CL010 =020F10DD #368011
        10CL040 =020F40DD #1191788
        """,
    ),
    *rows(INTEL, "Cyclone II", LOADER, "EP2C5 =020B10DD"),
    *rows(
        INTEL,
        "Cyclone V",
        LOADER,
        """
        5CEA2  =02B150DD #2632660 v
        5CEA4  =02B050DD #2632660 v
        5CEA5  =02B220DD #4244820 v
        5CEA7  =02B130DD #7020944
        5CEA9  =02B140DD #12858972 v
        5CGXC3 =02B010DD
        5CGXC4 =02B120DD
        5CGXC5 =02B020DD
        5CGXC7 =02B030DD
        5CGXC9 =02B040DD
        5CGTD5 =02B020DD
        5CGTD7 =02B030DD
        5CGTD9 =02B040DD
        5CSEA2 =02D110DD
        5CSEA4 =02D010DD
        5CSEA5 =02D120DD
        5CSEA6 =02D020DD
        5CSXC2 =02D110DD
        5CSXC4 =02D010DD
        5CSXC5 =02D120DD
        5CSXC6 =02D020DD
        5CSTD5 =02D120DD
        """,
    ),
    *rows(INTEL, "Stratix V", LOADER, "5SGSD5 =029070DD #26724860 v"),
    *rows(
        INTEL,
        "MAX 10",
        LOADER,
        """
        10M02S =031810DD
        10M08S =031820DD
        10M16S =031830DD
        10M25S =031840DD
        10M40S =0318D0DD
        10M50S =031850DD
        10M50D =031050DD
        """,
    ),
)
