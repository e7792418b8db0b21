"""Device ids of Xilinx/AMD FPGAs; the version (the top digit) varies and is written as published.

Sources: UG380 (Spartan-6 configuration guide), table 5-13; for the other families the part table of openFPGALoader
1.1.1 (Apache-2.0), as its ``--list-fpga`` prints it. Spartan-3 and 3E: UG332 from memory; 3S200, 3S250E and 3S500E
agree with openFPGALoader. ``v``: read from a bitstream made by the maker's tools whose header names the same part.
"""

from __future__ import annotations

from pipeline.bitstreams.device import Device, rows

XILINX = "Xilinx"
UG332 = "UG332, from memory"
UG380 = "UG380 table 5-13"
LOADER = "openFPGALoader 1.1.1 part table"

DEVICES: tuple[Device, ...] = (
    *rows(
        XILINX,
        "Spartan-3",
        UG332,
        """
        XC3S50   =0140C093
        XC3S200  =01414093
        XC3S400  =0141C093
        XC3S1000 =01428093
        XC3S1500 =01434093
        XC3S2000 =01440093
        XC3S4000 =01448093
        XC3S5000 =01450093
        """,
    ),
    *rows(
        XILINX,
        "Spartan-3E",
        UG332,
        """
        XC3S100E  =01C10093
        XC3S250E  =01C1A093
        XC3S500E  =01C22093 v
        XC3S1200E =01C2E093
        XC3S1600E =01C3A093
        """,
    ),
    *rows(
        XILINX,
        "Spartan-6",
        UG380,
        """
        XC6SLX4    =04000093
        XC6SLX9    =04001093 v
        XC6SLX16   =04002093 v
        XC6SLX25   =04004093 v
        XC6SLX25T  =04024093 v
        XC6SLX45   =04008093 v
        XC6SLX45T  =04028093 v
        XC6SLX75   =0400E093
        XC6SLX75T  =0402E093
        XC6SLX100  =04011093 v
        XC6SLX100T =04031093
        XC6SLX150  =0401D093
        XC6SLX150T =0403D093 v
        """,
    ),
    *rows(XILINX, "Virtex-6", LOADER, "XC6VLX130T =8424A093 v"),
    *rows(
        XILINX,
        "Spartan-7",
        LOADER,
        """
        XC7S6   =03622093 v
        XC7S15  =03620093 v
        XC7S25  =037C4093 v
        XC7S50  =0362F093 v
        XC7S75  =037C8093 v
        XC7S100 =037C7093 v
        """,
    ),
    *rows(
        XILINX,
        "Artix-7",
        LOADER,
        """
        XC7A12T  =037C3093 v
        XC7A15T  =0362E093 v
        XC7A25T  =037C2093 v
        XC7A35T  =0362D093 v
        XC7A50T  =0362C093 v
        XC7A75T  =03632093 v
        XC7A100T =03631093 v
        XC7A200T =03636093 v
        """,
    ),
    *rows(
        XILINX,
        "Kintex-7",
        LOADER,
        """
        XC7K70T  =03647093 v
        XC7K160T =0364C093 v
        XC7K325T =03651093 v
        XC7K355T =03747093
        XC7K410T =03656093
        XC7K420T =23752093 v
        XC7K480T =23751093 v
        """,
    ),
    *rows(
        XILINX,
        "Virtex-7",
        LOADER,
        """
        XC7V585T   =03671093
        XC7V2000T  =036B3093
        XC7VX330T  =03667093 v
        XC7VX415T  =03682093
        XC7VX485T  =03687093
        XC7VX550T  =03692093
        XC7VX690T  =33691093
        XC7VX980T  =03696093
        XC7VX1140T =036D5093
        XC7VH580T  =036D9093
        XC7VH870T  =036DB093
        """,
    ),
    *rows(
        XILINX,
        "Zynq-7000",
        LOADER,
        """
        XC7Z007S =13723093
        XC7Z010  =03722093
        XC7Z020  =03727093
        XC7Z030  =1372C093
        XC7Z045  =23731093
        XC7Z100  =03736093
        """,
    ),
    *rows(
        XILINX,
        "UltraScale",
        LOADER,
        """
        XCKU035 =13823093
        XCKU040 =13822093 v
        XCKU060 =13919093 v
        XCKU115 =1390D093
        XCVU095 =03842093
        """,
    ),
    *rows(
        XILINX,
        "UltraScale+",
        LOADER,
        """
        XCAU10P  =04AC4093
        XCAU15P  =04AC2093 v
        XCAU20P  =04A65093
        XCAU25P  =04A64093
        XCKU3P   =04A63093 v
        XCKU5P   =04A62093 v
        XCKU9P   =0484A093
        XCKU11P  =04A4E093
        XCKU11P  =04A51093
        XCKU13P  =04A52093
        XCKU15P  =04A56093
        XCKU15P  =04A59093
        XCKU19P  =04ACF093
        XCKU19P  =04AD3093
        XCSU10P  =04E81093
        XCSU25P  =04E82093
        XCSU35P  =04E80093
        XCSU45P  =04EB1093
        XCSU55P  =04E90093
        XCSU60P  =04EB2093
        XCSU65P  =04E99093
        XCSU100P =04E98093
        XCSU150P =04EA1093
        XCSU200P =04EA0093
        XCVU2P   =04AEA093
        XCVU3P   =04B39093
        XCVU3P   =04B3D093
        XCVU5P   =04B2B093
        XCVU5P   =04B2F093
        XCVU7P   =04B29093
        XCVU7P   =04B2D093
        XCVU9P   =04B31093 v
        XCVU9P   =04B35093
        XCVU11P  =04B49093
        XCVU11P  =04B4F093
        XCVU13P  =04B51093
        XCVU13P  =04B55093
        XCVU15P  =04BA3093
        XCVU19P  =04BA1093
        XCVU19P  =04BA5093
        XCVU37P  =14B79093 v
        """,
    ),
    *rows(
        XILINX,
        "Zynq UltraScale+",
        LOADER,
        """
        XCZU2CG  =04711093
        XCZU2EG  =04711093
        XCZU3CG  =04710093
        XCZU3EG  =04710093
        XCZU4CG  =04721093
        XCZU4EG  =04721093
        XCZU4EV  =04721093
        XCZU5CG  =04720093
        XCZU5EG  =04720093
        XCZU5EV  =04720093
        XCZU6CG  =04739093
        XCZU6EG  =04739093
        XCZU7CG  =04730093
        XCZU7EG  =04730093
        XCZU7EV  =04730093
        XCZU9EG  =04738093
        XCZU11EG =04740093
        XCZU15EG =04750093
        XCZU17EG =04759093
        XCZU19EG =04758093
        XCZU21DR =047E1093
        XCZU25DR =047E5093
        XCZU27DR =047E4093
        XCZU28DR =047E0093
        XCZU29DR =047E2093
        XCZU39DR =047E6093
        XCZU43DR =047FD093
        XCZU46DR =047F8093
        XCZU47DR =047FF093
        XCZU48DR =047FB093
        XCZU49DR =047FE093
        """,
    ),
)

SEVERAL_DIES = frozenset({"XCKU115", "XCVU5P", "XCVU7P", "XCVU9P", "XCVU11P", "XCVU13P", "XCVU19P", "XCVU37P"})
"""Devices whose data hold those of more dies: XCVU9P and XCVU37P as met, the others from memory."""
