"""Part names as the makers' ordering codes and tools write them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.bitstreams.device import Device
from pipeline.bitstreams.devices import DEVICES, names_of
from pipeline.bitstreams.parts import read_part, same_package
from tests.unit.bitstreams.samples import published

PARTS = [
    # Xilinx DS160, DS180, DS890 "Ordering information", and part texts of real .bit files
    ("XC6SLX9-2TQG144C", ("XC6SLX9",), "TQG144"),
    ("XC6SLX9-3NCSG324C", ("XC6SLX9",), "CSG324"),
    ("XC6SLX16-L1CSG324I", ("XC6SLX16",), "CSG324"),
    ("6slx9tqg144", ("XC6SLX9",), "TQG144"),
    ("6slx45tfgg484", ("XC6SLX45T",), "FGG484"),
    ("XC6SLX45FGG484", ("XC6SLX45",), "FGG484"),
    ("3s500evq100", ("XC3S500E",), "VQ100"),
    ("xc7a35tcpg236-1", ("XC7A35T",), "CPG236"),
    ("XC7A35T-1CPG236C", ("XC7A35T",), "CPG236"),
    ("xc7a35ticsg324-1L", ("XC7A35T",), "CSG324"),
    ("XC7Z020-1CLG400C", ("XC7Z020",), "CLG400"),
    ("xcku040-ffva1156-2-e", ("XCKU040",), "FFVA1156"),
    ("xcvu37p-fsvh2892-2L-e", ("XCVU37P",), "FSVH2892"),
    ("XA6SLX9-2CSG225I", ("XC6SLX9",), "CSG225"),
    ("XC6SLX9", ("XC6SLX9",), ""),
    ("xc6slx9 tqg144", ("XC6SLX9",), "TQG144"),
    ("XC6SLX9-2", ("XC6SLX9",), ""),
    # Lattice FPGA-DS-02012, FPGA-DS-02056, FPGA-DS-02029 "Ordering information", and comments of real bitstreams
    ("LFE5U-25F-6BG381C", ("LFE5U-25F",), "BG381"),
    ("LFE5U-25F-6CABGA381", ("LFE5U-25F",), "CABGA381"),
    ("lfe5u-25f", ("LFE5U-25F",), ""),
    ("LFE5U25F", ("LFE5U-25F",), ""),
    ("LFE5UM5G-45F-8BG381C", ("LFE5UM5G-45F",), "BG381"),
    ("LCMXO2-1200HC-4TG144C", ("LCMXO2-1200HC",), "TG144"),
    ("LCMXO3LF-6900C-5BG256C", ("LCMXO3LF-6900C",), "BG256"),
    ("iCE40HX1K-TQ144", ("iCE40HX1K",), "TQ144"),
    ("HX8K", ("iCE40HX8K",), ""),
    ("ICE40UP5K-SG48ITR", ("iCE40UP5K",), "SG48"),
    # Gowin: the code does not say which version of the die it is
    ("GW1NR-LV9QN88PC6/I5", ("GW1NR-9", "GW1NR-9C"), "QN88P"),
    ("GW1NR-9", ("GW1NR-9", "GW1NR-9C"), ""),
    ("GW1NR-9C", ("GW1NR-9C",), ""),
    ("GW1NSR-LV4CQN48PC7/I6", ("GW1NSR-4C",), "QN48P"),
    # Efinix and Intel: headers and file names of the makers' tools
    ("T8F81", ("T8",), "F81"),
    ("T8F81C2", ("T8",), "F81"),
    ("T120F324I4", ("T120",), "F324"),
    ("Ti60F225", ("Ti60",), "F225"),
    ("EP4CE22F17C6N", ("EP4CE22",), "F17"),
    ("EP4CE115F29C7", ("EP4CE115",), "F29"),
    ("10CL025YU256C8G", ("10CL025",), "YU256"),
    ("5CEBA4F23C7N", ("5CEA4",), "F23"),
    ("5CSEMA5F31C6", ("5CSEA5",), "F31"),
    ("10M50DAF484C7G", ("10M50D",), "AF484"),
]


@pytest.mark.parametrize(("text", "devices", "package"), PARTS)
def test_a_part_is_read_into_device_and_package(text: str, devices: tuple[str, ...], package: str) -> None:
    part = read_part(text)
    assert (names_of(part.devices), part.package) == (devices, package)


@pytest.mark.parametrize(
    "text",
    ["", "x", "TW-40", "XC", "XC3S200AFT256", "XC6SLX9TQG", "XC6SLX999", "LFE5U", "EP4CE22 of a friend", "T8 or so",
     "6slx9tqg144 at home", "A" * 1000, "XC6SLX9\n" * 20],
)  # fmt: skip
def test_what_is_no_known_part_is_not_guessed_at(text: str) -> None:
    """XC3S200A, for one, is another device than XC3S200."""
    part = read_part(text)
    assert (part.devices, part.package) == ((), "")


@pytest.mark.parametrize(("text", "package", "device"), published("apycula-0.32-parts.txt"))
def test_gowin_part_numbers_are_read_as_apycula_lists_them(text: str, package: str, device: str) -> None:
    part = read_part(text)
    assert device in names_of(part.devices)
    assert same_package(part.package, package), part.package


@given(st.sampled_from(DEVICES), st.booleans(), st.booleans())
def test_a_bare_name_is_its_device_however_it_is_written(row: Device, lower: bool, bare: bool) -> None:
    text = row.name.replace("-", "") if bare and row.maker != "Gowin" else row.name
    assert row.name in names_of(read_part(text.lower() if lower else text).devices)


@given(st.text(max_size=80))
def test_any_text_is_read(text: str) -> None:
    part = read_part(text)
    assert bool(part.devices) or not part.package


def test_a_package_is_the_same_however_it_is_written() -> None:
    """Lead-free packages have a G in their letters and the same pins (Xilinx DS160, "Ordering information")."""
    for one, other in (("TQG144", "tq144"), ("CSG324", "CS-324"), ("BG381", "CABGA381"), ("FTG256", "FT256")):
        assert same_package(one, other)
        assert same_package(other, one)
    for one, other in (("TQG144", "CSG144"), ("CSG324", "CSG225"), ("SBG484", "FBG484"), ("F81", "F49")):
        assert not same_package(one, other)
