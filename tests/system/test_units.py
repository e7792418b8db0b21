"""Sizes and byte strings as people write them (SI and binary prefixes: IEC 80000-13)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.model.units import parse_bytes, parse_size, show_size


@pytest.mark.parametrize(
    ("text", "size"),
    [
        ("4 KiB", 4096),
        ("4KiB", 4096),
        ("2 GB", 2 * 10**9),
        ("1.44 MB", 1_440_000),
        ("0.5 KiB", 512),
        (7, 7),
        ("0 B", 0),
    ],
)
def test_a_size_is_whole_bytes(text: str | int, size: int) -> None:
    assert parse_size(text) == size


@pytest.mark.parametrize("text", ["", "4", "4 kib", "-1 B", "0.3 B", "4 KiB ", "1e3 B", -1, True, 1.5])
def test_what_is_no_size_is_refused(text: str | int) -> None:
    with pytest.raises(ValueError, match=r"is not a size|is not a whole number"):
        parse_size(text)


@pytest.mark.parametrize(
    ("size", "text"),
    [(0, "0 bytes"), (1, "1 byte"), (4096, "4 KiB"), (64_000_000, "64 MB"), (1 << 31, "2 GiB"), (1025, "1,025 bytes")],
)
def test_a_size_is_shown_in_the_unit_with_the_smallest_whole_number(size: int, text: str) -> None:
    assert show_size(size) == text


@given(st.integers(2, 1 << 45))
def test_a_size_shown_reads_back(size: int) -> None:
    assert parse_size(show_size(size).replace(",", "").replace("bytes", "B")) == size


def test_hexadecimal_text_is_bytes() -> None:
    assert parse_bytes("DE ad beEF") == b"\xde\xad\xbe\xef"
    with pytest.raises(ValueError, match=r"'DE A' is not hexadecimal text; expected pairs of digits"):
        parse_bytes("DE A")
