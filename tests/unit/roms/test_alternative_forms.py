"""Each form of a dump is made by a public tool or by plain Python, and the change that is told brings it back."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.model.derived import Form
from pipeline.roms.chips.alternative_forms import HEADERS, fits, forms, pairs
from tests.unit.roms.test_real_files import CBIOS, real
from tests.unit.roms.test_strangers import perl, run, srec
from tests.unit.roms.workshop import changed, made, noise

WANTED = noise(512)
NIBBLES = bytes(byte & 15 for byte in WANTED)


def ways(file: bytes, wanted: bytes) -> list[Form]:
    """Return the forms of a file that are the wanted bytes; each must come of the change it tells."""
    assert fits(len(file), len(wanted))
    found = [form for form in forms(file, len(wanted)) if form.data == wanted]
    for form in found:
        then = tomllib.loads(f"then = [{{ {form.change} }}]")["then"] if form.change else None
        assert then is None or changed(file, *then, size=len(wanted)) == wanted
    return found


def way(file: bytes, wanted: bytes = WANTED) -> tuple[str, str]:
    form, *_ = ways(file, wanted)
    return form.how, form.change


def test_bytes_swapped_by_dd_and_objcopy(tmp_path: Path) -> None:
    swapped = run(tmp_path, {"a": WANTED}, "dd", "if=a", "of=o", "conv=swab", "status=none")
    assert way(swapped) == ("byte-swapped", "swap-bytes = 16")
    command = ("objcopy", "-I", "binary", "-O", "binary", "--reverse-bytes=4", "a", "o")
    assert way(run(tmp_path, {"a": WANTED}, *command)) == ("byte-swapped in 32-bit units", "swap-bytes = 32")


def test_bits_inverted_and_reversed_by_srec_cat(tmp_path: Path) -> None:
    inverted = run(tmp_path, {"a": WANTED}, *srec("a -B -not"))
    assert way(inverted) == ("with every bit inverted", "invert = true")
    reversed_ = run(tmp_path, {"a": WANTED}, *srec("a -B -bit-reverse"))
    assert way(reversed_) == ("with the bits of each byte in reverse order", "reverse-bits = 8")


def test_halves() -> None:
    """Common practice: a part read as one of twice its size comes twice, or with another part's bytes beside it."""
    other = noise(512, 2)
    assert way(WANTED * 2) == ("twice in a row", "take = { from = 0, size = 512 }")
    assert way(WANTED + other) == ("with as much again behind it", "take = { from = 0, size = 512 }")
    assert way(other + WANTED) == ("with as much again in front of it", "take = { from = 512, size = 512 }")


@pytest.mark.parametrize("header", HEADERS)
def test_a_header(header: int) -> None:
    """Common practice: programs that read chips put a header in front, of a small power of two."""
    how, change = way(noise(header, 3) + WANTED)
    assert (how, change) in (
        (f"behind a header of {header} bytes", f"strip = {{ size = {header}, leaves = 512 }}"),
        ("with as much again in front of it", "take = { from = 512, size = 512 }"),
    )


def test_nibbles(tmp_path: Path) -> None:
    """perl's h and H are nibbles, the low or the high one first (perlfunc, "pack")."""
    for order, letter in (("low-first", "h"), ("high-first", "H")):
        split = f'$_ = join "", map {{chr hex}} split //, unpack "{letter}*", $_'
        apart = run(tmp_path, {"a": WANTED}, *perl(split, "a"))
        assert way(apart) == (f"with one nibble in each byte, {order}", f'pack = "{order}"')
        join = f'$_ = pack "{letter}*", join "", map {{sprintf "%x", ord}} split //'
        packed = run(tmp_path, {"a": NIBBLES}, *perl(join, "a"))
        assert way(packed, NIBBLES) == (f"with two nibbles packed in each byte, {order}", f'unpack = "{order}"')


@pytest.mark.parametrize(("form", "output"), [("intel-hex", "ihex"), ("s-record", "srec")])
def test_text_written_by_objcopy(form: str, output: str, tmp_path: Path) -> None:
    command = ("objcopy", "-I", "binary", "-O", output, "--change-addresses=0xE010", "a", "o")
    text = run(tmp_path, {"a": WANTED}, *command)
    change = f'decode = {{ text = "{form}", from = 0xE010, size = 512 }}'
    assert way(text) == (f"as {form} text", change)


def test_text_that_leaves_out_what_is_erased(tmp_path: Path) -> None:
    """objcopy writes the first 200 bytes behind 56 that are erased, at the address of the chip."""
    wanted = b"\xff" * 56 + WANTED[:200] + b"\xff" * 256
    command = ("objcopy", "-I", "binary", "-O", "ihex", "--change-addresses=0xE038", "a", "o")
    text = run(tmp_path, {"a": WANTED[:200]}, *command)
    change = 'decode = { text = "intel-hex", from = 0xE000, size = 512, fill = 0xFF }'
    assert way(text, wanted) == ("as intel-hex text", change)


@pytest.mark.parametrize(("form", "output"), [("intel-hex", "ihex"), ("s-record", "srec")])
def test_text_behind_a_byte_order_mark_or_with_one_wrong_sum(form: str, output: str, tmp_path: Path) -> None:
    """The mark is that of UTF-8 (The Unicode Standard, section 23.8); objcopy writes the text."""
    text = run(tmp_path, {"a": WANTED}, "objcopy", "-I", "binary", "-O", output, "a", "o")
    decode = f'decode = {{ text = "{form}", from = 0x0, size = 512 }}'
    assert way(b"\xef\xbb\xbf" + text) == (
        f"as {form} text behind a byte order mark",
        f'strip = {{ header = "EF BB BF" }} }}, {{ {decode}',
    )
    lines = text.splitlines()
    right = int(lines[3][-2:], 16)
    lines[3] = lines[3][:-2] + b"%02X" % (right ^ 0x10)
    wrong = f"line 4: the record's sum is {right ^ 0x10:02X}; expected {right:02X}"
    assert way(b"\r\n".join(lines)) == (f"as {form} text with a wrong sum ({wrong})", "")
    lines[5] = lines[5][:-2] + b"%02X" % (int(lines[5][-2:], 16) ^ 1)
    assert ways(b"\r\n".join(lines), WANTED) == []


REAL: dict[str, tuple[tuple[str, ...], str, str]] = {
    "trimmed": (perl(r"s/\x00+\z//", "a"), "without its padding of 00", "pad = { to = 16384, fill = 0x00 }"),
    "halves": (
        srec("a -B -crop 0x2000 0x4000 -offset -0x2000 a -B -crop 0 0x2000 -offset 0x2000"),
        "with its halves exchanged",
        "blocks = { size = 8192, order = [1, 0] }",
    ),
    "four times": (("cat", "a", "a", "a", "a"), "four times in a row", "take = { from = 0, size = 16384 }"),
    "third of four": (
        ("cat", "b", "b", "a", "b"),
        "as part 3 of 4 that follow one another",
        "take = { from = 32768, size = 16384 }",
    ),
    "words": (
        perl("s/(..)(..)/$2$1/gs", "a"),
        "with the 16-bit words of 32 bits exchanged",
        "swap-words = true",
    ),
    "nibbles": (
        perl('$_ = pack "h*", unpack "H*", $_', "a"),
        "with the nibbles of each byte exchanged",
        "data-lines = [4, 5, 6, 7, 0, 1, 2, 3]",
    ),
    "second of two lanes": (
        srec("b -B -unsplit 2 0 a -B -unsplit 2 1"),
        "interleaved with another chip",
        "lane = { number = 1, of = 2 }",
    ),
    "lanes of words": (
        srec("a -B -unsplit 4 0 2 b -B -unsplit 4 2 2"),
        "interleaved with another chip in 16-bit units",
        "lane = { number = 0, of = 2, unit = 2 }",
    ),
    "third of four lanes": (
        srec("b -B -unsplit 4 0 b -B -unsplit 4 1 a -B -unsplit 4 2 b -B -unsplit 4 3"),
        "interleaved with 3 other chips",
        "lane = { number = 2, of = 4 }",
    ),
    "data lines": (
        perl('$_ = unpack "b*", $_; s/(.)(.)(.)(.)(.)(.)(.)(.)/$1$2$6$4$5$3$7$8/g; $_ = pack "b*", $_', "a"),
        "with data lines 2 and 5 exchanged",
        "data-lines = [0, 1, 5, 3, 4, 2, 6, 7]",
    ),
    "reverse": (perl("$_ = reverse", "a"), "with all bytes in reverse order", "reverse-bytes = true"),
    "two of one size": (
        srec("a -B -byte-swap 2 -not"),
        "byte-swapped and with every bit inverted",
        "swap-bytes = 16 }, { invert = true",
    ),
    "header and swapped": (
        srec("a -B -byte-swap 2 -offset 512 -generate 0 512 -constant 0x5A"),
        "behind a header of 512 bytes and byte-swapped",
        "strip = { size = 512, leaves = 16384 } }, { swap-bytes = 16",
    ),
    "lane and inverted": (
        srec("( a -B -unsplit 2 0 b -B -unsplit 2 1 ) -not"),
        "interleaved with another chip and with every bit inverted",
        "lane = { number = 0, of = 2 } }, { invert = true",
    ),
    "twice and reversed bits": (
        perl('$_ = (pack "b*", unpack "B*", $_) x 2', "a"),
        "twice in a row and with the bits of each byte in reverse order",
        "take = { from = 0, size = 16384 } }, { reverse-bits = 8",
    ),
}
"""Commands of public tools that make a form of the file "a", and what is told of it."""


@pytest.mark.parametrize("name", REAL)
def test_forms_of_an_openly_licensed_rom_file(name: str, tmp_path: Path) -> None:
    """Two files of the Debian package cbios (BSD-2-Clause)."""
    command, *expected = REAL[name]
    wanted = real(CBIOS / "cbios_basic.rom")
    file = run(tmp_path, {"a": wanted, "b": real(CBIOS / "cbios_logo_msx2.rom")}, *command)
    assert way(file, wanted) == tuple(expected)


@pytest.mark.parametrize("count", [2, 4, 8])
def test_the_part_that_stands_several_times_in_the_chip(count: int, tmp_path: Path) -> None:
    """Common practice: a small part read in the socket of a larger one stands several times in its dump."""
    part = real(CBIOS / "cbios_basic.rom")
    wanted = run(tmp_path, {"a": part}, "cat", *["a"] * count)
    how = f"only the part that stands in it {({2: 'twice', 4: 'four times', 8: 'eight times'})[count]}"
    assert way(part, wanted) == (how, f"mirror = {len(wanted)}")


@pytest.mark.parametrize(
    ("first", "second", "how", "change"),
    [
        (
            srec("a -B -split 2 0"),
            srec("a -B -split 2 1"),
            "even bytes and its odd ones",
            'interleave = ["first", "second"]',
        ),
        (
            srec("a -B -split 4 0 2"),
            srec("a -B -split 4 2 2"),
            "even 16-bit words and its odd ones",
            'interleave = ["first", "second"], unit = 2',
        ),
        (
            ("dd", "if=a", "of=o", "bs=8192", "count=1", "status=none"),
            ("dd", "if=a", "of=o", "bs=8192", "skip=1", "status=none"),
            "first half and its second",
            'join = ["first", "second"]',
        ),
    ],
)
def test_halves_in_two_files(
    first: tuple[str, ...], second: tuple[str, ...], how: str, change: str, tmp_path: Path
) -> None:
    wanted = real(CBIOS / "cbios_basic.rom")
    halves = {"first": run(tmp_path, {"a": wanted}, *first), "second": run(tmp_path, {"a": wanted}, *second)}
    (form,) = (form for form in pairs(*halves.values()) if form.data == wanted)
    assert (form.how, form.change) == (f"in two files, its {how}", change)
    assert made(tomllib.loads(f"piece = {{ {change} }}")["piece"], halves, len(wanted)) == wanted
    assert all(form.data != wanted for form in pairs(halves["second"], halves["first"]))


@given(st.binary(min_size=1, max_size=80), st.integers(1, 40))
def test_every_form_is_what_its_change_makes(file: bytes, size: int) -> None:
    for form in forms(file, size):
        assert fits(len(file), size)
        assert len(form.data) == size
        assert ways(file, form.data)


def test_a_text_that_is_no_dump_has_no_form() -> None:
    assert list(forms(b"Some words about the board, and about its chips.", 17)) == []
