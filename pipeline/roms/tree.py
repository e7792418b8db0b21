"""A piece as a tree of operations: described for people, traced to its sources, evaluated to a size or to bytes."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TypeVar

from pipeline.model.ranges import Ranges
from pipeline.model.units import show_size
from pipeline.roms.operations.operation import HintedError, Operation, parameter
from pipeline.roms.operations.table import CHANGES, PIECES
from pipeline.roms.provenance import limited
from pipeline.roms.report import ProblemReport

Result = TypeVar("Result", int, bytes)

CHIP = PIECES["chip"]

LARGEST = 1 << 30
"""Bytes that one piece or ROM file may have: more than any core loads, and still within a machine's memory."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Node:
    """An operation with its arguments read, and the nodes of its parts. ``key``: the manifest key that asks for it.

    ``arguments`` are by parameter; ``contents`` are those arguments that name a chip or a patch. ``depth``: of the
    longest branch.
    """

    operation: Operation
    key: str
    arguments: Mapping[str, object]
    contents: Mapping[str, str]
    parts: tuple[Node, ...] = ()
    depth: int = 1


def describe_node(node: Node) -> str:
    """Return one line for people that says what a tree makes: "2a, take 1 KiB from 0x0000"."""
    texts = [describe_node(part) for part in node.parts]
    if node.operation.name in PIECES:
        listed = [text if part.operation.name == "chip" else f"({text})"
                  for text, part in zip(texts, node.parts, strict=True)]  # fmt: skip
        return node.operation.describe(*listed, **_shown(node))
    return f"{', '.join(texts)}, {node.operation.describe(**_shown(node))}"


def trace(node: Node, contents: Mapping[str, Ranges], before: str = "") -> Ranges:
    """Return where the bytes of a tree are from, given that of chips and patches.

    ``before`` begins the words for what is done to them. The tree must have no problem.
    """
    parts = [trace(part, contents, before) for part in node.parts]
    named = {argument: contents[name] for argument, name in node.contents.items()}
    words = before + node.operation.describe(**_shown(node)) if node.operation.name in CHANGES else ""
    return limited(node.operation.trace(words, *parts, **{**node.arguments, **named}))


def _shown(node: Node) -> dict[str, str]:
    """Return the arguments as they are shown, by parameter; "" for those left out."""
    values = {name: node.arguments[parameter(name)] for name in node.operation.arguments}
    return {
        parameter(name): "" if values[name] is None else argument.show(values[name])
        for name, argument in node.operation.arguments.items()
    }


def evaluate(
    node: Node, contents: Mapping[str, Result], how: Callable[[Operation], Callable[..., Result]], report: ProblemReport
) -> Result | None:
    """Return what a tree comes to: its size from the sizes of chips and patches, or its bytes from their bytes.

    ``how`` picks the function of each operation. None where a name is not in ``contents``, or where something is wrong
    (reported): sizes that do not fit, bytes that are not as declared, nothing left, or more than LARGEST.
    """
    if node.operation is CHIP:  # by far the most frequent
        chip = contents.get(node.contents["chip"])
        return None if chip is None else _bounded(node, chip, report)
    parts = [evaluate(part, contents, how, report) for part in node.parts]
    if any(part is None for part in parts) or any(name not in contents for name in node.contents.values()):
        return None
    named = {argument: contents[name] for argument, name in node.contents.items()}
    try:
        result = how(node.operation)(*parts, **{**node.arguments, **named})
    except ValueError as error:
        report.add(node.key, str(error), error.hint if isinstance(error, HintedError) else "")
        return None
    return _bounded(node, result, report)


def _bounded(node: Node, result: Result, report: ProblemReport) -> Result | None:
    size = result if isinstance(result, int) else len(result)
    if not 0 < size <= LARGEST:
        expected = f"{show_size(LARGEST)} at most" if size else "one or more"
        report.add(node.key, f"has {size:,} bytes; expected {expected}")
        return None
    return result
