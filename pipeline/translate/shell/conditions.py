"""What ``test``, ``[`` and ``[[`` ask.

Source: IEEE Std 1003.1-2017, "test"; ``[[``: the manual of GNU bash, "Conditional Constructs".
"""

from __future__ import annotations

import re
from collections.abc import Callable
from fnmatch import translate as as_pattern

from pipeline.translate.machine import UNKNOWN, Machine
from pipeline.translate.rope import NotFollowedError, size_of

NUMBERS: dict[str, Callable[[int, int], bool]] = {
    "-eq": lambda a, b: a == b, "-ne": lambda a, b: a != b, "-lt": lambda a, b: a < b,
    "-le": lambda a, b: a <= b, "-gt": lambda a, b: a > b, "-ge": lambda a, b: a >= b,
}  # fmt: skip
BINARY = (*NUMBERS, "=", "==", "!=", "<", ">", "=~", "-nt", "-ot", "-ef")
Truth = bool | None


def holds(machine: Machine, words: list[str], patterns: dict[int, str] | None = None) -> Truth:
    """Return whether a condition is true; None where that is not known.

    ``patterns``: in ``[[``, the words on the right of "=" as patterns, by their position.
    """
    condition = _Condition(machine, words, patterns)
    value = condition.either()
    if condition.at != len(words):
        raise NotFollowedError("a condition that cannot be read")
    return value


class _Condition:
    def __init__(self, machine: Machine, words: list[str], patterns: dict[int, str] | None) -> None:
        self.machine, self.words, self.patterns, self.at = machine, words, patterns, 0

    def left(self) -> int:
        return len(self.words) - self.at

    def word(self) -> str:
        if not self.left():
            raise NotFollowedError("a condition that cannot be read")
        self.at += 1
        return self.words[self.at - 1]

    def either(self) -> Truth:
        value = self.both()
        while self.left() and self.words[self.at] in ("-o", "||"):
            self.at += 1
            second = self.both()
            value = True if value or second else None if None in (value, second) else False
        return value

    def both(self) -> Truth:
        value = self.one()
        while self.left() and self.words[self.at] in ("-a", "&&"):
            self.at += 1
            second = self.one()
            value = False if False in (value, second) else None if None in (value, second) else True
        return value

    def one(self) -> Truth:
        if not self.words:
            return False
        if self.left() > 2 and self.words[self.at + 1] in BINARY:
            return self.compared()
        word = self.word()
        if word == "!" and self.left():
            value = self.one()
            return None if value is None else not value
        if word == "(" and self.left() > 1:
            value = self.either()
            if self.word() != ")":
                raise NotFollowedError("a condition that cannot be read")
            return value
        if re.fullmatch("-[a-zA-Z]", word) and self.left():
            return self.asked(word, self.word())
        return None if UNKNOWN in word else bool(word)

    def asked(self, sign: str, word: str) -> Truth:
        if UNKNOWN in word:
            return None
        if sign in ("-n", "-z"):
            return bool(word) == (sign == "-n")
        if sign == "-t":
            return None
        if not word or word.startswith("/dev/"):
            return bool(word) and sign in ("-e", "-r", "-w", "-c")
        path = self.machine.path(word)
        is_file, is_folder = self.machine.exists(path), self.machine.is_folder(path)
        if path in self.machine.suspects and not is_file:
            return None
        if sign == "-d":
            return is_folder
        if sign == "-f":
            return is_file
        if sign == "-s":
            size = size_of(self.machine.peek(path)) if is_file else 0
            return True if is_folder else None if size is None else size > 0
        if sign in ("-e", "-r", "-w", "-a"):
            return is_file or is_folder
        return None

    def compared(self) -> Truth:
        left, sign, right = self.word(), self.word(), self.word()
        if UNKNOWN in left or UNKNOWN in right or sign in ("-nt", "-ot", "-ef", "=~"):
            return None
        if sign in NUMBERS:
            if not re.fullmatch(r"\s*[-+]?[0-9]+\s*", left) or not re.fullmatch(r"\s*[-+]?[0-9]+\s*", right):
                raise NotFollowedError("a comparison of what are not whole numbers")
            return NUMBERS[sign](int(left), int(right))
        if sign in ("<", ">"):
            return left < right if sign == "<" else left > right
        pattern = (self.patterns or {}).get(self.at - 1)
        equal = bool(re.match(as_pattern(pattern), left)) if pattern is not None else left == right
        return equal == (sign != "!=")
