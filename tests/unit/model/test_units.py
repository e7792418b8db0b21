"""What to write in place of a text that is almost a size."""

from __future__ import annotations

import pytest

from pipeline.model.units import UNITS, parse_size, size_hint, written_size

BINARY = ("B", "KiB", "MiB", "GiB")


@pytest.mark.parametrize(
    ("text", "units", "hint"),
    [
        ("4 kB", BINARY, 'write "4 KiB" for 4,096 bytes, or 4000 for 4,000 bytes'),
        ("4K", BINARY, 'write "4 KiB" for 4,096 bytes, or 4000 for 4,000 bytes'),
        ("1.5kib", BINARY, 'write "1.5 KiB" for 1,536 bytes, or 1500 for 1,500 bytes'),
        ("64mb", UNITS, 'write "64 MiB" for 67,108,864 bytes, or "64 MB" for 64,000,000 bytes'),
        ("0.3 k", UNITS, 'write "0.3 kB" for 300 bytes'),
        (" 2048 bytes", BINARY, "write 2048"),
        ("2048b", BINARY, "write 2048"),
        ("large", BINARY, ""),
        ("4 parsec", BINARY, ""),
        ("", BINARY, ""),
        ("9" * 5_000 + "K", BINARY, ""),
        ("1." + "0" * 5_000 + "K", BINARY, ""),
        ("\u0664 K", BINARY, ""),
    ],
)
def test_a_text_that_is_almost_a_size_is_told_as_one(text: str, units: tuple[str, ...], hint: str) -> None:
    """Prefixes: IEC 80000-13 (kilo 1000, kibi 1024)."""
    assert size_hint(text, units) == hint


@pytest.mark.parametrize("size", [1, 32, 1000, 1024, 4000, 4096, 1025 * 1024, 3 << 30])
def test_a_size_is_written_without_units_of_1000(size: int) -> None:
    written = written_size(size)
    assert parse_size(written) == size
    assert isinstance(written, int) or written.endswith("iB")
