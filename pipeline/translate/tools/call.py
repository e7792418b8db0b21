"""One call of a command: its words and options, what it reads and writes."""

from __future__ import annotations

import re
from dataclasses import dataclass

from pipeline.model.text import quote
from pipeline.translate.machine import HERE, LONGEST_WORD, UNKNOWN, Machine
from pipeline.translate.rope import (
    ByteOrigin,
    NotFollowedError,
    Rope,
    RopeRun,
    literal,
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


@dataclass(slots=True)
class RedirectTarget:
    """Where what is printed goes: to a file, which it may add to, or nowhere (``lost``)."""

    path: str = ""
    adds: bool = False
    lost: bool = False


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
            return (RopeRun(ByteOrigin("fill", data=b"\0"), 0, ENDLESS, self.machine.line),)
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


def encoded(text: str) -> bytes:
    """Return the bytes of a text as the script had them; raises NotFollowedError where it is not known."""
    if UNKNOWN in text or HERE in text:
        raise NotFollowedError("text that is not known")
    if len(text) > LONGEST_WORD:
        raise NotFollowedError(f"more than {LONGEST_WORD:,} characters of text")
    return text.encode("utf-8", "surrogateescape")


def text_line(call: Call, text: str) -> Rope:
    """Return a line of text."""
    return literal(encoded(f"{text}\n"), call.machine.line)


def said(call: Call, text: str) -> Rope:
    """Return text that only a command substitution can use where it holds the folder's path."""
    if HERE in text or UNKNOWN in text:
        return (RopeRun(ByteOrigin("open", text), 0, None, call.machine.line),)
    return text_line(call, text)
