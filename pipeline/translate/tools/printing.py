"""The text that printf and echo write.

Source: IEEE Std 1003.1-2017, "printf", "echo" and "File Format Notation"; where shells differ nothing is assumed.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from pipeline.model.text import quote
from pipeline.translate.rope import NotFollowedError

PLAIN = {"n": "\n", "t": "\t", "r": "\r", "a": "\a", "b": "\b", "f": "\f", "v": "\v", "\\": "\\", '"': '"', "'": "'"}
DIRECTIVE = re.compile(r"%([-+ 0#]*)([0-9]*|\*)(?:\.([0-9]*))?([a-zA-Z%])")
MOST = 1 << 20


def byte(value: int) -> str:
    """Return a byte as it stands in a text of the script: one above 0x7F escapes."""
    return chr(value) if value < 128 else chr(0xDC00 + value)


def escaped(text: str, *, bash: bool, zero: bool) -> tuple[str, bool]:
    r"""Return text with its backslash escapes done, and whether ``\c`` ended it.

    ``zero``: octal numbers are written with a leading 0 and up to three digits more, as in echo and ``%b``; else with
    up to three digits. In bash ``%b`` takes both.
    """
    octal = "0([0-7]{0,3})" if zero else "([0-7]{1,3})"
    hexadecimal = "x([0-9a-fA-F]{1,2})"
    pattern = re.compile(rf"\\(?:{octal}|{hexadecimal}|(.))", re.DOTALL)
    parts, at = list[str](), 0
    for found in pattern.finditer(text):
        parts.append(text[at : found.start()])
        at = found.end()
        if found[1] is not None:
            parts.append(byte(int(found[1] or "0", 8) & 255))
        elif found[2] is not None:
            if not bash:
                raise NotFollowedError("what \\x stands for differs between shells")
            parts.append(byte(int(found[2], 16)))
        elif found[3] == "c" and zero:
            return "".join(parts), True
        elif found[3] in PLAIN:
            parts.append(PLAIN[found[3]])
        elif found[3] in "uUeEc" or (zero and found[3] in "01234567"):
            raise NotFollowedError(f"what \\{found[3]} stands for differs between shells")
        else:
            parts.append(found[0])
    return "".join([*parts, text[at:]]), False


def printed(words: Sequence[str], *, bash: bool) -> str:
    """Return what printf writes: the format once, and again while words are left."""
    if words[:1] == ["--"]:
        words = words[1:]
    if not words or words[0].startswith("-"):
        raise NotFollowedError("printf with these words")
    form, left = words[0], list(words[1:])
    out = ""
    while True:
        before = len(left)
        text, ended = _once(form, left, bash=bash)
        out += text
        if len(out) > MOST:
            raise NotFollowedError("printf writes too much")
        if ended or not left or len(left) == before:
            return out


def _once(form: str, left: list[str], *, bash: bool) -> tuple[str, bool]:
    """Return a format with words put in, and whether one of them ends all; the words are taken from ``left``."""
    parts, at = list[str](), 0
    for found in DIRECTIVE.finditer(form):
        parts.append(escaped(form[at : found.start()], bash=bash, zero=False)[0])
        at = found.end()
        text, ended = _directive(found, left, bash=bash)
        parts.append(text)
        if ended:
            return "".join(parts), True
    parts.append(escaped(form[at:], bash=bash, zero=False)[0])
    if "%" in DIRECTIVE.sub("", form):
        raise NotFollowedError(f"printf with the format {quote(form)}")
    return "".join(parts), False


def _directive(found: re.Match[str], left: list[str], *, bash: bool) -> tuple[str, bool]:
    """Return what stands in place of one directive, and whether it ends all."""
    flags, width, precision, kind = found.groups()
    if kind == "%":
        return "%", False
    if width == "*":
        width = left.pop(0) if left else "0"
    if len(width) > 5 or len(precision or "") > 5 or not re.fullmatch("[0-9]*", width):
        raise NotFollowedError("printf with such a width")
    word = left.pop(0) if left else ""
    if kind in "dioxXu":
        return _printed_number(flags, width, precision, kind, word), False
    if kind not in "sbc":
        raise NotFollowedError(f"printf with %{kind}")
    ended = False
    if kind == "b":
        word, ended = escaped(word, bash=bash, zero=not (bash and re.search(r"\\[1-7]", word)))
    text = word[:1] if kind == "c" else word if precision is None else word[: int(precision or 0)]
    return text.ljust(int(width or 0)) if "-" in flags else text.rjust(int(width or 0)), ended


def _printed_number(flags: str, width: str, precision: str | None, kind: str, word: str) -> str:
    value = _number(word or "0")
    if value < 0 and kind not in "di":
        raise NotFollowedError("printf of a negative number without a sign")
    if kind == "o" and "#" in flags:
        raise NotFollowedError("printf with %#o")
    point = "" if precision is None else f".{precision}"
    text: str = f"%{flags}{width}{point}{'d' if kind in 'iu' else kind}" % value
    return text


def _number(word: str) -> int:
    found = re.fullmatch(r"\s*([-+]?)(0[xX][0-9a-fA-F]+|0[0-7]*|[1-9][0-9]*)", word)
    if word[:1] in ('"', "'") and len(word) == 2:
        return ord(word[1])
    if not found:
        raise NotFollowedError(f"found {quote(word)}, expected a number")
    text = found[2]
    value = int(text, 16 if text[:2] in ("0x", "0X") else 8 if text.startswith("0") else 10)
    return -value if found[1] == "-" else value


def echoed(words: Sequence[str], *, bash: bool) -> str:
    """Return what echo writes; where a backslash or an option means one thing to one shell only, raise."""
    words, line_end, escapes = list(words), "\n", False
    while words and re.fullmatch("-[neE]+" if bash else "-n", words[0]):
        line_end = "" if "n" in words[0] else line_end
        escapes = "e" in words[0] or (escapes and "E" not in words[0])
        words.pop(0)
    text = " ".join(words)
    if not bash and words and re.fullmatch("-[neE]+", words[0]):
        raise NotFollowedError("what echo makes of -e differs between shells; printf does not differ")
    if "\\" in text and not bash:
        raise NotFollowedError("what echo makes of a backslash differs between shells; printf does not differ")
    if not escapes:
        return text + line_end
    text, ended = escaped(text, bash=True, zero=True)
    return text if ended else text + line_end
