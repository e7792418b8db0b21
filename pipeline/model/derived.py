"""Forms of a file: other bytes that a plain change makes of it, and those among them that are wanted."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from pipeline.model.content import Content, Location


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """What one or two changes make of a file: how the file differs from it ("byte-swapped"), the change, and the bytes.

    ``change`` is as a manifest has it in ``then``: "swap-bytes = 16", of two "invert = true }, { swap-bytes = 16"; ""
    where no change can, and a person must correct the file first. Of two files it is the piece that joins the chips
    "first" and "second".
    """

    how: str
    change: str
    data: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class AlternativeForms:
    """The forms that are looked for; sizes are in bytes.

    ``fits``: whether a file of one size (first) may have a form of another. ``forms``: those of that size that the
    bytes have, the plainest first. ``pairs``: those that two files of one size have together.
    """

    fits: Callable[[int, int], bool]
    forms: Callable[[bytes, int], Iterable[Form]]
    pairs: Callable[[bytes, bytes], Iterable[Form]]


@dataclass(frozen=True, order=True, slots=True, kw_only=True)
class FormSource:
    """A file that has a form of a wanted content, alone or with another one."""

    location: Location
    content: Content


@dataclass(frozen=True, order=True, slots=True, kw_only=True)
class Derived:
    """A source, or two, that is no wanted content but becomes it by the change."""

    sources: tuple[FormSource, ...]
    how: str
    change: str
