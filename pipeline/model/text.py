"""Words for people: names from outside made safe to show, counts, lists, and the name that was probably meant."""

from __future__ import annotations

import difflib
import json
import string
from collections.abc import Iterable, Iterator

from pipeline.printable import shown as shown

LONGEST = 40
"""Characters of a value that ``quote`` and ``shorten`` show."""

MANY = 200
"""Names among which a wrong one is compared with each."""

LETTERS = f"{string.ascii_lowercase}{string.digits}-_."


def quote(text: str) -> str:
    """Return a text from outside in double quotes as TOML would have it, safe to show and shortened."""
    return shorten(shown(json.dumps(text, ensure_ascii=False)))


def shorten(text: str) -> str:
    """Return text with its middle left out when it is too long for a line."""
    return text if len(text) <= LONGEST else f"{text[: LONGEST - 9]}...{text[-6:]}"


def counted(number: int, noun: str) -> str:
    """Return "1 chip", "2 chips", "1,000 patches", "3 entries"."""
    return f"{number:,} {noun if number == 1 else plural(noun)}"


def plural(noun: str) -> str:
    """Return "chips", "patches", "boxes", "entries", "displays"."""
    if noun.endswith("y") and noun[-2:-1] not in "aeiou":
        return f"{noun[:-1]}ies"
    return noun + ("es" if noun.endswith(("ch", "sh", "s", "x", "z")) else "s")


def listed(words: Iterable[str], last: str = "and") -> str:
    """Return "a", "a and b", "a, b and c"; "" of no words."""
    known = list(words)
    return f" {last} ".join([", ".join(known[:-1]), known[-1]] if len(known) > 1 else known)


def quoted(names: Iterable[str], last: str = "or") -> str:
    """Return names in quotes as a sentence lists them: '"a", "b" or "c"'."""
    return listed(map(quote, names), last)


def nearest(name: str, known: Iterable[str], cutoff: float = 0.6) -> str:
    """Return the known name most like a wrong one, "" when none is; among many, only one that is a single slip away.

    ``cutoff``: how alike they must be at least, 1 for equal (the measure of ``difflib.get_close_matches``).
    """
    names = frozenset(known)
    if len(names) > MANY:  # the time of difflib would be felt where each of many names is wrong
        return next((slip for slip in _slips(name) if slip in names), "")
    same = sorted(candidate for candidate in names if candidate.lower() == name.lower())
    return next(iter(same or difflib.get_close_matches(name, names, 1, cutoff)), "")


def _slips(name: str) -> Iterator[str]:
    """Yield the names one slip away: in another case, or with one letter more, less, other or swapped."""
    yield from (name.lower(), name.upper())
    for at in range(min(len(name) + 1, LONGEST)):
        before, after = name[:at], name[at:]
        if after:
            yield before + after[1:]
            yield before + after[1:2] + after[:1] + after[2:]
        for letter in LETTERS:
            yield before + letter + after[1:]
            yield before + letter + after


def did_you_mean(name: str, known: Iterable[str], otherwise: str = "") -> str:
    """Return the hint 'did you mean "x"?' at the known name most like a wrong one, else the other hint."""
    near = nearest(name, known)
    return f'did you mean "{shown(near)}"?' if near else otherwise
