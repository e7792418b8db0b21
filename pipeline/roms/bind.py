"""Reads the pieces and changes of a manifest into trees of operations, with every argument read and checked."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass

from pipeline.model.manifest import Change, Piece, Value
from pipeline.model.text import did_you_mean, listed
from pipeline.roms.operations.arguments import Argument, as_written
from pipeline.roms.operations.operation import SLOT_NAMES, Operation, parameter
from pipeline.roms.operations.table import CHANGES, PIECES
from pipeline.roms.report import ProblemReport
from pipeline.roms.tree import Node

DEEPEST = 100
"""Operations on one branch of a tree; far more than any ROM file needs, and no danger to Python's stack."""

CONTENT_KEYS = {"chip": "chips", "patch": "patches"}
"""The table of a title's manifest that declares the contents of each kind."""

Written = Mapping[str, tuple[str, Value]]
"""The arguments of an operation as a manifest has them: by name, each with its manifest key and its value."""


@dataclass(frozen=True, slots=True)
class Binder:
    """Reads pieces and changes; whatever is wrong goes into ``report``, and then there is no tree.

    ``names`` are those a title has of each kind ("chip", "patch"); with None every name will do.
    """

    names: Mapping[str, Collection[str]] | None
    report: ProblemReport

    def piece(self, piece: Piece, key: str, *, listed: bool = False) -> Node | None:
        """Return the tree for the piece in the table at a key.

        ``listed``: it stands in the list of another piece, where a chip is written as its bare name.
        """
        operation = PIECES.get(piece.operation)
        if operation is None:
            self.report.add(f"{key}.{piece.operation}", "no such operation", _known(piece.operation, PIECES))
            return None
        bare = listed and operation.name == "chip" and not piece.then and not piece.slot
        if bare and not piece.arguments and (self.names is None or piece.name in self.names["chip"]):
            named = {"chip": piece.name}  # by far the most frequent piece, and nothing can be wrong with it
            return Node(operation=operation, key=key, arguments=named, contents=named)
        own = key if bare else f"{key}.{operation.name}"
        parts = [self.piece(part, f"{own}.{number}", listed=True) for number, part in enumerate(piece.parts, 1)]
        written = {name: (f"{key}.{name}", value) for name, value in piece.arguments.items()}
        if operation.name == "chip":
            written["chip"] = (own, piece.name)
        if SLOT_NAMES in operation.arguments:
            written[SLOT_NAMES] = (own, tuple(part.slot for part in piece.parts))
        return self.changes(self._node(operation, own, written, parts), piece.then, key)

    def changes(self, node: Node | None, changes: Sequence[Change], key: str) -> Node | None:
        """Return the tree for changes made to a node, in order; ``key`` is that of the table that holds ``then``."""
        for number, change in enumerate(changes, 1):
            own = f"{key}.then.{number}.{change.operation}"
            operation = CHANGES.get(change.operation)
            if operation is None:
                self.report.add(own, "no such change", _known(change.operation, CHANGES))
                node = None
            else:
                node = self._change(operation, change.arguments, own, node)
        return node

    def _change(self, operation: Operation, value: Value, key: str, node: Node | None) -> Node | None:
        """Return the tree for a change written as a table, as a bare value, or (where it needs no more) as true."""
        written: Written = {}
        if isinstance(value, Mapping):
            written = {name: (f"{key}.{name}", inner) for name, inner in value.items()}
        elif operation.main:
            written = {operation.main: (key, value)}
        elif value is not True or operation.arguments:
            expected = f"a table with {_listing(operation)}" if operation.arguments else "true"
            self.report.add(key, f"{as_written(value)} is out of place; expected {expected}")
            return None
        return self._node(operation, key, written, [node])

    def _node(self, operation: Operation, key: str, written: Written, parts: Sequence[Node | None]) -> Node | None:
        before = len(self.report.problems)
        values = self._arguments(operation, key, written)
        whole = tuple(part for part in parts if part is not None)
        depth = 1 + max((part.depth for part in whole), default=0)
        if len(parts) not in operation.parts:
            self.report.add(key, f"expected {_counts(operation.parts)}, found {len(parts):,}")
        if depth > DEEPEST:
            self.report.add(key, f"is number {depth} of the operations on one piece; expected {DEEPEST} at most")
        if len(self.report.problems) > before or len(whole) < len(parts):
            return None
        contents = {parameter(name): str(values[name]) for name, argument in operation.arguments.items()
                    if argument.names and values[name] is not None}  # fmt: skip
        arguments = {parameter(name): value for name, value in values.items()}
        return Node(operation=operation, key=key, arguments=arguments, contents=contents, parts=whole, depth=depth)

    def _arguments(self, operation: Operation, key: str, written: Written) -> dict[str, object]:
        """Return the value of every argument, by its name in the manifest."""
        for name in written.keys() - operation.arguments.keys():
            takes = f"{operation.name} takes {_listing(operation)}" if operation.arguments else "it takes no arguments"
            self.report.add(written[name][0], "unknown key", did_you_mean(name, operation.arguments, takes))
        for name, argument in operation.arguments.items():
            if argument.required and name not in written:
                self.report.add(key, f"{name} is missing; expected {argument.expects}")
        return {
            name: self._read(argument, *written[name]) if name in written else argument.default
            for name, argument in operation.arguments.items()
        }

    def _read(self, argument: Argument, key: str, value: Value) -> object:
        try:
            read = argument.parse(value)
        except ValueError as error:
            self.report.add(key, str(error))
            return None
        known = self.names[argument.names] if argument.names and self.names is not None else None
        if known is not None and read not in known:
            declare = f"declare it as [{CONTENT_KEYS[argument.names]}.{read}] with its size and sha256"
            self.report.add(
                key, f"no {argument.names} {as_written(value)} in this title", did_you_mean(str(read), known, declare)
            )
        return read


def named(piece: Piece) -> Iterator[str]:
    """Yield the names of the chips and patches a piece uses, in the order they are written, with repeats."""
    for part in piece.parts:
        yield from named(part)
    if piece.operation == "chip":
        yield piece.name
    for change in piece.then:
        yield from named_by(change)


def named_by(change: Change) -> Iterator[str]:
    """Yield the names of the chips and patches that a change uses."""
    operation = CHANGES.get(change.operation)
    if operation is None:
        return
    written = change.arguments if isinstance(change.arguments, Mapping) else {operation.main: change.arguments}
    for name, argument in operation.arguments.items():
        value = written.get(name)
        if argument.names and isinstance(value, str):
            yield value


def _listing(operation: Operation) -> str:
    return listed(operation.arguments)


def _counts(parts: Collection[int]) -> str:
    if isinstance(parts, range):
        return f"{parts[0]:,} to {parts[-1]:,} pieces"
    return f"{listed(map(str, parts), 'or')} piece{'s' if max(parts) > 1 else ''}"


def _known(word: str, table: Mapping[str, Operation]) -> str:
    return did_you_mean(word, table, f"known are {', '.join(sorted(table))}")
