"""Checksum lists in the form the public tool ``sha256sum`` writes and checks."""

from __future__ import annotations

import re

from pipeline.errors import ManifestError, Place, Problem
from pipeline.manifest.schema.formats import UnfitError, check_path
from pipeline.model.text import quote

LINE = re.compile(r"([0-9A-Fa-f]{64}) [ *](.+)")


def parse_sums(text: str, file: str) -> tuple[tuple[str, str], ...]:
    """Return the (SHA-256, path) pairs of a checksum list, in its order; hashes in lower case.

    A line is 64 hexadecimal digits, a space, a space or "*" (binary), and a path with "/" that stays on the card; a
    leading "./" is dropped. Blank lines and lines that begin with "#" say nothing. Lines end in LF or CR LF.
    Raises ManifestError with every line that is wrong. Names that GNU's tool escapes with a backslash are refused.
    Source: GNU Coreutils manual, "md5sum invocation" and "sha2 utilities".
    """
    sums: list[tuple[str, str]] = []
    problems: list[Problem] = []
    lines: dict[str, int] = {}
    for number, line in enumerate(text.removeprefix("\ufeff").split("\n"), 1):
        line = line.removesuffix("\r")
        if not line.strip() or line.startswith("#"):
            continue
        try:
            sha256, path = _pair(line)
        except UnfitError as error:
            problems.append(_problem(file, number, line, error))
            continue
        try:
            check_path(path)
            if path in lines:
                raise UnfitError("every path once", f"it stands on line {lines[path]} too; take one out")
        except UnfitError as error:
            problems.append(_problem(file, number, path, error))
        lines.setdefault(path, number)
        sums.append((sha256, path))
    if problems:
        raise ManifestError(problems)
    return tuple(sums)


def _problem(file: str, number: int, found: str, error: UnfitError) -> Problem:
    return Problem(Place(file, number, 1), f"found {quote(found)}, expected {error.expected}", error.hint)


def _pair(line: str) -> tuple[str, str]:
    """Return hash and path of a line that says something; raises UnfitError when it is not of the known form."""
    if line.startswith("\\"):
        raise UnfitError("a path without backslashes or line breaks", "rename the file, and make the list again")
    match = LINE.fullmatch(line)
    if match:
        return match[1].lower(), match[2].removeprefix("./")
    digits = re.match("[0-9A-Fa-f]*", line)
    hint = "make the list with: sha256sum FILE..."
    if digits and len(digits[0]) > 8 and len(digits[0]) != 64:
        hint = f"the hash has {len(digits[0])} digits; a SHA-256 has 64"
    raise UnfitError("64 hexadecimal digits, two spaces and a path", hint)
