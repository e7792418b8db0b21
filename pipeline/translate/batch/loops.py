"""What ``for`` goes over.

Source: the help of cmd ("for /?"), which Microsoft's Windows Commands reference repeats.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from pipeline.translate.batch.file_commands import unquoted, words_of
from pipeline.translate.batch.lines import For
from pipeline.translate.machine import LONGEST_WORD, Machine, ScriptStoppedError
from pipeline.translate.rope import data_of

MOST_TURNS = 100_000
OPTIONS = re.compile(r"(?:usebackq\s*)?(?:tokens=([0-9,*]+)\s*)?(?:delims=(.*))?", re.IGNORECASE)
"""The options of ``for /f`` that are followed."""


def turns(machine: Machine, command: For, values: str) -> Iterator[dict[str, str]]:
    """Yield the variables of each turn; ``values``: what stands between the parentheses, variables replaced."""
    if command.kind == "f":
        yield from _over_lines(machine, command, values.strip())
    elif command.kind == "l":
        for number in _numbers(values):
            yield {command.variable: str(number)}
    elif command.kind:
        raise ScriptStoppedError(f"for /{command.kind} is not followed")
    else:
        for item in _items(machine, values):
            yield {command.variable: item}


def _numbers(values: str) -> range:
    numbers = [int(word) for word in re.findall(r"-?[0-9]+", values)]
    if len(numbers) != 3:
        raise ScriptStoppedError("for /l without three numbers")
    start, step, end = numbers
    if not step or abs(end - start) // abs(step) > MOST_TURNS:
        raise ScriptStoppedError("for /l goes round too often; it may be a loop without end")
    return range(start, end + (1 if step > 0 else -1), step)


def _items(machine: Machine, values: str) -> list[str]:
    """Return words, and in place of patterns the files that fit them."""
    items = list[str]()
    for word in words_of(values):
        if not re.search("[*?]", word):
            items.append(word)
            continue
        found = machine.fitting(unquoted(word))
        if len(found) > 1:
            machine.remark("the files of a pattern are taken by name, as NTFS lists them", "note")
        items += found
    return items


def _over_lines(machine: Machine, command: For, values: str) -> Iterator[dict[str, str]]:
    options = OPTIONS.fullmatch(command.options)
    if not options:
        raise ScriptStoppedError("for /f with these options")
    delimiters = " \t" if options[2] is None else options[2]
    wanted = (options[1] or "1").split(",")
    if wanted[-1].endswith("*") and wanted[-1] != "*":
        wanted[-1:] = [wanted[-1][:-1], "*"]
    for line in _lines(machine, values, backquotes="usebackq" in command.options.casefold()):
        columns = _columns(line, delimiters, wanted) if line and not line.startswith(";") else None
        if columns is not None:
            yield {chr(ord(command.variable) + at): text for at, text in enumerate(columns)}


def _lines(machine: Machine, values: str, *, backquotes: bool) -> list[str]:
    """Return the lines of files, or the one that stands in quotes."""
    sign = values[:1]
    if (sign == "'" and not backquotes) or sign == "`":
        raise ScriptStoppedError("for /f over what a command prints")
    if (sign == '"' and not backquotes) or (sign == "'" and backquotes):
        return [values[1:-1]]
    lines = list[str]()
    for word in words_of(values):
        data = data_of(machine.peek(machine.path(unquoted(word))))
        if len(data) > LONGEST_WORD or b"\0" in data:
            raise ScriptStoppedError("for /f over a file that is not a list")
        lines += data.decode("utf-8", "surrogateescape").splitlines()
    return lines


def _columns(line: str, delimiters: str, wanted: list[str]) -> list[str] | None:
    """Return the columns of a line that ``tokens=`` names, "*" for all that is left; None where it has none."""
    splits = list(re.finditer(f"[^{re.escape(delimiters)}]+", line)) if delimiters else []
    pieces = [found[0] for found in splits] if delimiters else [line]
    if not pieces:
        return None
    columns = list[str]()
    for at, token in enumerate(wanted):
        if token == "*":  # noqa: S105  # a column, no secret
            before = int(wanted[at - 1]) if at else 0
            columns.append(line[splits[before].start() :] if before < len(splits) else "")
        else:
            columns.append(pieces[int(token) - 1] if 0 < int(token) <= len(pieces) else "")
    return columns
