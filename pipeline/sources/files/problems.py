"""What is said when the machine does not let us read a file, and how a file is opened that may be none."""

from __future__ import annotations

import errno
import os
import stat
from io import FileIO

from pipeline.errors import MachineError, Place, Problem
from pipeline.model.text import shown


def open_file(path: str | bytes) -> FileIO:
    """Return a file open for reading; raises OSError, at once for a pipe or device that stands in its place.

    Opening a pipe waits for somebody who writes, without O_NONBLOCK (POSIX.1-2017, ``open``); a file takes no notice.
    """
    stream = FileIO(path, opener=_open)
    if not stat.S_ISREG(os.fstat(stream.fileno()).st_mode):
        stream.close()
        raise OSError(errno.EINVAL, "it is not a file")
    return stream


def _open(path: str, flags: int) -> int:
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0))


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
