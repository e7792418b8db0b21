"""Lines of a Windows batch script taken apart: quotes, carets, blocks, redirections, if, for.

cmd replaces ``%x%`` before it reads a line, so no grammar of the text as it stands can be right: the lines come here
with that done. Sources: the help of cmd ("cmd /?", "if /?", "for /?"); Microsoft, Windows Commands reference; the order
of the phases and what the characters of a name are: from memory.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from pipeline.model.text import quote
from pipeline.translate.machine import ScriptStoppedError

DEEPEST = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Simple:
    """A command as it stands, with its redirections taken out: ``(handle, sign, name)``."""

    text: str
    line: int
    redirects: tuple[tuple[str, str, str], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class CommandBlock:
    """Commands in parentheses."""

    inside: tuple[Parsed, ...]
    line: int
    redirects: tuple[tuple[str, str, str], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class CommandChain:
    """Two commands with "&", "&&", "||" or "|" between them."""

    sign: str
    left: Parsed
    right: Parsed


@dataclass(frozen=True, slots=True, kw_only=True)
class If:
    """A condition as it stands, and what is done."""

    condition: str
    then: Parsed
    otherwise: Parsed | None
    line: int


@dataclass(frozen=True, slots=True, kw_only=True)
class For:
    """A loop. ``kind``: "", "l", "f", "d" or "r"; ``options`` of /f; ``values`` as they stand."""

    kind: str
    options: str
    variable: str
    values: str
    body: Parsed
    line: int


Parsed = Simple | CommandBlock | CommandChain | If | For

FOR = re.compile(
    r"for((?:\s+/[A-Za-z])?)((?:\s+\"[^\"]*\"|\s+[a-z]+=[^\s%]*)?)\s+%([A-Za-z#@$?])\s+in\s*\(", re.IGNORECASE
)
IF_WORDS = re.compile(
    r"if\s+((?:/i\s+)?(?:not\s+)?(?:/i\s+)?"
    r"(?:errorlevel\s+\S+|exist\s+(?:\"[^\"]*\"|[^\s(]\S*)|defined\s+\S+|cmdextversion\s+\S+"
    r"|(?:\"[^\"]*\"|[^\s=\"])*?\s*==\s*(?:\"[^\"]*\"|[^\s\"(])*"
    r"|(?:\"[^\"]*\"|\S)+?\s+(?:equ|neq|lss|leq|gtr|geq)\s+(?:\"[^\"]*\"|[^\s(])+))\s*",
    re.IGNORECASE,
)


@dataclass(slots=True)
class LineReader:
    """Reads commands from the lines of one logical line; ``line``: of the script, of the first of them."""

    text: str
    line: int
    at: int = 0
    depth: int = 0
    starts: list[int] = field(default_factory=list)

    def commands(self) -> list[Parsed]:
        """Return the commands up to the end, or to the parenthesis that closes."""
        found = list[Parsed]()
        while True:
            self.at = re.compile(r"[\s,;=@]*").match(self.text, self.at).end()  # type: ignore[union-attr]
            if self.at >= len(self.text):
                if self.depth:
                    raise ScriptStoppedError("a parenthesis is not closed")
                return found
            if self.text[self.at] == ")":
                if self.depth:
                    return found
                self.at += 1
                continue
            found.append(self._chain(0))

    def row(self) -> int:
        """Return the line of the script that is read."""
        return self.line + self.text.count("\n", 0, self.at)

    SIGNS = ("&", "||", "&&", "|")

    def _chain(self, level: int) -> Parsed:
        if level == len(self.SIGNS):
            return self._one()
        left = self._chain(level + 1)
        while True:
            self._blanks()
            sign = next((sign for sign in ("&&", "||", "&", "|") if self.text.startswith(sign, self.at)), "")
            if sign != self.SIGNS[level]:
                return left
            self.at += len(sign)
            self._blanks()
            if self.at >= len(self.text) or self.text[self.at] in "\n)":
                return left
            left = CommandChain(sign=sign, left=left, right=self._chain(level + 1))

    def _blanks(self) -> None:
        while self.at < len(self.text) and self.text[self.at] in " \t":
            self.at += 1

    def _one(self) -> Parsed:
        self.depth += 1
        if self.depth > DEEPEST:
            raise ScriptStoppedError(f"more than {DEEPEST} blocks inside one another")
        try:
            while self.at < len(self.text) and self.text[self.at] in " \t@,;=":
                self.at += 1
            line = self.row()
            if self.text.startswith("(", self.at):
                self.at += 1
                return self._block(line)
            rest = self.text[self.at : self.at + 2_000]
            if re.match(r"rem\b|::|:", rest, re.IGNORECASE):
                self.at = (self.text + "\n").index("\n", self.at)
                return Simple(text="rem", line=line)
            if re.match(r"if\b", rest, re.IGNORECASE):
                return self._if(line)
            if re.match(r"for\b", rest, re.IGNORECASE):
                return self._for(line)
            return self._simple(line)
        finally:
            self.depth -= 1

    def _block(self, line: int) -> CommandBlock:
        inside = tuple(self.commands())
        self.at += 1
        redirects = list[tuple[str, str, str]]()
        while True:
            self._blanks()
            found = re.compile(r"([0-9]?)(>>|>&|>|<)").match(self.text, self.at)
            if not found:
                return CommandBlock(inside=inside, line=line, redirects=tuple(redirects))
            self.at = found.end()
            redirects.append((found[1], found[2], self._name()))

    def _if(self, line: int) -> If:
        found = IF_WORDS.match(self.text, self.at)
        if not found:
            raise ScriptStoppedError(
                f"found {quote(self.text[self.at : self.at + 60])}, which is not a condition that is known"
            )
        self.at = found.end()
        then = self._one_or_chain()
        after = re.compile(r"\s*else\b", re.IGNORECASE).match(self.text, self.at)
        otherwise = None
        if after and isinstance(then, CommandBlock):
            self.at = after.end()
            otherwise = self._one_or_chain()
        return If(condition=found[1], then=then, otherwise=otherwise, line=line)

    def _one_or_chain(self) -> Parsed:
        """Return what belongs to if or for: a block, or the rest of the line."""
        self._blanks()
        return self._one() if self.text.startswith("(", self.at) else self._chain(0)

    def _for(self, line: int) -> For:
        found = FOR.match(self.text, self.at)
        if not found:
            raise ScriptStoppedError(
                f"found {quote(self.text[self.at : self.at + 60])}, which is not a loop that is known"
            )
        end, quoted = found.end(), False
        while end < len(self.text) and (quoted or self.text[end] != ")"):
            quoted ^= self.text[end] == '"'
            end += 1
        values = self.text[found.end() : end].replace("\n", " ")
        do = re.compile(r"\)\s*do\b", re.IGNORECASE).match(self.text, end)
        if not do:
            raise ScriptStoppedError("for without do")
        self.at = do.end()
        return For(kind=found[1].strip()[1:].casefold(), options=found[2].strip().strip('"'), variable=found[3],
                   values=values, body=self._one_or_chain(), line=line)  # fmt: skip

    def _simple(self, line: int) -> Simple:
        parts, redirects, quoted = list[str](), list[tuple[str, str, str]](), False
        while self.at < len(self.text):
            sign = self.text[self.at]
            if sign == "\n" or (not quoted and (sign in "&|" or (sign == ")" and self.depth > 1))):
                break
            if sign == "^" and not quoted:
                self.at += 1
                if self.text.startswith("\n", self.at):
                    self.at += 1
                parts.append(self.text[self.at : self.at + 1])
                self.at += 1
                continue
            if sign in "<>" and not quoted:
                handle = ""
                if parts and parts[-1].isdigit() and (len(parts) < 2 or parts[-2] in " \t,;="):
                    handle = parts.pop()
                double = self.text.startswith(">>", self.at) or self.text.startswith(">&", self.at)
                double = double or self.text.startswith("<&", self.at)
                signs = self.text[self.at : self.at + (2 if double else 1)]
                self.at += len(signs)
                redirects.append((handle, signs, self._name()))
                continue
            quoted ^= sign == '"'
            parts.append(sign)
            self.at += 1
        return Simple(text="".join(parts).lstrip(" \t,;="), line=line, redirects=tuple(redirects))

    def _name(self) -> str:
        """Return the name behind a redirection."""
        self._blanks()
        found = re.compile(r'(?:"[^"\n]*"|\^.|[^\s,;=&|<>()"^])+').match(self.text, self.at)
        if not found:
            raise ScriptStoppedError("a redirection without a name")
        self.at = found.end()
        return re.sub(r"\^(.)", r"\1", found[0]).replace('"', "")


OWN_NAME = re.compile(
    r"(echo|cd|chdir|md|mkdir|rd|copy|move|del|erase|ren|rename|type|call|goto|set|pushd|exit|xcopy)"
    r"(?=[\s./\\:(;,=+\[\]\"]|$)",
    re.IGNORECASE,
)
"""cmd's own commands, behind which no blank need stand."""


def named_command(text: str) -> tuple[str, str]:
    """Return the name of a command and what stands behind it."""
    if text.startswith('"'):
        end = text.find('"', 1)
        return (text[1:end], text[end + 1 :]) if end > 0 else (text[1:], "")
    found = OWN_NAME.match(text)
    if found:
        return found[1], text[found.end() :]
    found = re.match(r"[^\s,;=/\"]+", text)
    return (found[0], text[found.end() :]) if found else (text, "")


BLOCK_MAY_BEGIN = re.compile(r"(?:^|[\n(&@\s])if\s[^\n]*$", re.IGNORECASE)


def open_parentheses(text: str) -> int:
    """Return how many parentheses of commands are open at the end of what was read so far."""
    line = text.rpartition("\n")[2]
    if re.match(r"\s*(rem\b|::?)", line, re.IGNORECASE):
        text = text[: len(text) - len(line)]
    depth, quoted, starts, word, at = 0, False, True, "", 0
    while at < len(text):
        sign = text[at]
        if sign == "^" and not quoted:
            starts, at = False, at + 2
            continue
        at += 1
        if sign == "\n":
            quoted, starts, word = False, True, ""
        elif quoted or sign == '"':
            quoted, starts = quoted != (sign == '"'), False
        elif sign == "(" and (starts or depth or word in BEFORE_BLOCK or BLOCK_MAY_BEGIN.search(text[: at - 1])):
            depth, starts, word = depth + 1, True, ""
            continue
        elif sign == ")":
            depth, starts = max(depth - 1, 0), False
        else:
            starts = sign in "&|" or (starts and sign in " \t@")
        word = _word_after(word, sign)
    return depth


BEFORE_BLOCK = ("do", "else", "in")


def _word_after(word: str, sign: str) -> str:
    """Return the word before which a parenthesis may open a block, with one more character read."""
    if sign.isalpha():
        return (word + sign).casefold()
    return word if sign in " \t" and word in BEFORE_BLOCK else ""
