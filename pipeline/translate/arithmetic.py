"""Whole numbers as POSIX shells and cmd's ``set /a`` reckon with them; no part of Python is reached by a script.

Sources: IEEE Std 1003.1-2017, "Shell Command Language", 2.6.4; the help of cmd's ``set``.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from pipeline.model.text import quote
from pipeline.translate.rope import NotFollowedError

TOKEN = re.compile(
    r"\s*(0[xX][0-9a-fA-F]+|[0-9]+|[A-Za-z_][A-Za-z_0-9]*|<<=|>>=|\*\*|&&|\|\||<<|>>|<=|>=|==|!=|\+\+|--|[-+*/%&|^]=|[-+*/%&|^~!<>()?:=,])"
)
LEVELS: tuple[dict[str, Callable[[int, int], int]], ...] = (
    {"||": lambda a, b: int(bool(a or b))},
    {"&&": lambda a, b: int(bool(a and b))},
    {"|": lambda a, b: a | b},
    {"^": lambda a, b: a ^ b},
    {"&": lambda a, b: a & b},
    {"==": lambda a, b: int(a == b), "!=": lambda a, b: int(a != b)},
    {
        "<": lambda a, b: int(a < b), ">": lambda a, b: int(a > b),
        "<=": lambda a, b: int(a <= b), ">=": lambda a, b: int(a >= b),
    },
    {"<<": lambda a, b: a << (b & 63), ">>": lambda a, b: a >> (b & 63)},
    {"+": lambda a, b: a + b, "-": lambda a, b: a - b},
    {"*": lambda a, b: a * b, "/": lambda a, b: _divided(a, b), "%": lambda a, b: a - b * _divided(a, b)},
    {"**": lambda a, b: _power(a, b)},
)  # fmt: skip
"""The operators, those that bind least first."""
LONGEST = 1_000


def reckon(text: str, get: Callable[[str], str], put: Callable[[str, str], None], bits: int = 64) -> int:
    """Return what an expression comes to, in two's complement; raises NotFollowedError for what is none."""
    if len(text) > LONGEST:
        raise NotFollowedError("a long expression")
    tokens, at = list[str](), 0
    text = text.strip()
    while at < len(text):
        found = TOKEN.match(text, at)
        if not found:
            raise NotFollowedError(f"the expression {quote(text)}")
        tokens.append(found[1])
        at = found.end()
    if not tokens:
        return 0
    parser = _Parser(tokens, get, put, bits)
    value = parser.comma()
    if parser.tokens:
        raise NotFollowedError(f"the expression {quote(text)}")
    return value


class _Parser:
    def __init__(
        self, tokens: list[str], get: Callable[[str], str], put: Callable[[str, str], None], bits: int
    ) -> None:
        self.tokens, self.get, self.put, self.bits = tokens, get, put, bits

    def wrapped(self, value: int) -> int:
        half = 1 << (self.bits - 1)
        return (value + half) % (2 * half) - half

    def next(self) -> str:
        return self.tokens[0] if self.tokens else ""

    def comma(self) -> int:
        value = self.assignment()
        while self.next() == ",":
            self.tokens.pop(0)
            value = self.assignment()
        return value

    def assignment(self) -> int:
        if len(self.tokens) > 1 and _is_name(self.tokens[0]) and re.fullmatch(r"(<<|>>|[-+*/%&|^])?=", self.tokens[1]):
            name, sign = self.tokens.pop(0), self.tokens.pop(0)[:-1]
            value = self.assignment()
            if sign:
                level = next(level for level in LEVELS if sign in level)
                value = level[sign](self.number(name), value)
            value = self.wrapped(value)
            self.put(name, str(value))
            return value
        value = self.binary(0)
        if self.next() == "?":
            self.tokens.pop(0)
            one = self.assignment()
            if self.next() != ":":
                raise NotFollowedError("an expression with ? and without :")
            self.tokens.pop(0)
            two = self.assignment()
            return one if value else two
        return value

    def binary(self, level: int) -> int:
        if level == len(LEVELS):
            return self.unary()
        value = self.binary(level + 1)
        while self.next() in LEVELS[level]:
            sign = self.tokens.pop(0)
            value = self.wrapped(LEVELS[level][sign](value, self.binary(level + 1)))
        return value

    def unary(self) -> int:
        sign = self.tokens.pop(0) if self.tokens else ""
        if sign in ("+", "-", "~", "!"):
            value = self.unary()
            return {"+": value, "-": -value, "~": ~value, "!": int(not value)}[sign]
        if sign == "(":
            value = self.comma()
            if self.next() != ")":
                raise NotFollowedError("an expression without its )")
            self.tokens.pop(0)
            return value
        if sign in ("++", "--") and _is_name(self.next()):
            name = self.tokens.pop(0)
            value = self.number(name) + (1 if sign == "++" else -1)
            self.put(name, str(value))
            return value
        if _is_name(sign):
            value = self.number(sign)
            if self.next() in ("++", "--"):
                self.put(sign, str(value + (1 if self.tokens.pop(0) == "++" else -1)))
            return value
        return _number(sign)

    def number(self, name: str) -> int:
        text = self.get(name).strip()
        return _number(text.lstrip("+-")) * (-1 if text.startswith("-") else 1) if text else 0


def _is_name(token: str) -> bool:
    return bool(re.fullmatch("[A-Za-z_][A-Za-z_0-9]*", token))


def _number(token: str) -> int:
    if not re.fullmatch("0[xX][0-9a-fA-F]+|0[0-7]*|[1-9][0-9]*", token) or len(token) > 20:
        raise NotFollowedError(f"found {quote(token)}, expected a number")
    return int(token, 16 if token[:2] in ("0x", "0X") else 8 if token.startswith("0") else 10)


def _divided(one: int, two: int) -> int:
    if not two:
        raise NotFollowedError("a division by 0")
    return abs(one) // abs(two) * (1 if (one < 0) == (two < 0) else -1)


def _power(one: int, two: int) -> int:
    if not 0 <= two <= 64:
        raise NotFollowedError("a power above 64")
    return int(one**two)
