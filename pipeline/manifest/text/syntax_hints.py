"""What to type where a text is no TOML: the mistakes that people make first."""

from __future__ import annotations

import re

from pipeline.model.text import LONGEST, quote

UNQUOTED = re.compile(r"\s*[\w.-]+\s*=\s*(\w[^\"'#=\[\]{}]*?)\s*(#.*)?")
QUOTES = re.compile("[\u201c\u201d\u201e\u201f\u00ab\u00bb\u2018\u2019]")
HEXADECIMAL = re.compile(r"\$([0-9A-Fa-f]+)")

LONGEST_LINE = 500
"""Characters of a line that a person typed; the pattern takes time with the square of them."""

BY_MESSAGE = {
    "Unescaped '\\'": 'write "/" between the parts of a path; elsewhere a backslash is written twice',
    "Invalid hex value": 'write "/" between the parts of a path; elsewhere a backslash is written twice',
    "Illegal character '\\n'": "close the quotes on the line they begin on",
    'Expected "\'"': "close the quotes on the line they begin on",
    "Expected '='": 'a line is: name = "value"',
    "Expected ']'": "close the table's head with ]",
    "Cannot overwrite": "the key stands twice: take one of them out",
    "Cannot declare": "the head stands twice: take one of them out, or write [[...]] for a list",
    "Invalid value": "after the = a value is expected, and after the last value of a list its closing bracket",
}
"""What to do, by a part of the parser's message, where the line does not say more."""


def syntax_hint(message: str, line: str, column: int) -> str:
    """Return what to type, from the parser's message and the line and column (from 1) it names; "" for no idea."""
    before, rest = line[: column - 1], line[column - 1 :]
    if QUOTES.match(rest):
        return 'write plain quotes: "..."'
    if found := HEXADECIMAL.match(rest):
        return f"write a hexadecimal number as 0x{found[1]}"
    if rest.startswith("//"):
        return "a comment begins with #"
    if len(line) <= LONGEST_LINE and (found := UNQUOTED.fullmatch(line)):
        value = quote(found[1]) if len(found[1]) < LONGEST else 'name = "..."'
        return f"text and hashes need quotes: {value}"
    if message.startswith(("Unclosed array", "Unclosed inline table", "Invalid initial character for a key part")):
        return _in_brackets(message, before, rest)
    if message.startswith("Expected newline") and "=" in rest:
        return "begin a new line for each key"
    return next((hint for part, hint in BY_MESSAGE.items() if part in message), "")


def _in_brackets(message: str, before: str, rest: str) -> str:
    """Return the hint for a list or an inline table that does not go on as it should."""
    if before[-1:].isalnum() and rest[:1].isalnum():
        return "text needs quotes"
    if rest.strip() and not rest.lstrip().startswith("#"):
        return "put a comma between two values" if "array" in message else "put a comma between two keys"
    if "array" in message:
        return "close the list with ]"
    return "write { ... } on one line; where it grows too long, use a table with a head: [name]"
