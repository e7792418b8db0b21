"""Device ids of Lattice ECP5, MachXO2 and MachXO3, and the dies of iCE40, which carries no id.

Source of the ids: device table of Project Trellis (``devices.json`` of its database, ISC licence), for one of them the
part table of openFPGALoader 1.1.1; here the top digit tells devices apart. Source of the iCE40 dies: bank width x
height on the "bitstream format" page of Project IceStorm, and which devices nextpnr 0.11.1 gives the same ones. ``o``:
met in a file made with open tools, which write what these tables say, so such a file proves the format, not the number.
"""

from __future__ import annotations

from pipeline.bitstreams.device import Device, rows

LATTICE = "Lattice"
TRELLIS = "Project Trellis device table"
LOADER = "openFPGALoader 1.1.1 part table"
ICESTORM = "Project IceStorm format page"

DEVICES: tuple[Device, ...] = (
    *rows(
        LATTICE,
        "ECP5",
        TRELLIS,
        """
        LFE5U-12F    =21111043 o
        LFE5U-25F    =41111043 o
        LFE5U-45F    =41112043 o
        LFE5U-85F    =41113043 o
        LFE5UM-25F   =01111043 o
        LFE5UM-45F   =01112043 o
        LFE5UM-85F   =01113043 o
        LFE5UM5G-25F =81111043 o
        LFE5UM5G-45F =81112043 o
        LFE5UM5G-85F =81113043 o
        """,
    ),
    *rows(
        LATTICE,
        "MachXO2",
        TRELLIS,
        """
        LCMXO2-256ZE   =012B0043
        LCMXO2-256HC   =012B8043
        LCMXO2-640ZE   =012B1043
        LCMXO2-640HC   =012B9043
        LCMXO2-640UHC  =012BA043 o
        LCMXO2-1200ZE  =012B2043 o
        LCMXO2-1200HC  =012BA043 o
        LCMXO2-1200UHC =012BB043
        LCMXO2-2000ZE  =012B3043
        LCMXO2-2000HE  =012B3043
        LCMXO2-2000HC  =012BB043
        LCMXO2-2000UHE =012B4043
        LCMXO2-2000UHC =012BC043
        LCMXO2-4000ZE  =012B4043
        LCMXO2-4000HE  =012B4043
        LCMXO2-4000HC  =012BC043
        LCMXO2-4000UHC =012BD043
        LCMXO2-7000ZE  =012B5043
        LCMXO2-7000HE  =012B5043
        LCMXO2-7000HC  =012BD043
        """,
    ),
    *rows(
        LATTICE,
        "MachXO3",
        TRELLIS,
        """
        LCMXO3L-640E   =C12B2043
        LCMXO3L-1300E  =412B2043
        LCMXO3L-1300E  =C12B3043
        LCMXO3L-1300C  =C12BB043
        LCMXO3L-2100E  =412B3043
        LCMXO3L-2100E  =C12B4043
        LCMXO3L-2100C  =412BB043
        LCMXO3L-2100C  =C12BC043
        LCMXO3L-4300E  =412B4043
        LCMXO3L-4300C  =412BC043
        LCMXO3L-4300C  =C12BD043
        LCMXO3L-6900E  =412B5043
        LCMXO3L-6900C  =412BD043
        LCMXO3L-9400E  =412B6043
        LCMXO3L-9400C  =412BE043
        LCMXO3LF-1300E =612B2043
        LCMXO3LF-1300E =E12B3043
        LCMXO3LF-1300C =E12BB043
        LCMXO3LF-2100E =612B3043
        LCMXO3LF-2100E =E12B4043
        LCMXO3LF-2100C =612BB043
        LCMXO3LF-2100C =E12BC043
        LCMXO3LF-4300E =612B4043
        LCMXO3LF-4300C =612BC043
        LCMXO3LF-4300C =E12BD043
        LCMXO3LF-6900E =612B5043
        LCMXO3LF-6900C =612BD043
        LCMXO3LF-9400E =612B6043
        LCMXO3LF-9400C =612BE043
        """,
    ),
    *rows(LATTICE, "MachXO3", LOADER, "LCMXO3LF-640E =E12B2043"),
    *rows(
        LATTICE,
        "iCE40",
        ICESTORM,
        """
        iCE40LP384 :182x80  o
        iCE40LP1K  :332x144 o
        iCE40HX1K  :332x144 o
        iCE40LP4K  :872x272 o
        iCE40HX4K  :872x272 o
        iCE40LP8K  :872x272 o
        iCE40HX8K  :872x272 o
        iCE40UP3K  :692x336 o
        iCE40UP5K  :692x336 o
        iCE5LP1K   :692x176 o
        iCE5LP2K   :692x176 o
        iCE5LP4K   :692x176 o
        """,
    ),
)
