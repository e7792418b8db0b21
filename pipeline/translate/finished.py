"""An output of which bytes stay open, explained from its finished file."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.model.manifest import RomFile
from pipeline.model.text import counted, listed
from pipeline.model.units import show_size
from pipeline.roms.operations.arguments import show_address
from pipeline.solve.solve import LARGEST, MOST_BYTES, solve
from pipeline.translate.rope import NotFollowedError, Rope, data_of

MOST_SHOWN = 8
"""Runs that stay unexplained and are listed."""


def from_finished(
    path: str, rope: Rope, finished: bytes, chips: Mapping[str, bytes]
) -> tuple[RomFile, tuple[int, ...]]:
    """Return a ROM file whose steps give a finished file, and for each step the line that put its first byte there.

    0 where that is not known. ``rope``: what is known of the file; ``chips``: by name. Raises NotFollowedError where
    the finished file is not what the script makes, as far as that is known, or where bytes stay unexplained.
    """
    if not 0 < len(finished) <= LARGEST or sum(map(len, chips.values())) > MOST_BYTES:
        raise NotFollowedError(f"the finished file has {len(finished):,} bytes; {show_size(LARGEST)} are the most")
    lines = _known_lines(rope, finished)
    solution = solve(finished, chips, path)
    if solution.unexplained:
        runs = [
            f"{show_address(run.start)} to {show_address(run.end - 1)}" for run in solution.unexplained[:MOST_SHOWN]
        ]
        missing = counted(len(finished) - solution.explained, "byte")
        raise NotFollowedError(f"{missing} of the finished file stay unexplained: {listed(runs)}")
    return solution.rom, tuple(
        next((line for start, end, line in lines if start <= step.at < end), 0) for step in solution.rom.steps
    )


def _known_lines(rope: Rope, finished: bytes) -> list[tuple[int, int, int]]:
    """Return from where up to where bytes are known, and the line that put them there."""
    at, lines = 0, list[tuple[int, int, int]]()
    for run in rope:
        if run.size is None:
            break
        end = at + run.size
        if run.source.kind != "open":
            if data_of((run,)) != finished[at:end]:
                raise NotFollowedError(
                    f"the finished file has other bytes at {show_address(at)} to {show_address(end - 1)} than line "
                    f"{run.line} puts there"
                )
            lines.append((at, end, run.line))
        at = end
    return lines
