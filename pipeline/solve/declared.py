"""Which of a title's declared steps do not fit a finished file, and what was found in their place."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.model.manifest import RomFile
from pipeline.roms.assemble import describe
from pipeline.solve.atoms import bytes_of, differing


@dataclass(frozen=True, slots=True, kw_only=True)
class StepDifference:
    """A declared step that does not fit: its key, what it does, how many of its bytes differ, and what fits there."""

    key: str
    declared: str
    size: int
    differing: int
    found: tuple[str, ...]


def wrong_steps(
    declared: RomFile, found: RomFile, finished: bytes, chips: Mapping[str, bytes]
) -> tuple[StepDifference, ...]:
    """Return the declared steps whose bytes are not those of the finished file; steps over earlier ones hide these.

    Steps whose chips are not there, or that an operation refuses, are left out.
    """
    shown, shown_found = describe(declared), describe(found)
    owner = bytearray(len(finished))  # 1 where a later step lies over what is looked at
    result = []
    placed = [(step.at, step.at + len(bytes_of(step.piece, chips))) for step in found.steps]
    for number in range(len(declared.steps) - 1, -1, -1):
        step = declared.steps[number]
        data = bytes_of(step.piece, chips)
        end = min(step.at + len(data), len(finished))
        if end <= step.at:
            continue
        expected = bytearray(finished[step.at : end])
        for at in range(step.at, end):
            if owner[at]:
                expected[at - step.at] = data[at - step.at]
        owner[step.at : end] = b"\1" * (end - step.at)
        wrong = differing(data[: end - step.at], bytes(expected)) + len(data) - (end - step.at)
        if wrong:
            fitting = tuple(
                text for text, (start, stop) in zip(shown_found, placed, strict=False) if start < end and stop > step.at
            )
            result.append(
                StepDifference(key=step.key, declared=shown[number], size=len(data), differing=wrong, found=fitting)
            )
    return tuple(result[::-1])
