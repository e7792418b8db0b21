"""Commands that read files and print bytes: cat, head, tail, xxd, split, tee, printf, echo.

Sources: IEEE Std 1003.1-2017 (POSIX), "Utilities"; for what goes beyond it, the manual of GNU coreutils.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from pipeline.translate.rope import (
    LARGEST,
    NotFollowedError,
    Rope,
    cut,
    data_of,
    join,
    known_size,
    literal,
    unknown,
)
from pipeline.translate.tools.call import Answer, Call, encoded, number
from pipeline.translate.tools.printing import echoed, printed


def cat(call: Call) -> Answer:
    """Print files one after another."""
    _, files = call.options("uv")
    return 0, join(*(call.read(file) for file in files or ["-"])) if len(files) != 1 else call.read(files[0])


def head(call: Call) -> Answer:
    """Print the first bytes or lines."""
    options, files = replace(call, words=_counted(call.words)).options("qv", "cn", "bytes:c lines:n quiet:q silent:q")
    if len(files) > 1 and "q" not in options:
        raise NotFollowedError("head of several files writes their names between them")
    ropes = [call.read(file) for file in files or ["-"]]
    if "c" in options:
        count = options["c"]
        back = count.startswith("-")
        amount = number(count.lstrip("-+"))
        return 0, join(*(cut(rope, 0, max(known_size(rope) - amount, 0) if back else amount) for rope in ropes))
    return 0, join(*(_lines(rope, options.get("n", "10"), first=True) for rope in ropes))


def tail(call: Call) -> Answer:
    """Print the last bytes or lines."""
    options, files = replace(call, words=_counted(call.words)).options("qv", "cn", "bytes:c lines:n quiet:q silent:q")
    if len(files) > 1 and "q" not in options:
        raise NotFollowedError("tail of several files writes their names between them")
    ropes = [call.read(file) for file in files or ["-"]]
    if "c" in options:
        count = options["c"]
        amount = number(count.lstrip("-+"))
        if count.startswith("+"):
            return 0, join(*(cut(rope, max(amount - 1, 0)) for rope in ropes))
        return 0, join(*(cut(rope, max(known_size(rope) - amount, 0)) for rope in ropes))
    return 0, join(*(_lines(rope, options.get("n", "10"), first=False) for rope in ropes))


def _counted(words: Sequence[str]) -> list[str]:
    """Return words with "-5" written as "-n5"."""
    return [
        f"-n{word[1:]}" if re.fullmatch("-[0-9]+", word) and before not in ("-c", "-n", "--bytes", "--lines") else word
        for before, word in zip(["", *words], words, strict=False)
    ]


def _lines(rope: Rope, count: str, *, first: bool) -> Rope:
    data = data_of(rope)
    ends = [found.end() for found in re.finditer(rb"\n", data)]
    if not data.endswith(b"\n"):
        ends.append(len(data))
    amount = number(count.lstrip("-+"))
    if first:
        number_of = len(ends) - amount if count.startswith("-") else amount
        return cut(rope, 0, ends[min(number_of, len(ends)) - 1] if number_of > 0 and ends else 0)
    before = amount - 1 if count.startswith("+") else len(ends) - amount
    return cut(rope, ends[min(before, len(ends)) - 1] if before > 0 and ends else 0)


def xxd(call: Call) -> Answer:
    """Turn a dump in text back into bytes (``-r``)."""
    if any(word.startswith("-r") for word in call.words) and any(word == "-p" for word in call.words):
        plain = True
    elif "-r" in call.words or "-rp" in call.words:
        plain = "-rp" in call.words or "-ps" in call.words
    else:
        files = [word for word in call.words if not word.startswith("-")]
        if len(files) > 1:
            raise NotFollowedError("xxd without -r")
        return 0, unknown(f"line {call.machine.line}: the text that xxd makes", call.machine.line)
    files = [word for word in call.words if not word.startswith("-")]
    if {word for word in call.words if word.startswith("-")} - {"-r", "-p", "-rp", "-ps"} or len(files) > 2:
        raise NotFollowedError("xxd with these options")
    text = data_of(call.read(files[0] if files else "-")).decode("latin-1")
    if plain:
        digits = re.sub(r"\s", "", text)
        if not re.fullmatch("([0-9a-fA-F]{2})*", digits):
            raise NotFollowedError("xxd -r -p of text that is not pairs of hexadecimal digits")
        data = bytes.fromhex(digits)
    else:
        data = _undumped(text)
    rope = literal(data, call.machine.line)
    return 0, call.write(files[1], rope) if len(files) > 1 else rope


def _undumped(text: str) -> bytes:
    data = bytearray()
    for line in text.splitlines():
        found = re.fullmatch(r"\s*([0-9a-fA-F]+): ((?:[0-9a-fA-F]{2,8} ?)+)(?: .*)?", line)
        if not found or int(found[1], 16) > LARGEST:
            raise NotFollowedError("xxd -r of a line that is not a dump")
        row = bytes.fromhex(found[2].replace(" ", ""))
        at = int(found[1], 16)
        data += bytes(max(at - len(data), 0))
        data[at : at + len(row)] = row
    return bytes(data)


def split(call: Call) -> Answer:
    """Cut a file into files of one size."""
    options, operands = call.options("d", "ab", "bytes:b suffix-length:a numeric-suffixes:d")
    if "b" not in options:
        raise NotFollowedError("split other than by bytes")
    size, width = number(options["b"]), int(options.get("a") or 2)
    rope = call.read(operands[0] if operands else "-")
    letters = "0123456789" if "d" in options else "abcdefghijklmnopqrstuvwxyz"
    pieces = -(-known_size(rope) // size) if size else 0
    if not size or pieces > min(len(letters) ** width, 4_096) or ("a" not in options and pieces > len(letters) * 25):
        raise NotFollowedError("split into too many files")
    for at in range(pieces):
        suffix, rest = "", at
        for _ in range(width):
            suffix, rest = letters[rest % len(letters)] + suffix, rest // len(letters)
        call.write((operands[1] if len(operands) > 1 else "x") + suffix, cut(rope, at * size, (at + 1) * size))
    return 0, ()


def tee(call: Call) -> Answer:
    """Write what comes in to files, and hand it on."""
    options, files = call.options("ai", "", "append:a")
    rope = call.feed.take()
    for file in files:
        path = call.machine.path(file) if file != "/dev/null" else ""
        old = call.machine.peek(path) if path and "a" in options and call.machine.exists(path) else ()
        call.write(file, join(old, rope))
    return 0, rope


def printf(call: Call) -> Answer:
    """Print bytes as a format states them."""
    return 0, literal(encoded(printed(call.words, bash=call.bash)), call.machine.line)


def echo(call: Call) -> Answer:
    """Print words and a line end."""
    return 0, literal(encoded(echoed(call.words, bash=call.bash)), call.machine.line)
