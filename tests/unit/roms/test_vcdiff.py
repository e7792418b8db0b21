"""Deltas in the plain form of VCDIFF: RFC 3284's own example, xdelta3 both ways, and hostile ones."""

from __future__ import annotations

import subprocess
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.roms.operations.vcdiff import CODE, DeltaError, apply_delta
from tests.unit.roms.deltas import HEADER, PLAIN, decoded, edited, encoded, number, window
from tests.unit.roms.workshop import noise

HINT = "make it in the plain form of RFC 3284: xdelta3 -e -f -n -A -S none -s OLD NEW DELTA"


def refused(source: bytes, delta: bytes, size: int) -> tuple[str, str]:
    with pytest.raises(DeltaError) as caught:
        apply_delta(source, delta, size)
    return str(caught.value), caught.value.hint


def test_the_example_of_the_standard() -> None:
    """RFC 3284, section 3: COPY 4, 0; ADD 4, w x y z; COPY 4, 4; COPY 12, 24; RUN 4, z.

    The codes are looked up in section 5.6: 20 copies 4 by address, 5 adds 4, 28 copies 12 by address; 0 runs.
    """
    source, target = b"abcdefghijklmnop", b"abcdwxyzefghefghefghefghzzzz"
    delta = HEADER + window(28, b"wxyzz", bytes([20, 5, 20, 28, 0, 4]), bytes([0, 4, 24]), (16, 0))
    assert apply_delta(source, delta, 28) == target
    assert decoded(source, delta) == target


def test_the_examples_of_numbers() -> None:
    """RFC 3284, section 2: 123456789 is 58, 111, 26, 21 in base 128, written as BA EF 9A 15."""
    assert number(123456789) == bytes.fromhex("BA EF 9A 15")
    delta = HEADER + window(5, b"x" * 5, b"\x01" + number(5), b"")
    assert apply_delta(b"", delta, 5) == b"xxxxx"


def test_the_code_table_has_the_rows_the_standard_prints() -> None:
    """RFC 3284, section 5.6: the first and last code of each of its 21 lines."""
    rows = """
        0 run 0 0; 1 add 0 0; 2 add 1 0; 18 add 17 0; 19 copy 0 0; 20 copy 4 0; 34 copy 18 0; 35 copy 0 1; 50 copy 18 1;
        51 copy 0 2; 67 copy 0 3; 83 copy 0 4; 99 copy 0 5; 115 copy 0 6; 131 copy 0 7; 147 copy 0 8; 162 copy 18 8;
        163 add 1 0 copy 4 0; 174 add 4 0 copy 6 0; 175 add 1 0 copy 4 1; 187 add 1 0 copy 4 2; 199 add 1 0 copy 4 3;
        211 add 1 0 copy 4 4; 223 add 1 0 copy 4 5; 234 add 4 0 copy 6 5; 235 add 1 0 copy 4 6; 238 add 4 0 copy 4 6;
        239 add 1 0 copy 4 7; 243 add 1 0 copy 4 8; 246 add 4 0 copy 4 8; 247 copy 4 0 add 1 0; 255 copy 4 8 add 1 0
    """
    assert len(CODE) == 256
    for row in rows.split(";"):
        code, *words = row.split()
        assert [str(part) for instruction in CODE[int(code)] for part in instruction] == words


class Writer:
    """Writes a window of random instructions, any code and address mode; which they are is decided by the caller."""

    def __init__(self, random: Random, segment: int) -> None:
        self.random, self.segment, self.made = random, segment, 0
        self.data, self.instructions, self.addresses = bytearray(), bytearray(), bytearray()
        self.near, self.same, self.slot = [0] * 4, [0] * 768, 0

    def write(self, code: int) -> None:
        self.instructions.append(code)
        for kind, size, mode in CODE[code]:
            length = size or self.random.choice([1, 3, 17, 200])
            if not size:
                self.instructions += number(length)
            if kind == "copy":
                self.copy(mode, length)
            else:
                self.data += self.random.randbytes(length if kind == "add" else 1)
            self.made += length

    def copy(self, mode: int, length: int) -> None:
        here = self.segment + self.made
        reachable = [at for at in range(here) if at + length <= self.segment or at >= self.segment]
        if mode < 6:
            base = self.near[mode - 2] if mode > 1 else 0
            address = self.random.choice([at for at in reachable if at >= base])
            self.addresses += number(here - address if mode == 1 else address - base)
        else:
            table = self.same[(mode - 6) * 256 :][:256]
            low = self.random.choice([low for low in range(256) if table[low] in reachable])
            address = table[low]
            self.addresses.append(low)
        self.near[self.slot], self.slot, self.same[address % 768] = address, (self.slot + 1) % 4, address

    def window(self, start: int) -> bytes:
        return window(
            self.made, bytes(self.data), bytes(self.instructions), bytes(self.addresses), (self.segment, start)
        )


@pytest.mark.parametrize("seed", range(8))
def test_every_instruction_code_means_what_xdelta3_takes_it_for(seed: int) -> None:
    random = Random(seed)
    source, delta, size = noise(3000, seed), HEADER, 0
    for _ in range(3):
        segment = random.randrange(200, 2000)
        writer = Writer(random, segment)
        for code in random.sample(range(256), 256):
            writer.write(code)
        delta += writer.window(random.randrange(3000 - segment))
        size += writer.made
    expected = decoded(source, delta)
    assert len(expected) == size
    assert apply_delta(source, delta, size) == expected


@settings(max_examples=40)
@given(st.integers(0, 5000), st.integers(0, 1 << 30), st.integers(0, 12))
def test_what_xdelta3_makes_of_random_edits_is_applied(size: int, seed: int, edits: int) -> None:
    random = Random(seed)
    old = random.randbytes(size)
    new = edited(old, random, edits)
    assert apply_delta(old, encoded(old, new, *PLAIN), len(new)) == new


@pytest.mark.parametrize("level", range(10))
def test_many_windows_of_any_level_are_applied(level: int) -> None:
    old = noise(200_000, level)
    new = edited(old, Random(level), 40)
    delta = encoded(old, new, f"-{level}", "-W", "16384", *PLAIN)
    assert apply_delta(old, delta, len(new)) == new


def test_a_window_may_copy_from_what_earlier_windows_made() -> None:
    """RFC 3284, section 4.2: VCD_TARGET. By hand, since xdelta3 neither writes nor reads such windows."""
    first = window(6, b"abcdef", bytes([7]), b"")
    second = window(6, b"", bytes([19, 3, 19, 3]), bytes([0, 3]), (3, 2), kind=2)
    assert apply_delta(b"", HEADER + first + second, 12) == b"abcdefcdecde"


def test_a_copy_lies_in_the_segment_or_in_the_window() -> None:
    """RFC 3284, section 3: "entirely contained in either S or T"; xdelta3 refuses the other too."""
    delta = HEADER + window(11, b"x", bytes([2, 19, 10]), bytes([2]), (4, 0))
    assert refused(b"abcd", delta, 11)[0] == "the delta is damaged: it copies across the end of its segment"
    with pytest.raises(subprocess.CalledProcessError):
        decoded(b"abcd", delta)


def test_a_copy_may_repeat_what_it_makes() -> None:
    """RFC 3284, section 3: the example's COPY 12, 24 repeats four bytes three times."""
    delta = HEADER + window(11, b"xyz", bytes([4, 19, 8]), bytes([5]), (4, 0))
    assert apply_delta(b"abcd", delta, 11) == b"xyzyzyzyzyz"
    assert decoded(b"abcd", delta) == b"xyzyzyzyzyz"


OLD, NEW = noise(5000), edited(noise(5000), Random(1), 8)


@pytest.mark.parametrize(
    ("options", "what"),
    [
        ((), "compressed sections and an application's header"),
        (("-S", "none", "-n"), "an application's header"),
        (("-S", "djw", "-A", "-n"), "compressed sections"),
        (("-S", "lzma", "-n"), "compressed sections and an application's header"),
        (("-S", "none", "-A"), "a checksum of its own"),
    ],
    ids=str,
)
def test_other_forms_are_refused_and_the_hint_says_how_to_make_a_plain_one(options: tuple[str, ...], what: str) -> None:
    assert refused(OLD, encoded(OLD, NEW, *options), len(NEW)) == (f"the delta has {what}", HINT)


@pytest.mark.parametrize(
    ("delta", "what"),
    [
        (b"", "the delta is cut short or damaged: it ends within its magic number"),
        (b"PK\3\4", "the delta does not begin with D6 C3 C4, so it is not a VCDIFF file"),
        (b"\xd6\xc3\xc4S\0", "the delta is in version 83 of its format; expected version 0"),
        (b"\xd6\xc3\xc4\0\2", "the delta has a code table of its own"),
        (b"\xd6\xc3\xc4\0\x10", "the delta has an unknown indicator 0x10"),
        (HEADER + b"\x08", "the delta has an unknown indicator 0x08"),
        (HEADER + b"\3\1\0", "the delta is damaged: a window takes its segment from two files at once"),
        (HEADER + b"\1\7\0", "the delta copies 0x0000 to 0x0006 of the piece, which has 6 bytes"),
        (HEADER + b"\2\1\0", "the delta copies 0x0000 of its own target, which has 0 bytes"),
        (HEADER + b"\0\x81\x81\x81\x81\x81\0",
         "the delta is damaged: its window length is a number of more than 5 bytes"),
        (HEADER + window(9, b"", b"", b""), "the delta makes 9 bytes or more; expected 8"),
        (HEADER + window(8, b"", b"", b""), "the instructions of the delta end before their window is full"),
        (HEADER + window(4, b"z", b"\0\4", b""), "the delta makes 4 bytes; expected 8"),
        (HEADER, "the delta makes 0 bytes; expected 8"),
        (HEADER + window(8, b"z", b"\0\x9f\xff\xff\xff\x7f", b""),
         "an instruction of the delta makes more than its window holds"),
        (HEADER + window(8, b"zz", b"\0\x08", b""), "the delta is damaged: 1 byte of its data left over"),
        (HEADER + window(8, b"z", b"\0\x08", b"\0"), "the delta is damaged: 1 byte of its addresses left over"),
        (HEADER + window(8, b"abc", b"\x09", b""), "the delta is cut short or damaged: it ends within its data"),
        (HEADER + window(8, b"", b"\x18", b"\0"), "the delta copies from 0, where nothing is known"),
        (HEADER + window(8, b"", b"\x18", b"\6", (6, 0)), "the delta copies from 6, where only 0 to 5 is known"),
        (HEADER + window(8, b"", b"\x28", b"\7", (6, 0)), "the delta copies from -1, where only 0 to 5 is known"),
        (HEADER + b"\0\7\x08\0\0\0\0\0\0", "the delta is damaged: 2 bytes of its window left over"),
        (HEADER + b"\0\6\x08\1\0\0\0\0", "the delta has compressed sections"),
    ],
    ids=str,
)  # fmt: skip
def test_a_damaged_or_hostile_delta_is_refused(delta: bytes, what: str) -> None:
    assert refused(b"source", delta, 8)[0] == what


def test_a_delta_cut_short_anywhere_is_refused() -> None:
    delta = encoded(OLD, NEW, "-W", "16384", *PLAIN)
    for length in range(len(delta)):
        refused(OLD, delta[:length], len(NEW))


@settings(max_examples=300)
@given(st.lists(st.tuples(st.integers(0, 1 << 20), st.integers(0, 255)), min_size=1, max_size=4))
def test_a_damaged_delta_gives_bytes_of_the_declared_size_or_is_refused(damage: list[tuple[int, int]]) -> None:
    delta = bytearray(DELTA)
    for position, value in damage:
        delta[5 + position % (len(delta) - 5)] = value
    try:
        made = apply_delta(OLD, bytes(delta), len(NEW))
    except DeltaError:
        return
    assert len(made) == len(NEW)


@settings(max_examples=200)
@given(st.binary(max_size=200), st.integers(0, 300))
def test_any_bytes_give_bytes_of_the_declared_size_or_are_refused(tail: bytes, size: int) -> None:
    try:
        assert len(apply_delta(b"source" * 20, HEADER + tail, size)) == size
    except DeltaError:
        return


DELTA = HEADER + window(len(NEW), NEW[:2000] + NEW[4000:], b"\1" + number(2000) + b"\x13" + number(2000) + b"\1"
                        + number(len(NEW) - 4000), number(100), (5000, 0))  # fmt: skip
