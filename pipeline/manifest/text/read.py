"""One manifest: the bytes of its file, and its text as TOML values."""

from __future__ import annotations

import hashlib
import re
import tomllib
from collections.abc import Mapping
from contextlib import suppress
from stat import S_ISREG
from typing import Any

import tomli

from pipeline.errors import Place, Problem
from pipeline.manifest.files import ManifestFile
from pipeline.manifest.text.limits import DEEPEST, TOO_DEEP, TOO_MANY, excess, is_suspect
from pipeline.manifest.text.positions import Part, Positions
from pipeline.manifest.text.syntax_hints import syntax_hint

LARGEST = 4 << 20
"""Bytes of a manifest; more is no manifest but a mistake."""

HINTS = {TOO_DEEP: "use several steps in place of one", TOO_MANY: "split it into several manifests"}
LONG_NUMBER = re.compile(r"(?<![0-9A-Za-z_])[0-9_]{4301,}")
"""More digits than Python reads."""

WHERE = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")


def read(file: ManifestFile) -> bytes | Problem:
    """Return what a manifest holds, or why it cannot be read."""
    try:
        path = file.path
        state = path.stat()
        if not S_ISREG(state.st_mode):
            return _no_file(file)
        if state.st_size > LARGEST:
            what = f"found {state.st_size:,} bytes, expected a manifest of at most {LARGEST:,}"
            return Problem(Place(file.file), what)
        return path.read_bytes()
    except FileNotFoundError:
        return _no_file(file)
    except OSError as error:
        return Problem(Place(file.file), f"cannot be read: {error.strerror}", "check the file's permissions")


def parse(data: bytes, file: str) -> tuple[str, dict[str, Any]] | Problem:
    """Return a manifest's text and its TOML values, or the one thing that is wrong with its text."""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line, column = data.count(b"\n", 0, error.start) + 1, error.start - data.rfind(b"\n", 0, error.start)
        what = f"found the byte 0x{data[error.start]:02X}, expected UTF-8 text"
        return Problem(Place(file, line, column), what, "save the file as UTF-8")
    if is_suspect(text) and (beyond := excess(text)):
        return _excessive(text, *beyond, file)
    try:
        values = toml_values(text)
    except RecursionError:
        return _excessive(text, *(excess(text) or (0, TOO_DEEP)), file)
    except ValueError as error:
        return _broken(text, str(error), file)
    if path := deep_path(values):
        return _excessive(text, Positions(text).spot(path).value, TOO_DEEP, file)
    return text, values


def toml_values(text: str) -> dict[str, Any]:
    """Return the values of a TOML text; raises TOMLDecodeError, ValueError or RecursionError when it is none.

    tomli says the same as the standard library in a third of the time; what is refused is said by the latter.
    """
    with suppress(ValueError, RecursionError):
        return tomli.loads(text)
    return tomllib.loads(text)


def values_sha256(values: Mapping[str, Any]) -> bytes:
    """Return a digest of TOML values and their order; of comments, blank lines and the like it knows nothing."""
    return hashlib.sha256(repr(values).encode()).digest()


def _no_file(file: ManifestFile) -> Problem:
    return Problem(Place(file.file), "found no file, expected a manifest", "take it out of the folder")


def _broken(text: str, message: str, file: str) -> Problem:
    """Return the problem of a text that is no TOML, with the position the parser names."""
    match = WHERE.search(message)
    lines = text.replace("\r\n", "\n").split("\n")
    line, column = len(lines), len(lines[-1]) + 1
    if match and match[1]:
        line, column = int(match[1]), int(match[2])
    what = message[: match.start()] if match else message
    if number := LONG_NUMBER.search(text):
        position = text.count("\n", 0, number.start()) + 1, number.start() - text.rfind("\n", 0, number.start())
        return Problem(Place(file, *position), "found a number of thousands of digits, expected fewer", "correct it")
    hint = syntax_hint(what, lines[line - 1], column)
    return Problem(Place(file, line, column), f"found broken TOML: {what[:1].lower()}{what[1:]}", hint)


def deep_path(values: Any, room: int = DEEPEST - 1) -> tuple[Part, ...]:
    """Return the path to something deeper than ``room`` tables and lists below a table or list, () when none is."""
    for part, inner in values.items() if type(values) is dict else enumerate(values):
        if not room:
            return (part,)
        if (type(inner) is dict or type(inner) is list) and (path := deep_path(inner, room - 1)):
            return (part, *path)
    return ()


def _excessive(text: str, offset: int, found: str, file: str) -> Problem:
    line, column = text.count("\n", 0, offset) + 1, offset - text.rfind("\n", 0, offset)
    return Problem(Place(file, line, column), f"found {found}, expected fewer", HINTS.get(found, "correct it"))
