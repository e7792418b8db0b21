"""Values of directory entries as people read them.

Date and time words: Microsoft FAT32 File System Specification 1.03 (2000), "Date and Time Formats".
"""

from __future__ import annotations

import pytest

from pipeline.record.entry_text import Times, attributes_words, extents_words, times_words

DAY = (2026 - 1980) << 9 | 6 << 5 | 20
NOON = 12 << 11 | 30 << 5 | 5
OLD: Times = (DAY, NOON, 0, DAY, DAY, NOON)


@pytest.mark.parametrize(
    ("bits", "words"),
    [(0x00, "none"), (0x01, "read-only"), (0x06, "hidden, system"), (0x08, "volume label"), (0x10, "folder"),
     (0x21, "read-only, archive"), (0x40, "0x40"), (0xA0, "archive, 0x80")],
)  # fmt: skip
def test_attributes_are_told_by_name(bits: int, words: str) -> None:
    assert attributes_words(bits) == words


@pytest.mark.parametrize(
    ("extents", "words"),
    [
        ((), "no cluster"),
        (((12, 1),), "cluster 12"),
        (((1400, 2),), "clusters 1,400 to 1,401"),
        (((14, 3),), "clusters 14 to 16"),
        (((2000, 1), (5, 9)), "2 pieces from cluster 2,000 on"),
    ],
)
def test_places_are_told_by_cluster(extents: tuple[tuple[int, int], ...], words: str) -> None:
    assert extents_words(extents) == words


@pytest.mark.parametrize(
    ("new", "words"),
    [
        (
            (DAY + 1, NOON, 0, DAY + 1, DAY + 1, NOON),
            ("2026-06-20 12:30:10", "2026-06-21 12:30:10"),
        ),
        (
            (DAY, NOON, 0, DAY + 1, DAY, NOON),
            ("accessed 2026-06-20", "accessed 2026-06-21"),
        ),
        (
            (DAY, NOON, 0, DAY, DAY, NOON + 1),
            ("written 2026-06-20 12:30:10", "written 2026-06-20 12:30:12"),
        ),
        (
            (DAY + 1, NOON, 0, DAY, DAY, NOON + 1),
            (
                "created 2026-06-20 12:30:10, written 2026-06-20 12:30:10",
                "created 2026-06-21 12:30:10, written 2026-06-20 12:30:12",
            ),
        ),
        (
            (DAY + 1, NOON, 0, DAY + 2, DAY + 1, NOON + 1),
            (
                "created 2026-06-20 12:30:10, accessed 2026-06-20, written 2026-06-20 12:30:10",
                "created 2026-06-21 12:30:10, accessed 2026-06-22, written 2026-06-21 12:30:12",
            ),
        ),
    ],
    ids=["all alike", "accessed", "written", "created and written", "all apart"],
)
def test_times_that_differ_are_told_once_where_they_are_alike(new: Times, words: tuple[str, str]) -> None:
    assert times_words(OLD, new) == words
