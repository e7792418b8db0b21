"""Values of the state store that are many and small: a line each in one file, to which several processes may add.

A line is what a file of ``workspace.state`` is, with a SHA-256 of its own. It begins with a line end too, so that
whatever is cut off or flips before it costs that line and no other. Each line is written by one call that appends.
"""

from __future__ import annotations

import json
import os
import re
import stat
import weakref
from collections.abc import Collection, Iterator
from contextlib import suppress
from io import BufferedReader, FileIO
from pathlib import Path
from typing import Any, TypeVar

from pipeline.workspace import state
from pipeline.workspace.atomic_write import replacing

T = TypeVar("T")

NAME = re.compile(rb'\["((?:[^"\\]|\\.)*)",')
"""The beginning of a line's value: the name, as JSON has it."""


class Lines:
    """A file of lines; it stays open once something was added."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._file: FileIO | None = None

    def add(self, text: bytes) -> None:
        """Add a JSON text; raises OSError."""
        if self._file is None or not os.fstat(self._file.fileno()).st_nlink:
            state.make_room(self.path)
            self._file = self.path.open("ab", buffering=0)
            weakref.finalize(self, self._file.close)
        self._file.write(b"\n" + state.sealed(self.path, text))

    def close(self) -> None:
        """Let go of the file, so that it can be replaced or removed on every system."""
        if self._file is not None:
            self._file.close()
            self._file = None


class ValueLog:
    """Values that are kept one after another."""

    def __init__(self, path: Path) -> None:
        self._lines = Lines(path)

    def add(self, value: Any) -> None:
        """Add a value, a dataclass; raises OSError."""
        self._lines.add(state.encoded(value))

    def read(self, kind: type[T]) -> Iterator[T]:
        """Yield the values, in order; lines that are damaged are left out."""
        path = self._lines.path
        for line in state.read_bytes(path).splitlines(keepends=True):
            value = state.value_of(state.unsealed(path, line), kind)
            if value is not None:
                yield value

    def remove(self) -> None:
        """Remove the file; raises OSError."""
        self._lines.close()
        self._lines.path.unlink()


class NamedValues:
    """Values by name, of which the one that was written last counts.

    An earlier one stays in the file until the file is tidied. It may come back where the last one is damaged: whoever
    reads it compares it with what there is. What another process adds is seen by the next call.
    """

    def __init__(self, path: Path) -> None:
        self._lines = Lines(path)
        self._starts: dict[bytes, int] = {}
        self._reader: BufferedReader | None = None
        self._known = (0, 0, 0)
        self._count = self._end = 0

    def write(self, name: str, value: Any) -> None:
        """Keep a value, a dataclass, under a name; None for none. Raises OSError."""
        self._lines.add(state.encoded([name, value]))

    def read(self, name: str, kind: type[T]) -> T | None:
        """Return the value of a name; None when there is no whole one of this kind."""
        self._catch_up()
        at = self._starts.get(_key(name))
        text = None if at is None else state.unsealed(self._lines.path, self._line(at))
        if text is None:
            return None
        return state.value_of(text[len(_key(name)) + 4 : -1], kind)

    def __contains__(self, name: str) -> bool:
        self._catch_up()
        return _key(name) in self._starts

    def names(self) -> Iterator[str]:
        """Yield the names that have a whole value, or none by the last line."""
        self._catch_up()
        for at in sorted(self._starts.values()):
            text = state.unsealed(self._lines.path, self._line(at)) or b""
            if name := NAME.match(text):
                with suppress(ValueError):
                    yield json.loads(b'"' + name[1] + b'"')

    def tidy(self, names: Collection[str]) -> None:
        """Write the file anew where it holds other names than these, or many earlier values; raises OSError."""
        self._catch_up()
        keep = set(map(_key, names))
        if keep >= self._starts.keys() and self._count <= 2 * len(self._starts) + 100:
            return
        path = self._lines.path
        with replacing(path) as temporary:
            with temporary.open("wb") as file:
                for name, at in self._starts.items():
                    if name in keep:
                        file.write(b"\n" + self._line(at))
            self._forget()
            self._lines.close()

    def _forget(self) -> None:
        """Know nothing of the file."""
        if self._reader is not None:
            self._reader.close()
        self._reader = None
        self._known = (0, 0, 0)
        self._starts.clear()
        self._count = self._end = 0

    def _catch_up(self) -> None:
        """Know where the last value of each name begins, in the file as it is now; nothing where it cannot be read."""
        try:
            found = self._lines.path.lstat()
            known = os.getpid(), found.st_dev, found.st_ino  # each process reads at a place of its own
            if known != self._known or found.st_size < self._end:
                self._forget()
                if stat.S_ISREG(found.st_mode) and found.st_size <= state.LARGEST:
                    self._reader, self._known = self._lines.path.open("rb"), known
                    weakref.finalize(self, self._reader.close)
            if self._reader is None or found.st_size == self._end:
                return
            self._reader.seek(self._end)
            for line in self._reader:
                if not line.endswith(b"\n"):  # cut off, or another process is at it
                    break
                if name := NAME.match(line, len(state.HEAD) + 66):
                    self._starts[name[1]] = self._end
                    self._count += 1
                self._end += len(line)
        except OSError:
            self._forget()

    def _line(self, at: int) -> bytes:
        with suppress(OSError):
            if self._reader is not None:
                self._reader.seek(at)
                return self._reader.readline()
        return b""


def _key(name: str) -> bytes:
    """Return a name as it stands in a line, without quotes."""
    return json.dumps(name)[1:-1].encode()
