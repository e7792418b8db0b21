"""Checksum lists in the form the public tool ``sha256sum`` writes and checks."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator

from pipeline.errors import ManifestError, Place, Problem
from pipeline.manifest.schema.formats import UnfitError, check_path
from pipeline.model.manifest import KnownChip
from pipeline.model.text import did_you_mean, quote

LINE = re.compile(r"([0-9A-Fa-f]{64}) [ *](.+)")


def parse_sums(text: str, file: str) -> tuple[tuple[str, str], ...]:
    """Return the (SHA-256, path) pairs of a checksum list, in its order; hashes in lower case.

    A line is 64 hexadecimal digits, a space, a space or "*" (binary), and a path with "/" that stays on the card; a
    leading "./" is dropped. Blank lines and lines that begin with "#" say nothing. Lines end in LF or CR LF.
    Raises ManifestError with every line that is wrong. Names that GNU's tool escapes with a backslash are refused.
    Source: GNU Coreutils manual, "md5sum invocation" and "sha2 utilities".
    """
    lines = list(_lines(text, file))
    problems = [line for line in lines if isinstance(line, Problem)]
    if problems:
        raise ManifestError(problems)
    return tuple(line[1:] for line in lines if not isinstance(line, Problem))


def _lines(text: str, file: str) -> Iterator[tuple[int, str, str] | Problem]:
    """Yield number, SHA-256 and path of each line that says something, or what is wrong with it."""
    lines: dict[str, int] = {}
    for number, line in enumerate(text.removeprefix("\ufeff").split("\n"), 1):
        line = line.removesuffix("\r")
        if not line.strip() or line.startswith("#"):
            continue
        found = line
        try:
            sha256, found = _pair(line)
            check_path(found)
            if lines.setdefault(found, number) != number:
                raise UnfitError("every path once", f"it stands on line {lines[found]} too; take one out")
        except UnfitError as error:
            yield _problem(file, number, found, error)
        else:
            yield number, sha256, found


def known_chips(text: str, sockets: Collection[str]) -> Iterator[KnownChip | Problem]:
    """Yield what a checksum list says of the chips in sockets, or what is wrong with it, as if it were a file.

    A path is that of a socket, with or without an ending, below that of its title where it says one.
    """
    for line in _lines(text, ""):
        if isinstance(line, Problem):
            yield line
            continue
        number, sha256, path = line
        above, _, name = path.rpartition("/")
        socket = next((candidate for candidate in (name, name.rpartition(".")[0]) if candidate in sockets), None)
        if socket:
            yield KnownChip(sha256=sha256, title=above.rpartition("/")[2], socket=socket)
        else:
            hint = did_you_mean(name.rpartition(".")[0] or name, sockets, f"the sockets are {', '.join(sockets)}")
            error = UnfitError("a path that ends with a socket of this layout", hint)
            yield _problem("", number, path, error)


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
