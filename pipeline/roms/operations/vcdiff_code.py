"""The default code table of VCDIFF: what each of the 256 instruction codes means.

Source: RFC 3284, section 5.6.
"""

from __future__ import annotations

from typing import Literal, NamedTuple


class Instruction(NamedTuple):
    """One thing to do: "add" new bytes, "run" one byte, or "copy" from an address in one of nine modes (0 to 8).

    ``size``: how many bytes it makes; 0 where the number follows the code.
    """

    kind: Literal["add", "run", "copy"]
    size: int = 0
    mode: int = 0


def _table() -> tuple[tuple[Instruction, ...], ...]:
    """Return the table line by line as section 5.6 prints it; a code means one instruction or two."""
    codes: list[tuple[Instruction, ...]] = [(Instruction("run"),)]  # line 1
    codes += [(Instruction("add", size),) for size in range(18)]  # 2
    codes += [(Instruction("copy", size, mode),) for mode in range(9) for size in (0, *range(4, 19))]  # 3 to 11
    for modes, sizes in ((range(6), range(4, 7)), (range(6, 9), range(4, 5))):  # 12 to 17, 18 to 20
        codes += [(Instruction("add", before), Instruction("copy", size, mode))
                  for mode in modes for before in range(1, 5) for size in sizes]  # fmt: skip
    codes += [(Instruction("copy", 4, mode), Instruction("add", 1)) for mode in range(9)]  # 21
    return tuple(codes)


CODE = _table()
"""The instructions of each code."""
