"""What ``if`` asks.

Source: the help of cmd ("if /?"), which Microsoft's Windows Commands reference repeats.
"""

from __future__ import annotations

import re

from pipeline.model.text import quote
from pipeline.translate.batch.file_commands import unquoted
from pipeline.translate.batch.variables import BatchWords
from pipeline.translate.machine import UNKNOWN, ScriptStoppedError


def holds(words: BatchWords, condition: str) -> bool | None:
    """Return whether a condition is true; None where that is not known."""
    found = re.fullmatch(r"((?:/i\s+)?)((?:not\s+)?)((?:/i\s+)?)(.*?)\s*", condition, re.IGNORECASE | re.DOTALL)
    if not found:
        raise ScriptStoppedError("a condition that cannot be read")
    truth = _asked(words, found[4], fold=bool(found[1] or found[3]))
    return truth if truth is None or not found[2] else not truth


def _asked(words: BatchWords, text: str, *, fold: bool) -> bool | None:
    word, _, rest = text.partition(" ")
    kind, rest = word.casefold(), rest.strip()
    if kind == "exist":
        return _exists(words, unquoted(rest))
    if kind == "defined":
        return bool(words.get(rest))
    if kind == "errorlevel":
        return None if words.level is None or not rest.isdigit() else words.level >= int(rest)
    return None if UNKNOWN in text else _compared(text, fold=fold)


def _exists(words: BatchWords, name: str) -> bool | None:
    machine = words.machine
    if re.search("[*?]", name):
        return bool(machine.fitting(name, folders=True))
    if name.casefold() in ("nul", "con"):
        return True
    path = machine.path(name.removesuffix("\\nul").removesuffix("\\NUL"))
    if path in machine.suspects and not machine.exists(path):
        return None
    return machine.exists(path) or machine.is_folder(path)


def _compared(text: str, *, fold: bool) -> bool:
    equal = re.fullmatch(r"(.*?)\s*==\s*(.*)", text, re.DOTALL)
    compared = re.fullmatch(r"(.+?)\s+(equ|neq|lss|leq|gtr|geq)\s+(.+)", text, re.IGNORECASE | re.DOTALL)
    if equal:
        left, right = equal.groups()
        return left.casefold() == right.casefold() if fold else left == right
    if not compared:
        raise ScriptStoppedError(f"found {quote(text)}, which is not a condition that is known")
    left, sign, right = compared[1], compared[2].casefold(), compared[3]
    if re.fullmatch("-?[0-9]+", left) and re.fullmatch("-?[0-9]+", right):
        order = int(left) - int(right)
    else:
        left, right = (left.casefold(), right.casefold()) if fold else (left, right)
        order = (left > right) - (left < right)
    return {"equ": order == 0, "neq": order != 0, "lss": order < 0, "leq": order <= 0, "gtr": order > 0,
            "geq": order >= 0}[sign]  # fmt: skip
