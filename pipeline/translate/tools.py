"""What the commands of POSIX systems do with bytes: cat, dd, head, tail, tr and their kind.

Sources: IEEE Std 1003.1-2017 (POSIX), "Utilities"; for what goes beyond it, the manual of GNU coreutils.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from pipeline.model.manifest import Change
from pipeline.model.text import quote
from pipeline.translate.machine import HERE, LONGEST_WORD, UNKNOWN, Machine, same
from pipeline.translate.printing import echoed, printed
from pipeline.translate.rope import (
    LARGEST,
    NotFollowedError,
    Rope,
    Run,
    Source,
    cut,
    data_of,
    fill,
    is_open,
    join,
    known_size,
    literal,
    made,
    mapped,
    size_of,
    spliced,
    unknown,
)

ENDLESS = 1 << 40
SUFFIXES = {"": 1, "c": 1, "w": 2, "b": 512, "k": 1 << 10, "K": 1 << 10, "M": 1 << 20, "G": 1 << 30, "kB": 1000,
            "KB": 1000, "MB": 1000**2, "GB": 1000**3, "KiB": 1 << 10, "MiB": 1 << 20, "GiB": 1 << 30}  # fmt: skip
"""The multiples that dd, head, tail and truncate know."""


@dataclass(slots=True, kw_only=True)
class Feed:
    """What a command reads from its standard input; ``piped``: from another command."""

    rope: Rope = ()
    piped: bool = False

    def take(self) -> Rope:
        """Return all of it, once."""
        rope, self.rope = self.rope, ()
        return rope


@dataclass(slots=True, kw_only=True)
class Call:
    """One command: its machine, name and words; ``bash`` where the script asks for that shell."""

    machine: Machine
    name: str
    words: list[str]
    feed: Feed
    bash: bool

    def read(self, word: str) -> Rope:
        """Return what a file, a device or "-" gives."""
        if word in ("-", "/dev/stdin"):
            return self.feed.take()
        if word == "/dev/null":
            return ()
        if word == "/dev/zero":
            return (Run(Source("fill", data=b"\0"), 0, ENDLESS, self.machine.line),)
        if word in ("/dev/urandom", "/dev/random"):
            return unknown(f"line {self.machine.line}: random bytes", self.machine.line)
        path = self.machine.path(word)
        if self.machine.is_folder(path):
            raise NotFollowedError(f"{quote(word)} is a folder")
        return self.machine.read(path)

    def write(self, word: str, rope: Rope) -> Rope:
        """Give a file its bytes; what goes to a terminal goes nowhere."""
        if word in ("/dev/null", "/dev/tty", "/dev/stderr"):
            return ()
        if word in ("-", "/dev/stdout"):
            return rope
        self.machine.write(self.machine.path(word), rope)
        return ()

    def options(self, flags: str, valued: str = "", long: str = "") -> tuple[dict[str, str], list[str]]:
        """Return short options ("-c4", "-c 4"), long ones ("--bytes=4") and the operands; raises for any other.

        ``long``: names of long options with the short ones they stand for, as "bytes:c quiet:q".
        """
        names = dict(pair.split(":") for pair in long.split())
        found, operands, words = dict[str, str](), list[str](), list(self.words)
        while words:
            word = words.pop(0)
            if word == "--":
                return found, operands + words
            if word.startswith("--"):
                name, equals, value = word[2:].partition("=")
                short = names.get(name, "")
                if short not in flags + valued or not short:
                    raise NotFollowedError(f"the option {quote(word)} is not known")
                found[short] = (value if equals else words.pop(0) if words else "") if short in valued else ""
            elif word.startswith("-") and len(word) > 1:
                rest = word[1:]
                while rest:
                    letter, rest = rest[0], rest[1:]
                    if letter in valued:
                        found[letter], rest = rest or (words.pop(0) if words else ""), ""
                    elif letter in flags:
                        found[letter] = ""
                    else:
                        raise NotFollowedError(f"the option {quote(word)} is not known")
            else:
                operands.append(word)
        return found, operands


Answer = tuple[int | None, Rope]
"""Exit status, None where it is not known, and what goes to the standard output."""


def number(text: str) -> int:
    """Return a size as dd and its kind take it: "4k", "0x100", "2x512"."""
    total = 1
    for part in re.split("x(?!$)", text) if not text.startswith(("0x", "0X")) else [text]:
        found = re.fullmatch(r"(0[xX][0-9a-fA-F]+|[0-9]+)([A-Za-z]*)", part)
        if not found or found[2] not in SUFFIXES or (found[1][:2] in ("0x", "0X") and found[2]):
            raise NotFollowedError(f"found {quote(text.replace(UNKNOWN, '?'))}, expected a number of bytes")
        total *= int(found[1], 16 if found[1][1:2] in ("x", "X") else 10) * SUFFIXES[found[2]]
    return total


def cat(call: Call) -> Answer:
    """Files one after another."""
    _, files = call.options("uv")
    return 0, join(*(call.read(file) for file in files or ["-"])) if len(files) != 1 else call.read(files[0])


def dd(call: Call) -> Answer:
    """Blocks of one file into another."""
    given = dict(word.partition("=")[::2] for word in call.words)
    if set(given) - {"if", "of", "bs", "ibs", "obs", "cbs", "skip", "iseek", "count", "seek", "oseek", "conv", "status",
                     "iflag", "oflag"}:  # fmt: skip
        raise NotFollowedError("an operand of dd that is not known")
    conversions = set(filter(None, given.get("conv", "").split(",")))
    flags = set(filter(None, f"{given.get('iflag', '')},{given.get('oflag', '')}".split(",")))
    if conversions - {"notrunc", "swab", "sync", "noerror", "fsync", "fdatasync", "nocreat", "excl", "ucase", "lcase"}:
        raise NotFollowedError(f"dd conv={given['conv']}")
    if flags - {"skip_bytes", "count_bytes", "seek_bytes", "fullblock", "direct", "sync", "dsync", "append"}:
        raise NotFollowedError("a flag of dd that is not known")
    ibs = number(given.get("bs") or given.get("ibs", "512"))
    obs = number(given.get("bs") or given.get("obs", "512"))
    if not ibs or not obs:
        raise NotFollowedError("dd with blocks of 0 bytes")
    skip = _blocks(given.get("skip") or given.get("iseek", "0"), ibs, "skip_bytes" in flags)
    seek = _blocks(given.get("seek") or given.get("oseek", "0"), obs, "seek_bytes" in flags)
    if call.feed.piped and "if" not in given and "count" in given and ibs > 1 and "fullblock" not in flags:
        call.machine.remark("dd reads from a pipe; its blocks are taken as full", "note")
    rope = call.read(given.get("if", "-"))
    size = size_of(rope)
    end = skip + _blocks(given["count"], ibs, "count_bytes" in flags) if "count" in given else None
    rope = cut(rope, skip, end)
    if size is not None and size > LARGEST and end is None:
        raise NotFollowedError("dd reads without an end")
    if "sync" in conversions:
        rope = join(rope, fill(0, -known_size(rope) % ibs, call.machine.line))
    if "swab" in conversions:
        if ibs % 2 and known_size(rope) > ibs:
            raise NotFollowedError("dd conv=swab with an odd block size")
        rope = swapped(rope, 2, call.machine.line)
    for name, change in (("ucase", bytes.upper), ("lcase", bytes.lower)):
        if name in conversions:
            rope = mapped(rope, change(bytes(range(256))))
    if "of" not in given:
        return 0, rope
    path = given["of"]
    if path in ("/dev/null", "/dev/stdout"):
        return 0, call.write(path, rope)
    old: Rope = ()
    place = call.machine.path(path)
    if call.machine.exists(place):
        old = call.machine.peek(place)
    if "append" in flags:
        new = join(old, rope)
    elif "notrunc" in conversions:
        new = spliced(old, seek, rope, call.machine.line) if rope else old
    else:
        new = spliced(cut(old, 0, seek), seek, rope, call.machine.line)
    call.write(path, new)
    return 0, ()


def _blocks(text: str, size: int, in_bytes: bool) -> int:
    return number(text.removesuffix("B")) if in_bytes or re.fullmatch("[0-9]+B", text) else number(text) * size


def swapped(rope: Rope, unit: int, line: int) -> Rope:
    """Return the bytes of each unit back to front; what is left over at the end stays as it is."""
    size = known_size(rope)
    whole, rest = cut(rope, 0, size - size % unit), cut(rope, size - size % unit)
    data = bytearray(data_of(whole))
    old = bytes(data)
    for at in range(unit):
        data[at::unit] = old[unit - 1 - at :: unit]
    change = Change(operation="swap-bytes", arguments=8 * unit)
    return join(made(bytes(data), (whole,), line, then=(change,)), rest)


def head(call: Call) -> Answer:
    """The first bytes or lines."""
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
    """The last bytes or lines."""
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


def truncate(call: Call) -> Answer:
    """A file cut, or filled with zeros, to a size."""
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


CLASSES = {
    "alnum": str.isalnum, "alpha": str.isalpha, "digit": str.isdigit, "lower": str.islower, "upper": str.isupper,
    "space": str.isspace, "print": str.isprintable,
}  # fmt: skip


def tr(call: Call) -> Answer:
    """Each byte replaced by another, or bytes deleted."""
    options, sets = call.options("cCds", "", "complement:c delete:d squeeze-repeats:s")
    if "s" in options or not sets or len(sets) > 2:
        raise NotFollowedError("tr with these options")
    first = _set(sets[0])
    if "c" in options or "C" in options:
        first = [value for value in range(256) if value not in set(first)]
    rope = call.feed.take()
    if "d" in options:
        return 0, _without(rope, set(first))
    if len(sets) != 2:
        raise NotFollowedError("tr with one set")
    second = _set(sets[1])
    if not second:
        raise NotFollowedError("tr with an empty second set")
    table = bytearray(range(256))
    for at, value in enumerate(first):
        table[value] = second[min(at, len(second) - 1)]
    return 0, mapped(rope, bytes(table))


def _set(text: str) -> list[int]:
    data, values = encoded(text), list[int]()
    token = re.compile(rb"\\([0-7]{1,3})|\\(.)|\[:([a-z]+):\]|\[(.)\*([0-9]*)\]|(.)", re.DOTALL)
    at = 0

    def read(at: int) -> tuple[int | None, int, str]:
        found = token.match(data, at)
        if found is None:
            return None, len(data), ""
        if found[4]:
            raise NotFollowedError("tr with a repeated byte in a set")
        if found[3]:
            return None, found.end(), found[3].decode()
        if found[1]:
            return int(found[1], 8) & 255, found.end(), ""
        if found[2]:
            return {b"n": 10, b"t": 9, b"r": 13, b"a": 7, b"b": 8, b"f": 12, b"v": 11}.get(found[2], found[2][0]), \
                found.end(), ""  # fmt: skip
        return found[6][0], found.end(), ""

    while at < len(data):
        value, at, name = read(at)
        if name:
            if name not in CLASSES:
                raise NotFollowedError(f"tr with the class {quote(name)}")
            values += [code for code in range(128) if CLASSES[name](chr(code))]
        elif value is not None and data[at : at + 1] == b"-" and at + 1 < len(data):
            last, at, name = read(at + 1)
            if last is None or last < value:
                raise NotFollowedError("tr with a range that ends before it begins")
            values += range(value, last + 1)
        elif value is not None:
            values.append(value)
    return values


def _without(rope: Rope, dropped: set[int]) -> Rope:
    pattern = re.compile(b"[^" + b"".join(re.escape(bytes([value])) for value in sorted(dropped)) + b"]+", re.DOTALL)
    if not dropped:
        return rope
    return join(*(cut(rope, found.start(), found.end()) for found in _few(pattern.finditer(data_of(rope)))))


def _few(found: Iterator[re.Match[bytes]]) -> Iterator[re.Match[bytes]]:
    for count, match in enumerate(found):
        if count > 4096:
            raise NotFollowedError("tr -d leaves more than 4,096 pieces")
        yield match


def xxd(call: Call) -> Answer:
    """Text turned back into bytes (``-r``)."""
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
            raise NotFollowedError("xxd -r of a line that is no dump")
        row = bytes.fromhex(found[2].replace(" ", ""))
        at = int(found[1], 16)
        data += bytes(max(at - len(data), 0))
        data[at : at + len(row)] = row
    return bytes(data)


def cp(call: Call) -> Answer:
    """Files copied."""
    options, files = call.options("fpavLniu", "t", "force:f preserve:p archive:a verbose:v target-directory:t")
    if set(options) & {"n", "u"}:
        raise NotFollowedError("cp that may leave a file as it is")
    return 0, _each(call, options, files, lambda old, new: call.machine.write(new, call.machine.read(old)))


def mv(call: Call) -> Answer:
    """Files given other names."""
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
        raise NotFollowedError(f"{quote(target)} is no folder")
    for source in sources:
        old = call.machine.path(source)
        name = old.rpartition("/")[2]
        if call.machine.is_folder(old):
            raise NotFollowedError(f"{quote(source)} is a folder")
        do(old, f"{place}/{name}".lstrip("/") if folder else place)
    return ()


def rm(call: Call) -> Answer:
    """Files taken away."""
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
                one for one in call.machine.folders if one != path and not one.startswith(f"{path}/")
            }
        elif call.machine.exists(path):
            call.machine.delete(path)
        elif "f" not in options:
            status = 1
    return status, ()


def mkdir(call: Call) -> Answer:
    """Folders made."""
    _, folders = call.options("pv", "m", "parents:p mode:m")
    for folder in folders:
        path = call.machine.path(folder)
        if call.machine.exists(path):
            raise NotFollowedError(f"{quote(folder)} is a file")
        call.machine.make_folder(path)
    return 0, ()


def rmdir(call: Call) -> Answer:
    """Empty folders taken away."""
    _, folders = call.options("pv")
    for folder in folders:
        path = call.machine.path(folder)
        if not any(one.startswith(f"{path}/") for one in (*call.machine.all_files(), *call.machine.folders)):
            call.machine.folders.discard(path)
    return 0, ()


def touch(call: Call) -> Answer:
    """Empty files made where none are."""
    _, files = call.options("acm", "drt")
    for file in files:
        if not call.machine.exists(call.machine.path(file)):
            call.write(file, ())
    return 0, ()


def compare(call: Call) -> Answer:
    """Whether two files are equal: cmp, diff."""
    files = [word for word in call.words if not word.startswith("-") or word == "-"]
    if len(files) != 2:
        raise NotFollowedError(f"{call.name} with other than two files")
    one, two = (call.feed.take() if file == "-" else call.machine.peek(call.machine.path(file)) for file in files)
    if is_open(one) or is_open(two):
        return None, ()
    return (0, ()) if same(one, two) else (1, unknown(f"what {call.name} prints", call.machine.line))


def split(call: Call) -> Answer:
    """A file cut into files of one size."""
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
    """What comes in, written to files and handed on."""
    options, files = call.options("ai", "", "append:a")
    rope = call.feed.take()
    for file in files:
        path = call.machine.path(file) if file != "/dev/null" else ""
        old = call.machine.peek(path) if path and "a" in options and call.machine.exists(path) else ()
        call.write(file, join(old, rope))
    return 0, rope


def printf(call: Call) -> Answer:
    """Bytes as written in a format."""
    return 0, literal(encoded(printed(call.words, bash=call.bash)), call.machine.line)


def echo(call: Call) -> Answer:
    """Words and a line end."""
    return 0, literal(encoded(echoed(call.words, bash=call.bash)), call.machine.line)


def encoded(text: str) -> bytes:
    """Return the bytes of a text as the script had them; raises NotFollowedError where it is not known."""
    if UNKNOWN in text or HERE in text:
        raise NotFollowedError("text that is not known")
    if len(text) > LONGEST_WORD:
        raise NotFollowedError(f"more than {LONGEST_WORD:,} characters of text")
    return text.encode("utf-8", "surrogateescape")


def _text(call: Call, text: str) -> Rope:
    return literal(encoded(f"{text}\n"), call.machine.line)


def basename(call: Call) -> Answer:
    """The last part of a name, without an ending."""
    name = call.words[0].rstrip("/").rpartition("/")[2] if call.words else ""
    ending = call.words[1] if len(call.words) > 1 else ""
    return 0, _said(call, name.removesuffix(ending) if ending != name else name)


def dirname(call: Call) -> Answer:
    """A name without its last part."""
    return 0, _said(call, call.words[0].rstrip("/").rpartition("/")[0] or "." if call.words else ".")


def seq(call: Call) -> Answer:
    """Numbers."""
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
    """How many bytes there are (``-c``)."""
    options, files = call.options("cl", "", "bytes:c lines:l")
    if set(options) != {"c"} or len(files) > 1:
        raise NotFollowedError("wc other than -c of one file")
    size = known_size(call.machine.peek(call.machine.path(files[0])) if files else call.feed.take())
    return 0, _text(call, f"{size} {files[0]}" if files else str(size))


def stat(call: Call) -> Answer:
    """The size of a file (``-c %s``)."""
    options, files = call.options("L", "cf", "format:c printf:c")
    if (options.get("c") or options.get("f")) not in ("%s", "%z") or len(files) != 1:
        raise NotFollowedError("stat other than of a size")
    return 0, _text(call, str(known_size(call.machine.peek(call.machine.path(files[0])))))


def digest(call: Call) -> Answer:
    """Checksums of files, as sha256sum and its kind print them."""
    options, files = call.options("bct", "", "check:c binary:b quiet:t status:t")
    if "c" in options:
        return None, ()
    kind = call.name.removesuffix("sum")
    lines = ""
    for file in files or ["-"]:
        rope = call.feed.take() if file == "-" else call.machine.peek(call.machine.path(file))
        lines += f"{hashlib.new(kind, data_of(rope), usedforsecurity=False).hexdigest()}  {file}\n"
    return 0, literal(encoded(lines), call.machine.line)


def mktemp(call: Call) -> Answer:
    """A file or folder of its own."""
    options, _ = call.options("dqtu", "p", "directory:d quiet:q tmpdir:p")
    name = f"mktemp.{call.machine.commands}"
    if "d" in options:
        call.machine.make_folder(name)
    else:
        call.machine.write(name, ())
    return 0, _said(call, f"{HERE}/{name}")


def pwd(call: Call) -> Answer:
    """The working folder."""
    return 0, _said(call, f"{HERE}/{call.machine.current}".rstrip("/"))


def _said(call: Call, text: str) -> Rope:
    """Return text that only a command substitution can use where it holds the folder's path."""
    if HERE in text or UNKNOWN in text:
        return (Run(Source("open", text), 0, None, call.machine.line),)
    return _text(call, text)


def nothing(call: Call) -> Answer:
    """Do nothing to any file."""
    return 0, ()


def failure(call: Call) -> Answer:
    """Do nothing, and fail."""
    return 1, ()


def looked(call: Call) -> Answer:
    """Read and print; what is printed and the exit status are not known."""
    return None, unknown(f"line {call.machine.line}: what {call.name} prints", call.machine.line)


TOOLS: dict[str, Callable[[Call], Answer]] = {
    "cat": cat, "dd": dd, "head": head, "tail": tail, "truncate": truncate, "tr": tr, "xxd": xxd, "cp": cp, "mv": mv,
    "rm": rm, "unlink": rm, "mkdir": mkdir, "rmdir": rmdir, "touch": touch, "cmp": compare, "diff": compare,
    "split": split, "tee": tee, "printf": printf, "echo": echo, "basename": basename, "dirname": dirname, "seq": seq,
    "wc": wc, "stat": stat, "mktemp": mktemp, "pwd": pwd, "true": nothing, ":": nothing, "sleep": nothing,
    "sync": nothing, "chmod": nothing, "umask": nothing, "clear": nothing, "wait": nothing, "false": failure,
    **dict.fromkeys(("md5sum", "sha1sum", "sha224sum", "sha256sum", "sha384sum", "sha512sum"), digest),
    **dict.fromkeys(("ls", "file", "hexdump", "od", "grep", "cksum", "sum", "strings", "du", "df", "date", "which",
                     "uname", "id", "whoami", "hostname", "nproc", "less", "more", "tty", "type"), looked),
}  # fmt: skip
"""Every command that is followed, but for the shell's own and the ROM tools."""
