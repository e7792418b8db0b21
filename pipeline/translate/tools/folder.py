"""Commands that make, copy, rename, resize and delete files and folders.

Sources: IEEE Std 1003.1-2017 (POSIX), "Utilities"; for what goes beyond it, the manual of GNU coreutils.
"""

from __future__ import annotations

from collections.abc import Callable

from pipeline.model.text import quote
from pipeline.translate.machine import HERE
from pipeline.translate.rope import (
    NotFollowedError,
    Rope,
    cut,
    fill,
    join,
    known_size,
    size_of,
)
from pipeline.translate.tools.call import Answer, Call, number, said


def truncate(call: Call) -> Answer:
    """Cut a file, or fill it with zeros, to a size."""
    options, files = call.options("c", "sr", "size:s reference:r no-create:c")
    for file in files:
        path = call.machine.path(file)
        old = call.machine.peek(path) if call.machine.exists(path) else ()
        if not call.machine.exists(path) and "c" in options:
            continue
        size = known_size(call.machine.peek(call.machine.path(options["r"]))) if "r" in options else 0
        text = options.get("s", "")
        sign = text[:1] if text[:1] in tuple("+-<>/%") else ""
        if text:
            base, amount = size if "r" in options else known_size(old) if sign else 0, number(text[len(sign) :])
            if sign in ("/", "%") and not amount:
                raise NotFollowedError("truncate to a multiple of 0")
            size = _resized(sign, base, amount)
        now = size_of(old)
        if now is not None and now < size:
            call.write(file, join(old, fill(0, size - now, call.machine.line)))
        else:
            call.write(file, cut(old, 0, size))
    return 0, ()


def _resized(sign: str, base: int, amount: int) -> int:
    """Return the size that truncate gives a file of ``base`` bytes."""
    changes: dict[str, Callable[[int, int], int]] = {
        "": lambda b, a: a,
        "+": lambda b, a: b + a,
        "-": lambda b, a: max(b - a, 0),
        "<": min,
        ">": max,
        "/": lambda b, a: b // a * a,
        "%": lambda b, a: -(-b // a) * a,
    }
    return changes[sign](base, amount)


def cp(call: Call) -> Answer:
    """Copy files."""
    options, files = call.options("fpavLniu", "t", "force:f preserve:p archive:a verbose:v target-directory:t")
    if set(options) & {"n", "u"}:
        raise NotFollowedError("cp that may leave a file as it is")
    return 0, _each(call, options, files, lambda old, new: call.machine.write(new, call.machine.read(old)))


def mv(call: Call) -> Answer:
    """Give files other names."""
    options, files = call.options("fviT", "t", "force:f verbose:v target-directory:t")
    return 0, _each(call, options, files, call.machine.move)


def _each(call: Call, options: dict[str, str], files: list[str], do: Callable[[str, str], None]) -> Rope:
    target, sources = (options["t"], files) if "t" in options else (files[-1], files[:-1]) if files else ("", [])
    if not sources:
        raise NotFollowedError(f"{call.name} without two files")
    if target == "/dev/null":
        return ()
    place = call.machine.path(target)
    folder = call.machine.is_folder(place)
    if (len(sources) > 1 or target.endswith("/")) and not folder:
        raise NotFollowedError(f"{quote(target)} is not a folder")
    for source in sources:
        old = call.machine.path(source)
        name = old.rpartition("/")[2]
        if call.machine.is_folder(old):
            raise NotFollowedError(f"{quote(source)} is a folder")
        do(old, f"{place}/{name}".lstrip("/") if folder else place)
    return ()


def rm(call: Call) -> Answer:
    """Delete files."""
    options, files = call.options("frRivd", "", "force:f recursive:r")
    status = 0
    for file in files:
        path = call.machine.path(file)
        if call.machine.is_folder(path) and path:
            if not set(options) & {"r", "R"}:
                status = 1
                continue
            for inside in call.machine.all_files():
                if inside.startswith(f"{path}/"):
                    call.machine.delete(inside)
            call.machine.folders = {
                folder for folder in call.machine.folders if folder != path and not folder.startswith(f"{path}/")
            }
        elif call.machine.exists(path):
            call.machine.delete(path)
        elif "f" not in options:
            status = 1
    return status, ()


def mkdir(call: Call) -> Answer:
    """Make folders."""
    _, folders = call.options("pv", "m", "parents:p mode:m")
    for folder in folders:
        path = call.machine.path(folder)
        if call.machine.exists(path):
            raise NotFollowedError(f"{quote(folder)} is a file")
        call.machine.make_folder(path)
    return 0, ()


def rmdir(call: Call) -> Answer:
    """Delete empty folders."""
    _, folders = call.options("pv")
    for folder in folders:
        path = call.machine.path(folder)
        if not any(inside.startswith(f"{path}/") for inside in (*call.machine.all_files(), *call.machine.folders)):
            call.machine.folders.discard(path)
    return 0, ()


def touch(call: Call) -> Answer:
    """Make empty files where none are."""
    _, files = call.options("acm", "drt")
    for file in files:
        if not call.machine.exists(call.machine.path(file)):
            call.write(file, ())
    return 0, ()


def mktemp(call: Call) -> Answer:
    """Make a new file or folder and print its name."""
    options, _ = call.options("dqtu", "p", "directory:d quiet:q tmpdir:p")
    name = f"mktemp.{call.machine.commands}"
    if "d" in options:
        call.machine.make_folder(name)
    else:
        call.machine.write(name, ())
    return 0, said(call, f"{HERE}/{name}")
