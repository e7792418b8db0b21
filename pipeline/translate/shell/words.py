"""The words of a shell script: quotes, variables, patterns, and the fields that they become.

Source: IEEE Std 1003.1-2017, "Shell Command Language", 2.2 and 2.6; braces and ``$'...'``: the
manual of GNU bash.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from fnmatch import translate as as_pattern
from itertools import product
from typing import Any

from pipeline.model.text import quote
from pipeline.translate.arithmetic import reckon
from pipeline.translate.machine import HERE, LONGEST_WORD, UNKNOWN, Machine
from pipeline.translate.rope import NotFollowedError
from pipeline.translate.tools.printing import escaped

Node = Any
"""A node of the syntax tree; tree-sitter has types, and is loaded only where a script is read."""

OUTSIDE = re.compile(
    "HOME|PATH|USER|LOGNAME|HOSTNAME|RANDOM|SECONDS|PPID|UID|EUID|SHELL|LANG|LC_.*|TMPDIR|TERM|EDITOR|BASH.*|LINENO"
    "|OSTYPE|MACHTYPE|HOSTTYPE|EPOCH.*"
)
"""Variables that a machine sets, and of which a script's result must not depend."""
EXPANSION = re.compile(r"\$\{([#!]?)([A-Za-z_][A-Za-z_0-9]*|[0-9]+|[@*#?$!-])(?:\[([^]]*)\])?(.*)\}", re.DOTALL)
MOST_FIELDS = 10_000


@dataclass(frozen=True, slots=True)
class WordPart:
    """A part of a word. ``quoted``: no pattern, never split; ``split``: at blanks; ``ends``: a field ends here."""

    text: str
    quoted: bool = False
    split: bool = False
    ends: bool = False


@dataclass(slots=True, kw_only=True)
class ShellWords:
    """Turns the nodes of words into fields.

    ``substituted``: what a command in a word prints; ``processed``: the file that stands for what it prints.
    """

    machine: Machine
    bash: bool
    parse: Callable[[bytes], Node]
    substituted: Callable[[Node], str] = str
    processed: Callable[[Node], str] = str
    variables: dict[str, str] = field(default_factory=dict)
    arrays: dict[str, list[str]] = field(default_factory=dict)
    arguments: list[str] = field(default_factory=list)
    status: int | None = 0
    zero: str = ""

    def fields(self, node: Node) -> list[str]:
        """Return the fields of a word: braces, variables, fields, then patterns."""
        return [name for parts in self.alternatives(node) for name in self._fielded(parts)]

    def text(self, node: Node) -> str:
        """Return a word where nothing is split and no pattern fits, as behind ``x=``."""
        return "".join(part.text for part in self.parts(node))

    def pattern(self, node: Node) -> str:
        """Return a word as a pattern, in which what was quoted stands for itself."""
        return "".join(_literal(part.text) if part.quoted else part.text for part in self.parts(node))

    def expanded(self, text: str) -> str:
        """Return text as it is between double quotes, but for a double quote, which stands for itself."""
        inner = re.sub(r'(\\*)"', lambda found: found[1] * 2 + '\\"', text)
        root = self.parse(b'x="' + inner.encode("utf-8", "surrogateescape") + b'"')
        nodes = [node for node in root.children if node.type == "variable_assignment"]
        value = nodes[0].child_by_field_name("value") if len(nodes) == 1 else None
        if root.has_error or value is None:
            raise NotFollowedError(f"the text {quote(text)}")
        return self.text(value)

    def alternatives(self, node: Node) -> list[list[WordPart]]:
        """Return a word's parts, once for each of the words that braces make of it."""
        if node.type == "word" and self._braces(raw_text(node)):
            return [[WordPart(_unescaped(text))] for text in _braced(raw_text(node))]
        if node.type == "concatenation":
            if all(child.type == "word" for child in node.children) and self._braces(raw_text(node)):
                return [[WordPart(_unescaped(text))] for text in _braced(raw_text(node))]
            if any(child.type == "word" and self._braces(raw_text(child)) for child in node.children):
                raise NotFollowedError("braces around quotes or variables")
            lists = [self.alternatives(child) for child in node.children]
            return [[part for parts in row for part in parts] for row in product(*lists)]
        if node.type == "brace_expression":
            if not self.bash:
                raise NotFollowedError("what braces stand for differs between shells")
            return [[WordPart(text)] for text in _braced(raw_text(node))]
        return [self.parts(node)]

    def parts(self, node: Node) -> list[WordPart]:
        """Return the parts of a word."""
        kind = node.type
        if kind in ("word", "number", "variable_name", "extglob_pattern", "regex", "special_variable_name"):
            return list(_word_parts(raw_text(node)))
        if kind in ("concatenation", "command_name"):
            return [part for child in node.children for part in self.parts(child)]
        if kind == "string":
            return list(self._string(node))
        if kind == "raw_string":
            return [WordPart(raw_text(node)[1:-1], quoted=True)]
        if kind == "ansi_c_string":
            return [WordPart(escaped(raw_text(node)[2:-1], bash=True, zero=False)[0], quoted=True)]
        if kind in (
            "simple_expansion",
            "expansion",
            "arithmetic_expansion",
            "command_substitution",
            "process_substitution",
        ):
            return self._value(node, quoted=False)
        raise NotFollowedError(f"a word with {quote(raw_text(node))}")

    def get(self, name: str) -> str:
        """Return a variable; one that the script does not set has no text, one of the machine's own is not known."""
        if name in self.variables:
            return self.variables[name]
        if name in self.arrays:
            return self.arrays[name][0] if self.arrays[name] else ""
        if name == "PWD":
            return f"{HERE}/{self.machine.current}".rstrip("/")
        return UNKNOWN if OUTSIDE.fullmatch(name) else ""

    def put(self, name: str, text: str) -> None:
        """Set a variable."""
        if len(text) > LONGEST_WORD:
            raise NotFollowedError(f"the variable {name} has more than {LONGEST_WORD:,} characters")
        self.variables[name] = UNKNOWN if UNKNOWN in text else text

    def reckoned(self, text: str) -> str:
        """Return what an arithmetic expression comes to."""
        inner = self.expanded(text)
        return UNKNOWN if UNKNOWN in inner else str(reckon(inner, self.get, self.put))

    def _braces(self, text: str) -> bool:
        found = re.search(r"(?<!\\)\{[^{}]*(,|\.\.)[^{}]*\}", text) is not None
        if found and not self.bash:
            raise NotFollowedError("what braces stand for differs between shells")
        return found

    def _string(self, node: Node) -> Iterator[WordPart]:
        raw = node.text
        at, start = 1, node.start_byte
        for child in node.children[1:-1]:
            if child.type == "string_content":
                continue
            yield WordPart(_in_quotes(decoded_text(raw[at : child.start_byte - start])), quoted=True)
            # a newline or blanks before "${" belong to the node in this grammar
            inner = raw_text(child)
            yield WordPart(inner[: len(inner) - len(inner.lstrip())], quoted=True)
            yield from self._value(child, quoted=True)
            at = child.end_byte - start
        yield WordPart(_in_quotes(decoded_text(raw[at:-1])), quoted=True)

    def _value(self, node: Node, *, quoted: bool) -> list[WordPart]:
        raw = raw_text(node).strip()
        if node.type == "arithmetic_expansion":
            inner = raw[3:-2] if raw.startswith("$((") else raw[2:-1]
            return [WordPart(self.reckoned(inner), quoted=quoted)]
        if node.type == "command_substitution":
            return [WordPart(self.substituted(node), quoted=quoted, split=not quoted)]
        if node.type == "process_substitution":
            return [WordPart(self.processed(node), quoted=True)]
        if node.type == "simple_expansion":
            raw = f"${{{raw[1:]}}}"
        return self._parameter(raw, quoted=quoted)

    def _parameter(self, raw: str, *, quoted: bool) -> list[WordPart]:
        found = EXPANSION.fullmatch(raw)
        if not found or found[1] == "!":
            raise NotFollowedError(f"the expansion {quote(raw)}")
        count, name, index, rest = found.groups()
        many = self._many(name, index)
        if count:
            return [WordPart(str(len(many) if many is not None else len(self._plain(name, index))), quoted=quoted)]
        if many is not None:
            if rest:
                raise NotFollowedError(f"the expansion {quote(raw)}")
            if quoted and (name == "*" or index == "*"):
                return [WordPart(" ".join(many), quoted=True)]
            parts = [WordPart(text, quoted=quoted, split=not quoted, ends=True) for text in many]
            if parts:
                last = parts[-1]
                parts[-1] = WordPart(last.text, last.quoted, last.split)
            return parts or [WordPart("", split=True)]
        return [WordPart(self._operated(name, index, rest, raw), quoted=quoted, split=not quoted)]

    def _many(self, name: str, index: str | None) -> list[str] | None:
        if name in ("@", "*"):
            return self.arguments
        return self.arrays.get(name, []) if index in ("@", "*") else None

    def _plain(self, name: str, index: str | None) -> str:
        if index is not None:
            values = self.arrays.get(name, [self.get(name)])
            at = reckon(self.expanded(index), self.get, self.put)
            return values[at] if -len(values) <= at < len(values) else ""
        if name.isdigit():
            number = int(name)
            return self.zero if number == 0 else self.arguments[number - 1] if number <= len(self.arguments) else ""
        if name == "#":
            return str(len(self.arguments))
        if name == "?":
            return UNKNOWN if self.status is None else str(self.status)
        return UNKNOWN if name in "$!-" else self.get(name)

    def _is_set(self, name: str) -> bool:
        if name.isdigit():
            return int(name) <= len(self.arguments)
        return name in self.variables or name in self.arrays or bool(self.get(name))

    def _operated(self, name: str, index: str | None, rest: str, raw: str) -> str:
        """Return ``${name}`` with an operator behind the name: ``rest``."""
        text = self._plain(name, index)
        if not rest:
            return text
        if UNKNOWN in text:
            return UNKNOWN
        found = re.match(":?[-=+?]|##?|%%?|//?|\\^\\^?|,,?|:", rest)
        if not found:
            raise NotFollowedError(f"the expansion {quote(raw)}")
        sign, word = found[0], rest[found.end() :]
        if sign.strip(":") in tuple("-=+?"):
            return self._or_else(name, text, sign, word)
        if sign in ("#", "##", "%", "%%"):
            return _trimmed(text, self._pattern_text(word), sign)
        if not self.bash:
            raise NotFollowedError(f"what {quote(raw)} stands for differs between shells")
        if sign in ("/", "//"):
            return self._replaced(text, word, everywhere=sign == "//")
        if sign == ":":
            return self._part_of(text, word)
        if word:
            raise NotFollowedError(f"the expansion {quote(raw)}")
        change = str.upper if sign[0] == "^" else str.lower
        return change(text[:1]) + text[1:] if len(sign) == 1 else change(text)

    def _or_else(self, name: str, text: str, sign: str, word: str) -> str:
        """Return a variable, or a word in its place, as ``-``, ``=``, ``+`` or ``?`` says."""
        is_there = bool(text) if sign.startswith(":") else self._is_set(name)
        if sign[-1] == "+":
            return self._word(word) if is_there else ""
        if is_there:
            return text
        if sign[-1] == "?":
            raise NotFollowedError(f"the variable {name} is not set, and the script ends here")
        value = self._word(word)
        if sign[-1] == "=":
            self.put(name, value)
        return value

    def _replaced(self, text: str, word: str, *, everywhere: bool) -> str:
        old, _, new = word.partition("/")
        pattern, value = re.compile(pattern_text(self._pattern_text(old))), self._word(new)
        return pattern.sub(lambda _: value, text, count=0 if everywhere else 1) if old else text

    def _part_of(self, text: str, word: str) -> str:
        start, _, length = word.partition(":")
        first = reckon(self.expanded(start), self.get, self.put)
        last = reckon(self.expanded(length), self.get, self.put) if length else len(text)
        return text[max(first, -len(text)) :][:last]

    def _word(self, text: str) -> str:
        if text[:1] == text[-1:] and text[:1] in ('"', "'") and len(text) > 1:
            return text[1:-1] if text[0] == "'" else self.expanded(text[1:-1])
        return self.expanded(text)

    def _pattern_text(self, text: str) -> str:
        quoted = len(text) > 1 and text[0] == text[-1] and text[0] in ('"', "'")
        return _literal(self._word(text)) if quoted else self.expanded(text)

    def _fielded(self, parts: list[WordPart]) -> list[str]:
        """Return the fields of a word's parts."""
        rows: list[list[WordPart]] = [[]]
        for part in parts:
            if part.split and UNKNOWN not in part.text:
                first, *more = self._split(part.text)
                rows[-1] += first
                rows += more
            elif part.text or part.quoted:
                rows[-1].append(part)
            if part.ends:
                rows.append([])
        if len(rows) > MOST_FIELDS:
            raise NotFollowedError(f"more than {MOST_FIELDS:,} words")
        if len(rows) == 1 and any(part.quoted for part in parts):
            return self._globbed(rows[0])
        return [name for row in rows if row for name in self._globbed(row)]

    def _split(self, text: str) -> list[list[WordPart]]:
        """Return the fields of text that is split at blanks; a blank at either end leaves an empty one there."""
        if self.variables.get("IFS", " \t\n") != " \t\n":
            raise NotFollowedError("fields that are split at characters of IFS")
        rows: list[list[WordPart]] = [[]]
        for piece in re.findall(r"[ \t\n]+|[^ \t\n]+", text):
            if piece[0] in " \t\n":
                rows.append([])
            else:
                rows[-1].append(WordPart(piece))
        return rows

    def _globbed(self, row: list[WordPart]) -> list[str]:
        text = "".join(part.text for part in row)
        if not any(re.search(r"[*?]|\[.+\]", part.text) for part in row if not part.quoted):
            return [text]
        pattern = "".join(_literal(part.text) if part.quoted else part.text for part in row)
        if UNKNOWN in text:
            raise NotFollowedError("a pattern that is not known")
        found = self.machine.fitting(pattern, folders=True)
        return found or [text]


def raw_text(node: Node) -> str:
    """Return the text of a node as the script has it."""
    return decoded_text(node.text)


def decoded_text(data: bytes) -> str:
    """Return text, bytes that are no UTF-8 kept as surrogates."""
    return data.decode("utf-8", "surrogateescape")


def _unescaped(text: str) -> str:
    return re.sub(r"\\(\n|.)", lambda found: "" if found[1] == "\n" else found[1], text, flags=re.DOTALL)


def _in_quotes(text: str) -> str:
    return re.sub(r'\\([$`"\\\n])', lambda found: "" if found[1] == "\n" else found[1], text)


def _word_parts(text: str) -> Iterator[WordPart]:
    if text == "~" or text.startswith("~/"):
        yield WordPart(UNKNOWN, quoted=True)
        return
    for found in re.finditer(r"\\(\n|.)|[^\\]+", text, flags=re.DOTALL):
        if found[1] is None:
            yield WordPart(found[0])
        elif found[1] != "\n":
            yield WordPart(found[1], quoted=True)


def _literal(text: str) -> str:
    return re.sub(r"([*?\[])", r"[\1]", text)


def pattern_text(pattern: str) -> str:
    """Return a pattern of a shell as a regular expression."""
    inner = as_pattern(pattern.replace("[^", "[!"))
    return re.sub(r"\\[zZ]$", "", inner)


def _trimmed(text: str, pattern: str, sign: str) -> str:
    if len(text) > 4_096:
        raise NotFollowedError("a pattern on a long text")
    fits = re.compile(as_pattern(pattern.replace("[^", "[!")))
    cuts = range(len(text) + 1)
    if sign[0] == "#":
        ends = [at for at in cuts if fits.match(text[:at])]
        return text[(ends[0] if sign == "#" else ends[-1]) :] if ends else text
    starts = [at for at in cuts if fits.match(text[at:])]
    return text[: (starts[-1] if sign == "%" else starts[0])] if starts else text


def _braced(text: str) -> list[str]:
    found = re.search(r"(?<!\\)\{([^{}]*)\}", text)
    if not found:
        return [text]
    inside = found[1]
    numbers = re.fullmatch(r"(-?[0-9]+)\.\.(-?[0-9]+)(?:\.\.(-?[0-9]+))?", inside)
    letters = re.fullmatch(r"([A-Za-z])\.\.([A-Za-z])", inside)
    if numbers:
        one, two = int(numbers[1]), int(numbers[2])
        step = abs(int(numbers[3] or 1)) or 1
        if abs(two - one) > MOST_FIELDS:
            raise NotFollowedError(f"more than {MOST_FIELDS:,} words")
        wide = any(re.fullmatch("-?0[0-9]+", number) for number in (numbers[1], numbers[2]))
        width = max(len(numbers[1]), len(numbers[2])) if wide else 0
        values = range(one, two + 1, step) if one <= two else range(one, two - 1, -step)
        choices = [f"{value:0{width}d}" for value in values]
    elif letters:
        one, two = ord(letters[1]), ord(letters[2])
        choices = [chr(code) for code in (range(one, two + 1) if one <= two else range(one, two - 1, -1))]
    elif "," in inside:
        choices = inside.split(",")
    else:
        return [text]
    rest = _braced(text[found.end() :])
    if len(choices) * len(rest) > MOST_FIELDS:
        raise NotFollowedError(f"more than {MOST_FIELDS:,} words")
    return [text[: found.start()] + choice + tail for choice in choices for tail in rest]
