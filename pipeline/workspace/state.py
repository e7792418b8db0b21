"""The state store: what a run keeps below ``build/state`` and a later run believes. One form, read by one function.

Each value is a frozen dataclass and lies in a file of its own, as JSON:

    ["cardkiln-state 1","SHA-256",VALUE]

The SHA-256 is that of the form's version, the file's folder and name, and the bytes of VALUE. A value is believed only
when it matches and VALUE has exactly the fields and types of its dataclass; whatever else lies there (other bytes,
another form, a folder, a pipe, a device, a link) is as good as absent, and the next write replaces it.

The SHA-256 protects against damage and edits. It is no signature: whoever can write here can also write the outputs.
So nothing here may be the only witness of an output; see "The state store" in DEVELOPERS.md.
"""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import stat
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import fields, is_dataclass
from functools import cache, partial
from pathlib import Path
from types import NoneType, UnionType
from typing import Any, TypeVar, get_args, get_origin, get_type_hints

from pipeline.workspace.atomic_write import make_folder, replacing, temporary_name

HEAD = b'["cardkiln-state 1","'
"""How every value begins; names the version of the form, of which no other is read."""

END = b"]\n"

PART = 1 << 20
"""Bytes of a text that are hashed at once."""

LARGEST = 1 << 30
"""Bytes of a file that are read; the plan of a card with a million files takes a fifth of it."""

UNSAFE = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069\ud800-\udfff]")
"""Characters that no text of the store holds: control characters but the line feed, direction marks, half characters.

Source: The Unicode Standard, chapter 4, "General Category" (Cc, Cs), and chapter 23, "Directional Formatting".
"""

T = TypeVar("T")


def write(path: Path, value: Any, *, sync: bool = True) -> None:
    """Keep a value, a dataclass, in place of what lies there, whatever that is; raises OSError."""
    write_text(path, encoded(value), sync=sync)


def read(path: Path, kind: type[T]) -> T | None:
    """Return the value kept at ``path``; None when there is no whole one of this kind."""
    return value_of(read_text(path), kind)


def write_text(path: Path, text: bytes, *, sync: bool = True) -> None:
    """Keep a JSON text as it is; raises OSError."""
    make_room(path)
    with replacing(path, sync=sync) as temporary:
        temporary.write_bytes(sealed(path, text))


def write_file(path: Path, source: Path, *, sync: bool = True) -> None:
    """Keep the JSON text that a file holds as it is; raises OSError."""
    make_room(path)
    with source.open("rb") as text:
        start = _start(path, iter(partial(text.read, PART), b""))
        text.seek(0)
        with replacing(path, sync=sync) as temporary, temporary.open("wb") as file:
            file.write(start)
            shutil.copyfileobj(text, file)
            file.write(END)


def read_text(path: Path) -> bytes | None:
    """Return the JSON text kept at ``path``; None when there is no whole one."""
    return unsealed(path, read_bytes(path))


def remove_irregular(path: Path) -> None:
    """Remove what lies in the place of a state file and is no regular file; raises OSError."""
    try:
        mode = path.lstat().st_mode
    except (FileNotFoundError, NotADirectoryError):
        return
    if stat.S_ISDIR(mode):
        shutil.rmtree(path)
    elif not stat.S_ISREG(mode):
        path.unlink()


def decoded(kind: Any, value: Any) -> Any:
    """Return a value of JSON as one of a type: str, int, bool, None, a dataclass, tuples, dicts and unions of these.

    Raises ValueError for anything else: another type, a key missing or too many, text with ``UNSAFE`` characters.
    """
    if kind is object:
        return value
    if kind in (str, int, bool, NoneType):
        if type(value) is not kind or (kind is str and UNSAFE.search(value)):
            raise ValueError(f"expected {kind.__name__}")
        return value
    origin, arguments = get_origin(kind), get_args(kind)
    if origin is tuple and isinstance(value, list):
        return tuple(decoded(arguments[0], item) for item in value)
    if origin is dict and isinstance(value, dict):
        return {decoded(str, key): decoded(arguments[1], item) for key, item in value.items()}
    if origin is UnionType:
        for alternative in arguments:
            with suppress(ValueError):
                return decoded(alternative, value)
    if isinstance(kind, type) and is_dataclass(kind) and isinstance(value, dict):
        types = _types(kind)
        if value.keys() == types.keys():
            return kind(**{name: decoded(types[name], item) for name, item in value.items()})
    raise ValueError(f"expected {kind}")


@cache
def _types(kind: Any) -> dict[str, Any]:
    hints = get_type_hints(kind)
    return {field.name: hints[field.name] for field in fields(kind)}


def value_of(text: bytes | None, kind: type[T]) -> T | None:
    """Return the value of a JSON text; None where it is none of this kind."""
    if text is None:
        return None
    try:
        value: T = decoded(kind, json.loads(text))
    except (ValueError, RecursionError):
        return None
    return value


def encoded(value: Any) -> bytes:
    """Return a value as a JSON text: a dataclass, or a list or dict of these."""
    return json.dumps(value, default=_by_field, separators=(",", ":")).encode()


def _by_field(value: Any) -> dict[str, Any]:
    return {field.name: getattr(value, field.name) for field in fields(value)}


def sealed(path: Path, text: bytes) -> bytes:
    """Return a JSON text as it lies in a file, as one line."""
    return b"".join((_start(path, (text,)), text, END))


def _start(path: Path, parts: Iterable[bytes]) -> bytes:
    """Return what stands before a text that is given in parts."""
    digest = hashlib.sha256(HEAD + f"{path.parent.name}/{path.name}\0".encode(errors="surrogateescape"))
    for part in parts:
        digest.update(part)
    return b"".join((HEAD, digest.hexdigest().encode(), b'",'))


def unsealed(path: Path, data: bytes) -> bytes | None:
    """Return the JSON text of a whole file or line; None where it is not as it was written."""
    text = data[len(HEAD) + 66 : -2]
    return text if data == sealed(path, text) else None


def read_bytes(path: Path) -> bytes:
    """Return what a regular file holds, nothing of any other; only that is opened, since a pipe would wait."""
    try:
        state = path.lstat()
        if stat.S_ISREG(state.st_mode) and state.st_size <= LARGEST:
            return path.read_bytes()
    except (OSError, MemoryError):
        pass
    return b""


def make_room(path: Path) -> None:
    """Have a file's folder, and neither in the file's place nor in that of its temporary name anything but a file."""
    folder = path.parent
    try:
        if not stat.S_ISDIR(folder.lstat().st_mode):  # looked at once: other processes make folders too
            folder.unlink()
            make_folder(folder)
    except FileNotFoundError:
        make_folder(folder)
    remove_irregular(path)
    remove_irregular(temporary_name(path))
