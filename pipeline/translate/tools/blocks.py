"""``dd``: blocks of one file into another.

Sources: IEEE Std 1003.1-2017 (POSIX), "Utilities"; for what goes beyond it, the manual of GNU coreutils.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pipeline.model.manifest import Change
from pipeline.translate.rope import (
    LARGEST,
    NotFollowedError,
    Rope,
    cut,
    data_of,
    fill,
    join,
    known_size,
    made,
    mapped,
    size_of,
    spliced,
)
from pipeline.translate.tools.call import Answer, Call, number


@dataclass(frozen=True, slots=True)
class _Operands:
    """The operands of dd. ``conversions``, ``flags``: of ``conv=``, ``iflag=`` and ``oflag=``."""

    given: Mapping[str, str]
    conversions: frozenset[str]
    flags: frozenset[str]

    def in_bytes(self, names: Sequence[str], block: int, flag: str) -> int | None:
        """Return the bytes that one of the operands states, in blocks or, with a flag or "B", in bytes."""
        text = next((self.given[name] for name in names if self.given.get(name)), None)
        if text is None:
            return None
        if flag in self.flags or re.fullmatch("[0-9]+B", text):
            return number(text.removesuffix("B"))
        return number(text) * block

    def block(self, name: str) -> int:
        """Return the bytes of a block that is read ("ibs") or written ("obs")."""
        size = number(self.given.get("bs") or self.given.get(name, "512"))
        if not size:
            raise NotFollowedError("dd with blocks of 0 bytes")
        return size


NAMES = {"if", "of", "bs", "ibs", "obs", "cbs", "skip", "iseek", "count", "seek", "oseek", "conv", "status", "iflag",
         "oflag"}  # fmt: skip
CONVERSIONS = {"notrunc", "swab", "sync", "noerror", "fsync", "fdatasync", "nocreat", "excl", "ucase", "lcase"}
FLAGS = {"skip_bytes", "count_bytes", "seek_bytes", "fullblock", "direct", "sync", "dsync", "append"}


def _operands(words: Sequence[str]) -> _Operands:
    given = dict(word.partition("=")[::2] for word in words)
    if set(given) - NAMES:
        raise NotFollowedError("an operand of dd that is not known")
    conversions = frozenset(filter(None, given.get("conv", "").split(",")))
    flags = frozenset(filter(None, f"{given.get('iflag', '')},{given.get('oflag', '')}".split(",")))
    if conversions - CONVERSIONS:
        raise NotFollowedError(f"dd conv={given['conv']}")
    if flags - FLAGS:
        raise NotFollowedError("a flag of dd that is not known")
    return _Operands(given, conversions, flags)


def dd(call: Call) -> Answer:
    """Copy blocks of one file into another."""
    operands = _operands(call.words)
    rope = _converted(_taken(call, operands), operands, call.machine.line)
    if "of" not in operands.given:
        return 0, rope
    path = operands.given["of"]
    if path in ("/dev/null", "/dev/stdout"):
        return 0, call.write(path, rope)
    place = call.machine.path(path)
    old = call.machine.peek(place) if call.machine.exists(place) else ()
    seek = operands.in_bytes(("seek", "oseek"), operands.block("obs"), "seek_bytes") or 0
    if "append" in operands.flags:
        new = join(old, rope)
    elif "notrunc" in operands.conversions:
        new = spliced(old, seek, rope, call.machine.line) if rope else old
    else:
        new = spliced(cut(old, 0, seek), seek, rope, call.machine.line)
    call.write(path, new)
    return 0, ()


def _taken(call: Call, operands: _Operands) -> Rope:
    """Return the part of the input that is copied."""
    block, given = operands.block("ibs"), operands.given
    skip = operands.in_bytes(("skip", "iseek"), block, "skip_bytes") or 0
    count = operands.in_bytes(("count",), block, "count_bytes")
    if call.feed.piped and "if" not in given and "count" in given and block > 1 and "fullblock" not in operands.flags:
        call.machine.remark("dd reads from a pipe; its blocks are taken as full", "note")
    rope = call.read(given.get("if", "-"))
    size = size_of(rope)
    if size is not None and size > LARGEST and count is None:
        raise NotFollowedError("dd reads without an end")
    return cut(rope, skip, None if count is None else skip + count)


def _converted(rope: Rope, operands: _Operands, line: int) -> Rope:
    block, conversions = operands.block("ibs"), operands.conversions
    if "sync" in conversions:
        rope = join(rope, fill(0, -known_size(rope) % block, line))
    if "swab" in conversions:
        if block % 2 and known_size(rope) > block:
            raise NotFollowedError("dd conv=swab with an odd block size")
        rope = swapped(rope, 2, line)
    for name, change in (("ucase", bytes.upper), ("lcase", bytes.lower)):
        if name in conversions:
            rope = mapped(rope, change(bytes(range(256))))
    return rope


def swapped(rope: Rope, unit: int, line: int) -> Rope:
    """Return the bytes of each unit back to front; what is left over at the end stays as it is."""
    size = known_size(rope)
    whole, rest = cut(rope, 0, size - size % unit), cut(rope, size - size % unit)
    data = bytearray(data_of(whole))
    old = bytes(data)
    for at in range(unit):
        data[at::unit] = old[unit - 1 - at :: unit]
    change = Change(operation="swap-bytes", arguments=8 * unit)
    return join(made(bytes(data), (whole,), line, then=(change,)), rest)
