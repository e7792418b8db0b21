"""The shared store: what another machine assembled need not be assembled again.

Nothing that happens there stops a build. What cannot be read, and what is not as it was stored, is missing.
"""

from __future__ import annotations

import hashlib
import os
import re
from contextlib import suppress
from typing import Any

from pipeline.errors import Place, Problem
from pipeline.store.packed import pack, packed_size, unpack

VARIABLE = "CARDKILN_STORE"
"""The environment variable that names the place: a folder, or an address that fsspec understands."""

CONTENTS_TOO = "CARDKILN_STORE_CONTENTS"
"""Set to anything but "0", contents of the sources and whole images may lie there too, for the workers of a cluster."""

READ_ONLY = "CARDKILN_STORE_READ_ONLY"
"""Set to anything but "0", nothing is ever written there."""


ROMS, CONTENTS = "roms", "contents"
"""The folders of the store: ROM files by key, and contents by SHA-256."""


class Store:
    """ROM files and contents by key, in a place named as fsspec has it.

    After a first failure to read it is not asked any more, after one to write nothing more is written: a network that
    is down is waited for once. ``failure``: the first one, of this process or of another one that it heard of.
    """

    def __init__(self, place: str, *, read_only: bool = False) -> None:
        self._place = place
        self._reads, self._writes = True, not read_only
        self._folders = set[str]()
        self._open: dict[int, tuple[Any, str]] = {}  # by process: no two can use one connection
        self.failure: Problem | None = None
        self._told = False

    @classmethod
    def here(cls) -> Store | None:
        """Return the store that the environment names, None when it names none."""
        place = os.environ.get(VARIABLE, "")
        return cls(place, read_only=os.environ.get(READ_ONLY, "") not in ("", "0")) if place else None

    def read(self, key: str, size: int, sha256: str = "", folder: str = ROMS) -> bytes | None:
        """Return what is stored under a key, hashed again; None when it is missing or bad.

        Bad is also what has another size, or another SHA-256 where one is declared: the declared one wins.
        """
        if not self._reads:
            return None
        try:
            stored = self._stored(self._path(key, folder), packed_size(key, size))
        except FileNotFoundError:
            return None
        except Exception as error:  # whatever a file system of others raises; a build needs no store
            self._reads = self._writes = False
            self._failed("read", error)
            return None
        data = unpack(key, stored)
        if data is None or len(data) != size or (sha256 and hashlib.sha256(data).hexdigest() != sha256):
            return None
        return data

    def write(self, key: str, data: bytes, folder: str = ROMS) -> bool:
        """Store data under a key, in place of what may be there; return whether it is there now."""
        if not self._writes:
            return False
        try:
            self._put(self._path(key, folder), pack(key, data))
        except Exception as error:  # as above
            self._writes = False
            self._failed("written", error)
            return False
        return True

    def has_content(self, sha256: str, size: int) -> bool:
        """Whether a content lies in the store; its bytes are looked at when it is read."""
        try:
            return bool(
                self._reads and self._files.info(self._path(sha256, CONTENTS))["size"] == packed_size(sha256, size)
            )
        except FileNotFoundError:
            return False
        except Exception as error:  # as above
            self._reads = self._writes = False
            self._failed("read", error)
            return False

    def read_content(self, sha256: str, size: int) -> bytes | None:
        """Return a content, hashed again; None when it is missing or bad."""
        return self.read(sha256, size, sha256, folder=CONTENTS)

    def write_content(self, sha256: str, data: bytes) -> bool:
        """Store a content under its SHA-256; return whether it is there now."""
        return self.write(sha256, data, folder=CONTENTS)

    def problems(self) -> tuple[Problem, ...]:
        """Return the first failure, and that only once; none where there was none."""
        if self.failure is None or self._told:
            return ()
        self._told = True
        return (self.failure,)

    def hear(self, failure: Problem) -> None:
        """Know that another process could not use the store, and leave it alone from now on."""
        if not self.failure:
            self.failure = failure
            self._reads = self._writes = False

    def _stored(self, path: str, size: int) -> bytes:
        """Return the bytes of a stored file; none of them when already their number is wrong."""
        if self._files.info(path)["size"] != size:
            return b""
        return bytes(self._files.cat_file(path))

    def _put(self, path: str, data: bytes) -> None:
        """Write a file whole: under another name first where names can be moved.

        Where they cannot, moving is copying; such places (object stores) show an object only when all of it is there.
        """
        from fsspec.spec import AbstractFileSystem

        if type(self._files).mv is AbstractFileSystem.mv:
            self._files.pipe_file(path, data)
            return
        temporary = f"{path}.{os.urandom(8).hex()}.part"
        try:
            self._in_folder(temporary, data)
            self._files.mv(temporary, path)
        except BaseException:
            with suppress(Exception):
                self._files.rm(temporary)
            raise

    def _in_folder(self, path: str, data: bytes) -> None:
        folder = path.rpartition("/")[0]
        if folder not in self._folders:  # each file system has an error of its own for a folder that is not there
            self._files.makedirs(folder, exist_ok=True)
            self._folders.add(folder)
        self._files.pipe_file(path, data)

    def _path(self, key: str, folder: str) -> str:
        return f"{self._root}/{folder}/{key[:2]}/{key}"

    @property
    def _files(self) -> Any:
        return self._opened()[0]

    @property
    def _root(self) -> str:
        return self._opened()[1].rstrip("/")

    def _opened(self) -> tuple[Any, str]:
        """Return the file system, and the place's path in it; each process opens it for itself."""
        from fsspec.core import url_to_fs  # imported late: only who has a store needs the package

        process = os.getpid()
        if process not in self._open:
            self._open[process] = url_to_fs(self._place)
        return self._open[process]

    def _failed(self, done: str, error: Exception) -> None:
        if self.failure:
            return
        reason = (str(error).splitlines() or [""])[0]
        for password in re.findall(r"://[^/@]*?:([^/@]+)@", self._place):
            reason = reason.replace(password, "***")
        what = f"the store cannot be {done}: {type(error).__name__}{f': {reason}' if reason else ''}"
        hint = "what it may hold is assembled here" if done == "read" else f"to only read it, set {READ_ONLY}=1"
        if isinstance(error, ImportError):
            hint = "install the extra: pip install -e '.[store]'; an object store needs its own package for fsspec too"
        self.failure = Problem(Place(key=VARIABLE), what, hint)
