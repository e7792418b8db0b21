"""Forms of a file: other bytes that a plain change makes of it, and those among them that are wanted."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from pipeline.model.content import Content, Location


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """What one change makes of a file: how the file differs from it ("byte-swapped"), the change, and the bytes.

    ``change`` is as a manifest has it in ``then``: "swap-bytes = 16"; "" where no change can, and a person must
    correct the file first.
    """

    how: str
    change: str
    data: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class AlternativeForms:
    """The forms that are looked for.

    ``fits``: whether a file of one size (first) may have a form of another. ``forms``: those of that size that the
    bytes have, the plainest first. Both are in bytes.
    """

    fits: Callable[[int, int], bool]
    forms: Callable[[bytes, int], Iterable[Form]]


@dataclass(frozen=True, order=True, slots=True, kw_only=True)
class Derived:
    """A source that is not a wanted content, but becomes it by one change; ``content`` is that of the source."""

    location: Location
    content: Content
    how: str
    change: str
