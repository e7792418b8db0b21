"""Text dumps: written by srec_cat and objcopy, read back by bincopy and intelhex too, and every rule of their forms.

Published: Intel, Hexadecimal Object File Format Specification, Revision A (1988); Motorola, M68000 Family Programmer's
Reference Manual (1992), appendix C. Its worked example of an S-record file is checked below.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
from pathlib import Path
from random import Random
from typing import Any

import bincopy
import intelhex
import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from pipeline.errors import CheckError
from pipeline.roms.assemble import assemble, check_title, describe
from pipeline.roms.map import map_text, rom_map
from tests.unit.roms.test_real_files import real
from tests.unit.roms.test_strangers import run
from tests.unit.roms.workshop import FILE, noise, problems, rom, title

END_HEX, END_S = ":00000001FF\n", "S9030000FC\n"
FIRST = ":0400000001020304F2\n"


def record(kind: int, address: int, data: bytes) -> str:
    """Return an Intel HEX record, its sum by the rule of the specification: all bytes come to 0."""
    body = bytes([len(data), address >> 8, address & 255, kind]) + data
    return f":{(body + bytes([-sum(body) & 255])).hex().upper()}\n"


def s_record(kind: int, address: int, data: bytes) -> str:
    """Return an S-record, its sum by the rule of appendix C: the complement of the sum of all bytes."""
    body = address.to_bytes({0: 2, 1: 2, 2: 3, 3: 4, 5: 2, 6: 3, 7: 4, 8: 3, 9: 2}[kind], "big") + data
    body = bytes([len(body) + 1]) + body
    return f"S{kind}{(body + bytes([~sum(body) & 255])).hex().upper()}\n"


def decoded(text: str | bytes, size: int, form: str = "intel-hex", at: int = 0, **more: Any) -> bytes:
    dump = text.encode() if isinstance(text, str) else text
    decode = {"text": form, "from": at, "size": size} | more
    whole = rom(size, {"at": 0, "chip": "4t", "then": [{"decode": decode}]})
    asked = title(whole, **{"4t": dump})
    assert check_title(asked) == []
    return assemble(asked, whole, {"4t": dump})


def refused(text: str | bytes, size: int = 4, form: str = "intel-hex", **more: Any) -> str:
    with pytest.raises(CheckError) as caught:
        decoded(text, size, form, **more)
    return str(caught.value).removeprefix(f"{FILE}: rom.1.steps.1.then.1.decode: ")


FORMS = {"intel-hex": "ihex", "s-record": "srec"}


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("at", [0, 0xE000, 0xFFF0, 0x1_2345, 0x8000_0000])
def test_what_objcopy_writes_is_read(form: str, at: int, tmp_path: Path) -> None:
    """Below 1 MiB it writes Intel HEX with segment records, above with linear ones."""
    data = noise(3000)
    command = ("objcopy", "-I", "binary", "-O", FORMS[form], f"--change-addresses={at}", "a", "o")
    text = run(tmp_path, {"a": data}, *command)
    assert decoded(text, 3000, form, at) == data


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("at", [0, 0xE000, 0xFFF0, 0x1_2345, 0x8000_0000])
def test_what_srec_cat_writes_is_read(form: str, at: int, tmp_path: Path) -> None:
    writer = {"intel-hex": "-Intel", "s-record": "-Motorola"}[form]
    data = noise(3000)
    command = ("srec_cat", "a", "-Binary", "-offset", str(at), "-o", "o", writer)
    text = run(tmp_path, {"a": data}, *command)
    assert decoded(text, 3000, form, at) == data


@given(st.binary(min_size=1, max_size=300), st.integers(0, 0xFFFF_0000), st.integers(1, 32))
@example(b"0123456789", 0x10000 - 6, 2)
def test_what_the_libraries_write_is_read(data: bytes, at: int, width: int) -> None:
    before_border = 0x10000 - at
    assume(not 0 < before_border < len(data) or before_border % width == 0)  # bincopy lets a line run over it
    one = bincopy.BinFile()
    one.add_binary(data, address=at)
    other = intelhex.IntelHex()
    other.frombytes(data, offset=at)
    text = io.StringIO()
    other.write_hex_file(text, byte_count=width)
    assert decoded(one.as_ihex(width), len(data), at=at) == data
    assert decoded(one.as_srec(width), len(data), "s-record", at) == data
    assert decoded(text.getvalue(), len(data), at=at) == data


@given(st.integers(0, 10_000))
def test_records_may_stand_in_any_order_and_leave_holes(seed: int) -> None:
    """The measure is intelhex, which gathers bytes one by one."""
    random = Random(seed)
    starts = random.sample(range(16), 8)
    lines = [record(0, 16 * n + random.randrange(8), random.randbytes(random.randint(1, 8))) for n in starts]
    text = "".join(lines) + END_HEX
    stranger = intelhex.IntelHex(io.StringIO(text))
    stranger.padding = 0xA5
    assert decoded(text, 256, fill=0xA5) == stranger.tobinstr(0, 255)


def test_the_worked_example_of_the_s_record_form() -> None:
    """Source: Motorola, M68000 Family Programmer's Reference Manual, appendix C, "S-record creation"."""
    text = (
        "S00600004844521B\n"
        "S1130000285F245F2212226A000424290008237C2A\n"
        "S11300100002000800082629001853812341001813\n"
        "S113002041E900084E42234300182342000824A952\n"
        "S107003000144ED492\n"
        "S9030000FC\n"
    )
    data = decoded(text, 52, "s-record")
    assert data[:8] == bytes.fromhex("285F245F2212226A")
    assert data[0x30:] == bytes.fromhex("00144ED4")


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_lines_end_as_they_do_anywhere(ending: str) -> None:
    assert decoded((FIRST + "\n" + END_HEX).replace("\n", ending) + "\x1a", 4) == b"\1\2\3\4"


@pytest.mark.parametrize(("kind", "address"), [(5, 2), (6, 2)])
def test_a_count_of_records_is_held_against_them(kind: int, address: int) -> None:
    text = s_record(1, 0, b"ab") + s_record(1, 2, b"cd") + s_record(kind, address, b"") + END_S
    assert decoded(text, 4, "s-record") == b"abcd"


GOOD_S = s_record(1, 0, b"\1\2\3\4")
WRONG = {
    "another form": (GOOD_S + END_S, "line 1: found \"S107000001020304EE\"; expected \":\" and five pairs of "
                     "hexadecimal digits or more"),
    "text": (FIRST + "no record\n" + END_HEX, "line 2: found \"no record\"; expected \":\" and five pairs of "
             "hexadecimal digits or more"),
    "spaces inside": (":04 0000 00 01020304 F2\n" + END_HEX, "line 1: found \":04 0000 00 01020304 F2\"; expected "
                      "\":\" and five pairs of hexadecimal digits or more"),
    "byte order mark": ("\ufeff" + FIRST + END_HEX, "line 1: found a byte order mark; expected \":\" and five pairs of "
                        "hexadecimal digits or more\n"
                        "  hint: take it off before decode: { strip = { header = \"EF BB BF\" } }"),
    "sum": (":0400000001020304F3\n" + END_HEX, "line 1: the record's sum is F3; expected F2\n"
            "  hint: the line is damaged"),
    "count": (FIRST[:-3] + "\n" + END_HEX, "line 1: the record has 3 bytes; its count says 4\n"
              "  hint: it is cut short or damaged"),
    "no end": (FIRST, "the text ends without an end record; expected the end record :00000001FF\n"
               "  hint: was it cut short?"),
    "empty": ("\n", "the text ends without an end record; expected the end record :00000001FF\n"
              "  hint: was it cut short?"),
    "after the end": (END_HEX + FIRST, "line 2: a record after the end record of line 1; expected none"),
    "end with data": (FIRST + record(1, 0, b"a"), "line 2: a record of type 01 has 1 byte; expected 0"),
    "type": (record(6, 0, b""), "line 1: a record of type 06; expected 00 to 05"),
    "short base": (record(4, 0, b"a"), "line 1: a record of type 04 has 1 byte; expected 2"),
    "base with an address": (record(4, 16, b"ab"), "line 1: a record of type 04 has the address 0010; expected 0000"),
    "mixed": (record(4, 0, b"\0\1") + record(2, 0, b"\0\0"), "line 2: segment and linear addresses are mixed, which "
              "public tools read differently"),
    "end of a segment": (record(2, 0, b"\0\0") + record(0, 0xFFFE, b"abcd"), "line 2: runs past the end of its segment "
                         "of 64 KiB, which public tools read differently"),
    "end of all": (record(4, 0, b"\xff\xff") + record(0, 0xFFFE, b"abcd"), "line 2: runs past address 0xFFFFFFFF"),
    "twice": (FIRST + record(0, 3, b"\4") + END_HEX, "line 2: gives 0x0003 again; expected each address once"),
    "far away": (FIRST + record(4, 0, b"\x10\0") + record(0, 0x10C0, bytes(28)) + END_HEX,
                 "line 3: gives 0x100010C0 to 0x100010DB; expected 0x0000 to 0x0003\n"
                 '  hint: correct from and size, or leave out what lies elsewhere: elsewhere = "drop"'),
    "hole": (record(0, 0, b"a") + record(0, 3, b"b") + END_HEX, "no record gives 2 of 4 bytes, the first of them "
             "0x0001 to 0x0002\n  hint: give the byte that stands there: fill = 0xFF"),
}  # fmt: skip


@pytest.mark.parametrize("name", WRONG)
def test_wrong_intel_hex_is_refused_with_its_line(name: str) -> None:
    text, expected = WRONG[name]
    assert refused(text) == expected


WRONG_S = {
    "another form": (FIRST + END_HEX, "line 1: found \":0400000001020304F2\"; expected \"S\", a digit and four "
                     "pairs of hexadecimal digits or more"),
    "sum": (GOOD_S.replace("EE", "EF") + END_S, "line 1: the record's sum is EF; expected EE\n"
            "  hint: the line is damaged"),
    "count": (GOOD_S[:-3] + "\n" + END_S, "line 1: the record has 6 bytes; its count says 7\n"
              "  hint: it is cut short or damaged"),
    "type": ("S4030000FC\n", "line 1: a record S4; expected S0 to S3 or S5 to S9"),
    "too short for its address": ("S303000000FC\n".replace("0000FC", "00FC"), "line 1: has 3 bytes; expected 5 at "
                                  "least, an address of 4 and the sum"),
    "no end": (GOOD_S, "the text ends without an end record; expected a count (S5 or S6) or an end record (S7 to "
               "S9)\n"
               "  hint: was it cut short?"),
    "after the end": (GOOD_S + END_S + END_S, "line 3: a record after the end record of line 2; expected none"),
    "late header": (GOOD_S + s_record(0, 0, b"x") + END_S, "line 2: a header behind data; expected it in front "
                    "of them"),
    "wrong count of records": (GOOD_S + s_record(5, 2, b"") + END_S, "line 2: counts 2 data records; found 1"),
    "data after the count": (s_record(5, 0, b"") + GOOD_S + END_S, "line 2: data after the count of line 1; expected "
                             "the end record"),
    "end with data": (GOOD_S + s_record(9, 0, b"x"), "line 2: a record S9 has 1 byte of data; expected none"),
    "end of all": (s_record(3, 0xFFFF_FFFE, b"abc") + END_S, "line 1: runs past address 0xFFFFFFFF"),
    "twice": (GOOD_S + GOOD_S + END_S, "line 2: gives 0x0000 again; expected each address once"),
}  # fmt: skip


@pytest.mark.parametrize("name", WRONG_S)
def test_wrong_s_records_are_refused_with_their_line(name: str) -> None:
    text, expected = WRONG_S[name]
    assert refused(text, form="s-record") == expected


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be"])
def test_a_text_in_utf_16_is_refused_with_what_to_do(encoding: str) -> None:
    assert refused(("\ufeff" + GOOD_S + END_S).encode(encoding), form="s-record") == (
        'line 1: found UTF-16 text; expected "S", a digit and four pairs of hexadecimal digits or more\n'
        "  hint: save the file as ASCII text"
    )


@pytest.mark.parametrize("form", FORMS)
def test_a_byte_order_mark_can_be_stripped(form: str) -> None:
    """The mark is Python's own of "utf-8-sig"."""
    text = {"intel-hex": FIRST + END_HEX, "s-record": GOOD_S + END_S}[form].encode("utf-8-sig")
    then = [{"strip": {"header": "EF BB BF"}}, {"decode": {"text": form, "from": 0, "size": 4}}]
    whole = rom(4, {"at": 0, "chip": "4t", "then": then})
    assert assemble(title(whole, **{"4t": text}), whole, {"4t": text}) == b"\1\2\3\4"


ENDS = {"intel-hex": ("end of all", record(4, 0, b"\xff\xff") + record(0, 0xFFFC, b"\1\2\3\4") + END_HEX),
        "s-record": ("end of all", s_record(3, 0xFFFF_FFFC, b"\1\2\3\4") + END_S)}  # fmt: skip


@pytest.mark.parametrize("form", FORMS)
def test_a_record_may_end_at_the_last_address(form: str) -> None:
    """The measure is bincopy, which reads both forms."""
    _, text = ENDS[form]
    stranger = bincopy.BinFile()
    stranger.add(text)
    assert (stranger.minimum_address, stranger.maximum_address) == (0xFFFF_FFFC, 1 << 32)
    assert decoded(text, 4, form, 0xFFFF_FFFC) == bytes(stranger.as_binary()) == b"\1\2\3\4"


def test_a_record_may_end_with_its_segment_and_no_later() -> None:
    """Without a base record a segment begins at 0 (Intel's specification, "Data Record")."""
    assert decoded(record(0, 0xFFFE, b"ab") + END_HEX, 2, at=0xFFFE) == b"ab"
    assert refused(record(0, 0xFFFE, b"abc") + END_HEX, 3, at=0xFFFE, elsewhere="drop") == (
        "line 1: runs past the end of its segment of 64 KiB, which public tools read differently"
    )
    linear = record(4, 0, b"\0\0") + record(0, 0xFFFE, b"abc") + END_HEX
    assert decoded(linear, 3, at=0xFFFE) == b"abc"


def test_a_header_may_be_empty(tmp_path: Path) -> None:
    command = ("srec_cat", "a", "-Binary", "-header", "", "-o", "o", "-Motorola")
    text = run(tmp_path, {"a": b"\1\2\3\4"}, *command)
    assert text.startswith(b"S0030000FC\n")
    assert decoded(text, 4, "s-record") == b"\1\2\3\4"


def test_what_lies_elsewhere_is_left_out_where_this_is_asked_for() -> None:
    text = record(0, 0, bytes(range(16))) + record(4, 0, b"\x10\0") + record(0, 0x10C0, bytes(28)) + END_HEX
    assert decoded(text, 4, at=6, elsewhere="drop") == bytes(range(6, 10))
    assert refused(text, 4, at=0x2000, elsewhere="drop", fill=0) == (
        "no record gives any of 0x2000 to 0x2003\n  hint: correct from and size"
    )


def test_sizes_are_known_without_bytes() -> None:
    then = [{"decode": {"text": "s-record", "from": 0xFFFF_FFFF, "size": 2}}]
    assert problems(2, {"at": 0, "chip": "4t", "then": then}, chips={"4t": 100}) == [
        "rom.1.steps.1.then.1.decode: reaches to 0x100000000; addresses of text dumps end with 0xFFFFFFFF"
    ]
    then = [{"decode": {"text": "s-record", "from": 0, "size": 8}}]
    assert problems(4, {"at": 0, "chip": "4t", "then": then}, chips={"4t": 100}) == [
        "rom.1.steps.1.at: the piece lies at 0x0000 to 0x0007; the ROM file ends with 0x0003"
    ]
    then = [{"decode": {"text": "s-record", "from": 0, "size": "2 GiB"}}]
    told = problems(4, {"at": 0, "chip": "4t", "then": then}, chips={"4t": 100})
    assert told[0] == "rom.1.steps.1.then.1.decode: has 2,147,483,648 bytes; expected 1 GiB at most"


def test_it_is_told_in_one_line() -> None:
    decode = {"text": "intel-hex", "from": 0xE000, "size": "8 KiB", "fill": 0xFF, "elsewhere": "drop"}
    whole = rom(8192, {"at": 0, "chip": "4t", "then": [{"decode": decode}]})
    words = "decode intel-hex, 8 KiB from 0xE000 (holes 0xFF, the rest left out)"
    assert describe(whole) == (f"0x0000: 4t, {words}",)
    assert map_text(whole, rom_map(title(whole, **{"4t": 100}), whole)) == (
        f"FERN.ROM, 8 KiB\n  0x0000 to 0x1FFF  8 KiB  chip 4t, {words}\n"
    )


MICRO = Path("/usr/share/firmware-microbit-micropython/firmware.hex")
FX2 = [Path("/lib/firmware/opsis-fx2") / name for name in ("eeprom.ihx", "usb-uart.ihx")]


@pytest.mark.parametrize("path", FX2, ids=lambda path: path.name)
def test_real_files_with_gaps_and_unordered_records(path: Path, tmp_path: Path) -> None:
    """Debian package hdmi2usb-fx2-firmware (GPL, LGPL); the measures are srec_cat, bincopy and intelhex."""
    text = real(path)
    stranger = intelhex.IntelHex(io.StringIO(text.decode()))
    stranger.padding = 0xFF
    first, size = stranger.minaddr(), stranger.maxaddr() - stranger.minaddr() + 1
    made = decoded(text, size, at=first, fill=0xFF)
    assert made == stranger.tobinstr()
    assert made == run(tmp_path, {"a": text}, "srec_cat", "a", "-Intel", "-fill", "0xFF", str(first),
                       str(first + size), "-offset", str(-first), "-o", "o", "-Binary")  # fmt: skip


def test_a_real_file_with_data_far_away(tmp_path: Path) -> None:
    """Debian package firmware-microbit-micropython 1.0.1-4 (MIT, BSD, Apache): 28 bytes lie at 0x100010C0."""
    text = real(MICRO)
    size = 0x3B88C
    assert "gives 0x100010C0" in refused(text, size, fill=0xFF)
    made = decoded(text, size, fill=0xFF, elsewhere="drop")
    stranger = intelhex.IntelHex(io.StringIO(text.decode()))
    assert made == stranger.tobinstr(0, size - 1)
    command = (
        "srec_cat",
        "a",
        "-Intel",
        "-crop",
        "0",
        str(size),
        "-fill",
        "0xFF",
        "0",
        str(size),
        "-o",
        "o",
        "-Binary",
    )
    assert hashlib.sha256(made).digest() == hashlib.sha256(run(tmp_path, {"a": text}, *command)).digest()


@given(st.lists(st.sampled_from([FIRST, END_HEX, GOOD_S, END_S, "S", ":", "0", "\n", "\r", " ", "\x1a", "\xff"])))
def test_any_text_is_decoded_or_refused(parts: list[str]) -> None:
    for form in FORMS:
        text = "".join(parts).encode("latin-1")
        with contextlib.suppress(CheckError):
            assert decoded(text or b"\n", 4, form) == b"\1\2\3\4"
