"""How much of the memory that was freed stays with this process, where the C library lets us say so (glibc)."""

from __future__ import annotations

import ctypes
import sys
from collections.abc import Iterator
from contextlib import contextmanager

M_TRIM_THRESHOLD, M_MMAP_THRESHOLD = -1, -3
"""Source: mallopt(3); glibc, malloc/malloc.h."""

KEPT, LARGEST = 64 << 20, 32 << 20
"""Bytes that stay at most, and of the largest piece that does; the second is as large as glibc takes it by itself."""

KEPT_AFTERWARDS, LARGEST_AFTERWARDS = 4 << 20, 2 << 20
"""The same for the rest of a run; where glibc goes by what it saw, it takes about as much."""


@contextmanager
def freed_memory_kept() -> Iterator[None]:
    """Have memory that is freed meanwhile stay for what comes next, and give it back in the end.

    For work that needs the same amount over and over. What was given back, the system hands out anew page by page,
    each cleared, and that takes longer than filling it.
    """
    libc = ctypes.CDLL(None) if sys.platform == "linux" else None
    if libc is None or not hasattr(libc, "mallopt") or not hasattr(libc, "malloc_trim"):
        yield
        return
    _set(libc, KEPT, LARGEST)
    try:
        yield
    finally:
        _set(libc, KEPT_AFTERWARDS, LARGEST_AFTERWARDS)
        libc.malloc_trim(0)


def _set(libc: ctypes.CDLL, kept: int, largest: int) -> None:
    libc.mallopt(M_TRIM_THRESHOLD, kept)
    libc.mallopt(M_MMAP_THRESHOLD, largest)
