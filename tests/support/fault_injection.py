"""A layer under everything that writes: it counts each call that changes the disk, notes them, and fails one."""

from __future__ import annotations

import builtins
import errno
import io
import os
import sqlite3
import stat
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pytest

FAULTS = {"full disk": errno.ENOSPC, "I/O error": errno.EIO, "short write": 0}
OPEN = builtins.open


@dataclass
class Layer:
    """``fail_at``: which call fails, counted from 1 (0: none); ``calls``: (what, path or (from, to)) of each so far."""

    fault: str = "full disk"
    fail_at: int = 0
    calls: list[tuple[str, str]] = field(default_factory=list)
    paths: dict[tuple[int, int], str] = field(default_factory=dict)

    def call(self, what: str, path: str) -> bool:
        """Note a call; return whether it is to be cut short, and raise if it is to fail."""
        self.calls.append((what, path))
        if len(self.calls) != self.fail_at:
            return False
        number = FAULTS[self.fault]
        if number:
            raise OSError(number, os.strerror(number), path)
        return what == "write"

    def name(self, descriptor: int) -> str:
        state = os.fstat(descriptor)
        if stat.S_ISDIR(state.st_mode):
            return "folder"
        return self.paths.get((state.st_dev, state.st_ino), "")


class _File(io.FileIO):
    layer: Layer

    def write(self, data: Any, /) -> int:
        view = memoryview(data).cast("B")
        cut = self.layer.call("write", str(self.name))
        return super().write(view[: max(1, len(view) // 2)] if cut else view)

    def truncate(self, size: int | None = None, /) -> int:
        self.layer.call("truncate", str(self.name))
        return super().truncate(size)


class _Connection(sqlite3.Connection):
    """A database whose every statement is one call of the layer."""

    layer: Layer

    def execute(self, sql: str, /, *values: Any) -> sqlite3.Cursor:
        self._call(sql)
        return super().execute(sql, *values)

    def executemany(self, sql: str, /, *values: Any) -> sqlite3.Cursor:
        self._call(sql)
        return super().executemany(sql, *values)

    def _call(self, sql: str) -> None:
        try:
            self.layer.call("sqlite", " ".join(sql.split()[:3]))
        except OSError as error:
            raise sqlite_error(SQLITE_CODES[error.errno or 0]) from None


SQLITE_CODES = {errno.ENOSPC: sqlite3.SQLITE_FULL, errno.EIO: sqlite3.SQLITE_IOERR}


def sqlite_error(code: int) -> sqlite3.OperationalError:
    """Return the exception with which the module ends a call of SQLite that gave this result code."""
    error = sqlite3.OperationalError("disk I/O error")
    error.sqlite_errorcode = code
    return error


def install(layer: Layer, patch: pytest.MonkeyPatch) -> None:
    """Put the layer under ``open``, ``os.fsync``, new folders, renames, links, removals, copies of ranges, SQLite."""

    class Connection(_Connection):
        pass

    Connection.layer = layer
    connect = sqlite3.connect

    def connected(database: Any, *values: Any, **more: Any) -> sqlite3.Connection:
        in_memory = str(database) == ":memory:"  # as doit has its own, and a run that does without our index
        return connect(database, *values, factory=sqlite3.Connection if in_memory else Connection, **more)

    patch.setattr(sqlite3, "connect", connected)

    def opened(path: Any, mode: str = "r", buffering: int = -1, encoding: Any = None, *rest: Any, **more: Any) -> Any:
        if not set(mode) & set("wax+"):
            return OPEN(path, mode, buffering, encoding, *rest, **more)
        layer.call("open", str(path))
        file = _File(path, mode.replace("b", "").replace("t", ""))
        file.layer = layer
        state = os.fstat(file.fileno())
        layer.paths[state.st_dev, state.st_ino] = str(path)
        if buffering == 0:
            return file
        buffered = io.BufferedRandom(file) if "+" in mode else io.BufferedWriter(file)
        return buffered if "b" in mode else io.TextIOWrapper(buffered, encoding)

    def watched(what: str, real: Callable[..., Any], name: Callable[..., str]) -> Callable[..., Any]:
        def call(*values: Any, **more: Any) -> Any:
            layer.call(what, name(*values))
            return real(*values, **more)

        return call

    patch.setattr(io, "open", opened)
    patch.setattr(os, "fsync", watched("fsync", os.fsync, layer.name))
    patch.setattr(os, "mkdir", watched("mkdir", os.mkdir, lambda path, *_: str(path)))
    patch.setattr(os, "unlink", watched("unlink", os.unlink, lambda path, *_: str(path)))
    for what in ("replace", "link"):
        patch.setattr(os, what, watched(what, getattr(os, what), lambda old, new: f"{old} {new}"))
    if hasattr(os, "copy_file_range"):
        patch.setattr(os, "copy_file_range", watched("copy", os.copy_file_range, lambda *_: "range"))
