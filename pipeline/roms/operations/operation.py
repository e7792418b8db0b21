"""What an operation is: a name, its arguments, and pure functions for sizes, bytes and words."""

from __future__ import annotations

import builtins
import keyword
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from functools import cache

from pipeline.model.ranges import Ranges
from pipeline.roms.operations.arguments import Argument
from pipeline.roms.provenance import scaled, through


class HintedError(ValueError):
    """What is wrong with bytes, and what a person can do about it."""

    def __init__(self, what: str, hint: str = "") -> None:
        super().__init__(what)
        self.hint = hint


SLOT_NAMES = "names"
"""The argument that a manifest writes as the ``name`` of each piece, in its own table."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Operation:
    """One way to make bytes, from other bytes or from nothing.

    ``size`` gives the number of bytes that come out, from the sizes of the parts (positional) and the arguments (by
    keyword, see ``parameter``); it raises ValueError for everything that is wrong whatever the bytes are.
    ``apply`` gives the bytes, from those of the parts; it raises ValueError when bytes it checks are not as declared.
    ``describe`` gives one line for people, from those of the parts and the arguments as text.
    ``trace`` gives where the bytes are from, from that of the parts, after the words that tell what is done; without
    one of its own, an operation leaves every byte where it is.
    ``parts``: how many parts it takes. ``main``: the argument of a change that is meant where a value stands in place
    of a table (mirror = "8 KiB").
    ``title``, ``description`` and ``example`` are what an editor shows; ``parts_description`` says what the parts are,
    where there are some to list. ``limits``: more of JSON Schema that holds for the table of its arguments.
    """

    name: str
    size: Callable[..., int]
    apply: Callable[..., bytes]
    describe: Callable[..., str]
    trace: Callable[..., Ranges] = lambda words, part, /, **_arguments: through(part, words)
    arguments: Mapping[str, Argument] = field(default_factory=dict)
    parts: Collection[int] = (1,)
    main: str = ""
    title: str = ""
    description: str
    example: object = None
    parts_description: str = ""
    limits: Mapping[str, object] = field(default_factory=dict)


@cache
def parameter(key: str) -> str:
    """Return the Python parameter for a manifest key: byte_order for "byte-order", from_ for "from"."""
    name = key.replace("-", "_")
    return f"{name}_" if keyword.iskeyword(name) or hasattr(builtins, name) else name


def in_units(words: str, part: Ranges, before: int, after: int) -> Ranges:
    """Return where bytes are from when each unit of ``before`` bytes becomes one of ``after``."""
    return scaled(through(part, words), before, after)


def same_size(size: int, **_arguments: object) -> int:
    """Return the size of the one part: the operation changes bytes, not how many there are."""
    return size


def whole_units(size: int, unit: int) -> int:
    """Return the size where it is a whole number of units; raise ValueError where it is not.

    Public tools disagree about a last unit that is cut short (one adds a zero, one leaves it, one refuses), so it
    is refused everywhere.
    """
    if size % unit:
        raise ValueError(f"has {size:,} bytes; expected a whole number of {unit}-byte units")
    return size
