"""How a file is named to a person, and what is said when the machine does not let us read it."""

from __future__ import annotations

import os

from pipeline.errors import MachineError, Place, Problem


def shown(path: str | bytes | os.PathLike[str]) -> str:
    """Return a path as one printable line: control characters and bytes that are no text appear as escapes.

    POSIX file names are any bytes but NUL and "/" (POSIX.1-2017, 3.170), so a name may hold line feeds or no text
    at all; neither may break a message.
    """
    text = os.fsdecode(path)
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


def reason(error: OSError) -> str:
    """Return the system's own words for what went wrong."""
    return error.strerror or str(error)


def unreadable(path: str | bytes | os.PathLike[str], error: OSError) -> Problem:
    """Return the problem that a file or folder cannot be read."""
    hint = "make it readable, or leave it out of the places"
    return Problem(Place(file=shown(path)), f"cannot be read: {reason(error)}", hint)


def machine_error(path: str | bytes | os.PathLike[str], error: OSError) -> MachineError:
    """Return the exception for a file that has to be read and cannot be."""
    hint = "make it readable, or put it back where it was"
    return MachineError([Problem(Place(file=shown(path)), f"cannot be read: {reason(error)}", hint)])
