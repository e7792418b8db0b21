"""What a person is told of a bitstream for a board's FPGA."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.bitstreams.bitstream import DIE_CLASS, SIZE_CLASS, Bitstream
from pipeline.bitstreams.device import Device
from pipeline.bitstreams.devices import DEVICES
from pipeline.bitstreams.identify import identify
from pipeline.bitstreams.integrity import INTACT, TRUNCATED, UNCHECKED, Integrity, damaged
from pipeline.bitstreams.verdict import HINTS, BitstreamVerdict, judge
from pipeline.model.manifest import Fpga
from tests.unit.bitstreams.samples import made, wheel

WRONG_HINT = (
    "take the bitstream made for the board's FPGA; another one's pins may drive against outputs of other chips, which "
    "can damage both, and not every FPGA refuses it"
)
CUT_HINT = (
    "get the whole file again; part of a configuration can leave pins driving against other chips, which can damage "
    "both, and not every FPGA notices that the rest is missing"
)
PACKAGE_HINT = (
    "take the one made for the board's package: the FPGA does not refuse this one, but its pins are elsewhere"
)
DIE_HINT = "make sure by hand that it is for this very board; the file cannot tell"
ID_HINT = "state the FPGA's part as printed on it, or its device-id, in the board's manifest"
HAND_HINT = "make sure by hand that it is for this very board"
DISAGREE_HINT = "ask whoever made it; until then rely neither on its header nor on its name"
UNJUDGED_HINT = "make sure by hand that it is the bitstream for this very board, and unpacked"
NO_HINT = "make sure that it is the bitstream, and unpacked"


def verdict(name: str, text: str, hint: str) -> BitstreamVerdict:
    return BitstreamVerdict(name=name, text=text, hint=hint)


def on(data: bytes, part: str, package: str = "", device_id: int | None = None) -> BitstreamVerdict:
    return judge(identify(data), Fpga(part=part, package=package, device_id=device_id))


SLX9 = "xc6slx9tqg144.bit"

REAL = [
    # file of the wheel, part, package, device id, verdict, text, hint
    (SLX9, "XC6SLX9", "TQ144", None, "right device",
     "it is for XC6SLX9 (TQG144); the board's FPGA is XC6SLX9 (TQ144)", ""),
    (SLX9, "XC6SLX9-2TQG144C", "", None, "right device",
     "it is for XC6SLX9 (TQG144); the board's FPGA is XC6SLX9-2TQG144C", ""),
    (SLX9, "XC6SLX9", "", None, "right device", "it is for XC6SLX9 (TQG144); the board's FPGA is XC6SLX9", ""),
    (SLX9, "U7 of the board", "", 0x24001093, "right device",
     "it is for XC6SLX9 (TQG144); the board's FPGA is U7 of the board, device id 0x24001093", ""),
    (SLX9, "xc6slx9csg324", "", None, "right device, other package",
     "it is for XC6SLX9 (TQG144); the board's FPGA is xc6slx9csg324", PACKAGE_HINT),
    (SLX9, "XC6SLX16", "CSG324", None, "wrong device",
     "it is for XC6SLX9 (TQG144); the board's FPGA is XC6SLX16 (CSG324)", WRONG_HINT),
    (SLX9, "LFE5U-25F", "", None, "wrong device",
     "it is for XC6SLX9 (TQG144); the board's FPGA is LFE5U-25F", WRONG_HINT),
    (SLX9, "U7", "", 0x04002093, "wrong device",
     "it is for XC6SLX9 (TQG144); the board's FPGA is U7, device id 0x04002093", WRONG_HINT),
    (SLX9, "EG4S20BG256", "", 0x0A014C35, "wrong device",
     "it is for XC6SLX9 (TQG144); the board's FPGA is EG4S20BG256, device id 0x0A014C35", WRONG_HINT),
    (SLX9, "TW-40", "Q144", None, "cannot be told",
     "it is for XC6SLX9 (TQG144); the board's FPGA TW-40 (Q144) is none known here", ID_HINT),
    (SLX9, "XC6SLX9", "", 0x04002093, "cannot be told",
     "it is for XC6SLX9 (TQG144); the board's FPGA is XC6SLX9, device id 0x04002093, "
     "but part and device id name different FPGAs", "correct the part or the device-id in the board's manifest"),
    (SLX9, "XC6SLX4", "", 0x04002093, "wrong device",
     "it is for XC6SLX9 (TQG144); the board's FPGA is XC6SLX4, device id 0x04002093", WRONG_HINT),
    ("xc7a35t.bit", "XC7A50T", "", None, "wrong device",
     "it is for XC7A35T (CPG236); the board's FPGA is XC7A50T", WRONG_HINT),
    ("efinix_t8f81.bit", "T8F81C2", "", None, "right device", "it is for T8 (F81); the board's FPGA is T8F81C2", ""),
    ("efinix_t8f81.bit", "T8F49", "", None, "right device, other package",
     "it is for T8 (F81); the board's FPGA is T8F49", PACKAGE_HINT),
    ("efinix_t8f81.bit", "T13F256", "", None, "wrong device",
     "it is for T8 (F81); the board's FPGA is T13F256", WRONG_HINT),
    ("efinix_t8f81.bit", "U1", "", 0x00210A79, "die class only",
     "it is for T8 (F81); the board's FPGA is U1, device id 0x00210A79, which may be T8 or T13 or T20", DIE_HINT),
    ("ep4ce2217.rbf", "EP4CE22F17C6N", "", None, "die class only",
     "it is for EP4CE22 or 10CL025, by its size; the board's FPGA is EP4CE22F17C6N, "
     "and more than that such a file does not tell", DIE_HINT),
    ("ep4ce2217.rbf", "EP4CE15", "", None, "wrong device",
     "it is for EP4CE22 or 10CL025, by its size; the board's FPGA is EP4CE15", WRONG_HINT),
    ("ep4ce2217.rbf", "EP3C25", "", None, "cannot be told",
     "it is for EP4CE22 or 10CL025, by its size; the board's FPGA is EP3C25", HAND_HINT),
    ("ep4ce2217.rbf", "XC6SLX9", "", None, "wrong device",
     "it is for EP4CE22 or 10CL025, by its size; the board's FPGA is XC6SLX9", WRONG_HINT),
    ("5ce215.rbf", "5CEBA2F17C8", "", None, "die class only",
     "it is for 5CEA2 or 5CEA4, by its size; the board's FPGA is 5CEBA2F17C8, "
     "and more than that such a file does not tell", DIE_HINT),
]  # fmt: skip


@pytest.mark.parametrize(("name", "part", "package", "device_id", "word", "text", "hint"), REAL)
def test_a_vendor_file_for_a_board(
    name: str, part: str, package: str, device_id: int | None, word: str, text: str, hint: str
) -> None:
    assert on(wheel(name), part, package, device_id) == verdict(word, text, hint)


MADE = [
    ("ecp5-25k.bit", "LFE5U-25F-6BG381C", None, "right device",
     "it is for LFE5U-25F (CABGA381); the board's FPGA is LFE5U-25F-6BG381C", ""),
    ("ecp5-25k.bit", "LFE5U-12F-6BG381C", None, "wrong device",
     "it is for LFE5U-25F (CABGA381); the board's FPGA is LFE5U-12F-6BG381C", WRONG_HINT),
    ("ecp5-25k.bit", "iCE40HX8K", None, "wrong device",
     "it is for LFE5U-25F (CABGA381); the board's FPGA is iCE40HX8K", WRONG_HINT),
    ("ecp5-25k-as-12k.bit", "LFE5U-12F", None, "header and content disagree",
     "its header names LFE5U-25F, its data are for LFE5U-12F", DISAGREE_HINT),
    ("ecp5-25k-as-12k.bit", "TW-40", None, "header and content disagree",
     "its header names LFE5U-25F, its data are for LFE5U-12F", DISAGREE_HINT),
    ("ecp5-25k-as-12k.bit", "LFE5U-25F", None, "wrong device",
     "it is for LFE5U-12F; the board's FPGA is LFE5U-25F", WRONG_HINT),
    ("xo2-1200hc.bit", "LCMXO2-640UHC", None, "die class only",
     "it is for LCMXO2-1200HC (TG144); the board's FPGA is LCMXO2-640UHC, and both have the same device id", DIE_HINT),
    ("ice40-hx1k.bin", "iCE40HX1K-TQ144", None, "die class only",
     "it is for iCE40LP1K or iCE40HX1K; the board's FPGA is iCE40HX1K-TQ144, "
     "and more than that such a file does not tell", DIE_HINT),
    ("ice40-hx1k.bin", "iCE40HX4K-TQ144", None, "wrong device",
     "it is for iCE40LP1K or iCE40HX1K; the board's FPGA is iCE40HX4K-TQ144", WRONG_HINT),
    ("ice40-hx1k.bin", "LFE5U-25F", None, "wrong device",
     "it is for iCE40LP1K or iCE40HX1K; the board's FPGA is LFE5U-25F", WRONG_HINT),
    ("gowin-GW1N-9C.fs", "GW1NR-9C", None, "right device",
     "it is for GW1N-9C or GW1NR-9C; the board's FPGA is GW1NR-9C", ""),
    ("gowin-GW1N-9C.fs", "GW1NR-LV9QN88PC6/I5", None, "die class only",
     "it is for GW1N-9C or GW1NR-9C; the board's FPGA is GW1NR-LV9QN88PC6/I5, which may be GW1NR-9 or GW1NR-9C",
     DIE_HINT),
    ("gowin-GW1N-9C.fs", "GW1NR-LV9QN88PC6/I5", 0x1100481B, "right device",
     "it is for GW1N-9C or GW1NR-9C; the board's FPGA is GW1NR-LV9QN88PC6/I5, device id 0x1100481B", ""),
    ("gowin-GW1N-9C.fs", "GW1NR-LV9QN88PC6/I5", 0x0100481B, "die class only",
     "it is for GW1N-9C or GW1NR-9C; the board's FPGA is GW1NR-LV9QN88PC6/I5, device id 0x0100481B, "
     "and the two ids differ in the version only", DIE_HINT),
    ("gowin-GW1N-9.fs", "GW1NR-9C", None, "wrong device",
     "it is for GW1N-9 or GW1NR-9; the board's FPGA is GW1NR-9C", WRONG_HINT),
]  # fmt: skip


@pytest.mark.parametrize(("name", "part", "device_id", "word", "text", "hint"), MADE)
def test_an_open_tools_file_for_a_board(
    name: str, part: str, device_id: int | None, word: str, text: str, hint: str
) -> None:
    assert on(made(name), part, "", device_id) == verdict(word, text, hint)


@pytest.mark.parametrize("part", ["XC6SLX9", "LFE5U-25F", "TW-40"])
def test_a_file_cut_short_is_so_for_any_board(part: str) -> None:
    text = "its header asks for 340,707 bytes in all, it has 300,000"
    assert on(wheel(SLX9)[:300_000], part) == verdict("cut short", text, CUT_HINT)
    text = "it ends after 30,000 bytes, before its configuration does"
    assert on(made("ice40-hx1k.bin")[:30_000], part) == verdict("cut short", text, CUT_HINT)


def test_what_is_no_bitstream() -> None:
    text = "it is not a bitstream of a kind known here; the board's FPGA is XC6SLX9"
    assert on(b"no bitstream", "XC6SLX9") == verdict("not a bitstream", text, NO_HINT)
    text = "it is not a bitstream of a kind known here; the board's FPGA TW-40 is none known here"
    assert on(b"no bitstream", "TW-40") == verdict("not checked", text, UNJUDGED_HINT)
    text = "it is not a bitstream of a kind known here; the board names no FPGA"
    assert judge(None, None) == verdict("not checked", text, UNJUDGED_HINT)


def test_a_board_that_names_no_fpga() -> None:
    text = "it is for LFE5U-25F (CABGA381); the board names no FPGA"
    assert judge(identify(made("ecp5-25k.bit")), None) == verdict("cannot be told", text, ID_HINT)


def test_an_unknown_device_of_a_known_maker() -> None:
    found = Bitstream(maker="Xilinx", format="raw Xilinx configuration data", size=1, device_id=0x03FFF093)
    text = "it is for an unknown Xilinx device (device id 0x03FFF093); the board's FPGA is XC6SLX9"
    assert judge(found, Fpga(part="XC6SLX9")) == verdict("wrong device", text, WRONG_HINT)
    found = Bitstream(maker="Intel", format="Intel raw binary file", size=1, precision=SIZE_CLASS)
    text = "it is for an unknown Intel device (Intel raw binary file); the board's FPGA is EP4CE22"
    assert judge(found, Fpga(part="EP4CE22")) == verdict("cannot be told", text, HAND_HINT)


def test_only_what_can_damage_a_board_is_an_error() -> None:
    errors = {name for name in HINTS if BitstreamVerdict(name=name, text="").is_error}
    assert errors == {"wrong device", "cut short", "damaged", "packed"}
    assert set(HINTS) == {
        "right device", "wrong device", "right device, other package", "die class only", "cut short",
        "header and content disagree", "not a bitstream", "cannot be told",
        "damaged", "perhaps damaged", "packed", "not checked",
    }  # fmt: skip


BITSTREAMS = st.builds(
    Bitstream,
    maker=st.sampled_from(["Xilinx", "Lattice", "Gowin", "Efinix", "Intel"]),
    format=st.just("x"),
    size=st.integers(0, 10**9),
    devices=st.lists(st.sampled_from([row.name for row in DEVICES]), max_size=3).map(tuple),
    device_id=st.none() | st.sampled_from([row.device_id for row in DEVICES]) | st.integers(0, 2**32 - 1),
    package=st.sampled_from(["", "TQG144", "F81"]),
    integrity=st.sampled_from([INTACT, TRUNCATED, UNCHECKED, damaged("odd"), Integrity(doubt="odd")]),
    contradictory=st.sampled_from(["", "they disagree"]),
    precision=st.sampled_from(["device", DIE_CLASS, SIZE_CLASS]),
)
FPGAS = st.builds(
    Fpga,
    part=st.sampled_from([row.name for row in DEVICES]) | st.text(max_size=20),
    package=st.text(max_size=8),
    device_id=st.none() | st.sampled_from([row.device_id for row in DEVICES]) | st.integers(0, 2**32 - 1),
)


@given(st.none() | BITSTREAMS, st.none() | FPGAS)
def test_there_is_always_a_verdict(found: Bitstream | None, fpga: Fpga | None) -> None:
    ruling = judge(found, fpga)
    assert ruling.name in HINTS
    assert ruling.text
    assert bool(ruling.hint) == (ruling.name != "right device")


@given(st.sampled_from(DEVICES), st.sampled_from(DEVICES))
def test_a_bitstream_is_right_for_its_own_device_and_wrong_for_another_makers(row: Device, other: Device) -> None:
    found = Bitstream(maker=row.maker, format="x", size=1, devices=(row.name,), device_id=row.device_id)
    own = judge(found, Fpga(part=row.name)).name
    assert own == "right device" or (own == "die class only" and row.maker == "Gowin")
    if other.maker != row.maker:
        assert judge(found, Fpga(part=other.name)).name == "wrong device"
