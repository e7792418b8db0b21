"""Commands that say something of files or names, and change none.

Sources: IEEE Std 1003.1-2017 (POSIX), "Utilities"; for what goes beyond it, the manual of GNU coreutils.
"""

from __future__ import annotations

import hashlib

from pipeline.translate.machine import HERE, same
from pipeline.translate.rope import (
    NotFollowedError,
    data_of,
    is_open,
    known_size,
    literal,
    unknown,
)
from pipeline.translate.tools.call import Answer, Call, encoded, said, text_line


def compare(call: Call) -> Answer:
    """Compare two files: cmp, diff."""
    files = [word for word in call.words if not word.startswith("-") or word == "-"]
    if len(files) != 2:
        raise NotFollowedError(f"{call.name} with other than right files")
    left, right = (call.feed.take() if file == "-" else call.machine.peek(call.machine.path(file)) for file in files)
    if is_open(left) or is_open(right):
        return None, ()
    return (0, ()) if same(left, right) else (1, unknown(f"what {call.name} prints", call.machine.line))


def basename(call: Call) -> Answer:
    """Print the last part of a name, without an ending."""
    name = call.words[0].rstrip("/").rpartition("/")[2] if call.words else ""
    ending = call.words[1] if len(call.words) > 1 else ""
    return 0, said(call, name.removesuffix(ending) if ending != name else name)


def dirname(call: Call) -> Answer:
    """Print a name without its last part."""
    return 0, said(call, call.words[0].rstrip("/").rpartition("/")[0] or "." if call.words else ".")


def seq(call: Call) -> Answer:
    """Print numbers."""
    try:
        numbers = [int(word) for word in call.words]
    except ValueError:
        raise NotFollowedError("seq with other than whole numbers") from None
    if not 1 <= len(numbers) <= 3:
        raise NotFollowedError("seq with other than one to three numbers")
    first, step, last = {1: (1, 1, *numbers), 2: (numbers[0], 1, numbers[-1]), 3: (*numbers,)}[len(numbers)]
    values = range(first, last + (1 if step > 0 else -1), step) if step else range(0)
    if len(values) > 100_000:
        raise NotFollowedError("seq with more than 100,000 numbers")
    return 0, literal("".join(f"{value}\n" for value in values).encode(), call.machine.line)


def wc(call: Call) -> Answer:
    """Print how many bytes there are (``-c``)."""
    options, files = call.options("cl", "", "bytes:c lines:l")
    if set(options) != {"c"} or len(files) > 1:
        raise NotFollowedError("wc other than -c of one file")
    size = known_size(call.machine.peek(call.machine.path(files[0])) if files else call.feed.take())
    return 0, text_line(call, f"{size} {files[0]}" if files else str(size))


def stat(call: Call) -> Answer:
    """Print the size of a file (``-c %s``)."""
    options, files = call.options("L", "cf", "format:c printf:c")
    if (options.get("c") or options.get("f")) not in ("%s", "%z") or len(files) != 1:
        raise NotFollowedError("stat other than of a size")
    return 0, text_line(call, str(known_size(call.machine.peek(call.machine.path(files[0])))))


def digest(call: Call) -> Answer:
    """Print checksums of files, as sha256sum and its kind do."""
    options, files = call.options("bct", "", "check:c binary:b quiet:t status:t")
    if "c" in options:
        return None, ()
    kind = call.name.removesuffix("sum")
    lines = ""
    for file in files or ["-"]:
        rope = call.feed.take() if file == "-" else call.machine.peek(call.machine.path(file))
        lines += f"{hashlib.new(kind, data_of(rope), usedforsecurity=False).hexdigest()}  {file}\n"
    return 0, literal(encoded(lines), call.machine.line)


def pwd(call: Call) -> Answer:
    """Print the working folder."""
    return 0, said(call, f"{HERE}/{call.machine.current}".rstrip("/"))


def nothing(call: Call) -> Answer:
    """Do nothing to any file."""
    return 0, ()


def failure(call: Call) -> Answer:
    """Do nothing, and fail."""
    return 1, ()


def looked(call: Call) -> Answer:
    """Read and print; what is printed and the exit status are not known."""
    return None, unknown(f"line {call.machine.line}: what {call.name} prints", call.machine.line)
