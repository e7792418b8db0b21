"""A folder as ``doit start`` makes it: what every build of it warns of, as its bitstream is a stand-in."""

from __future__ import annotations

import re

WARNING = re.compile(
    r"^warning \(bitstream-can-be-told\): inputs/cores/my-core\.toml:\d+:1: bitstream: "
    r'the bitstream of core "my-core": .*; the board names no FPGA\n'
    r"  see inputs/boards/my-board\.toml.*\n  hint: .*\n",
    re.MULTILINE,
)


def other_words(err: str) -> str:
    """Return what else is said on standard error; the warning must be there."""
    words, count = WARNING.subn("", err)
    assert count
    return words
