"""Long and short names: which are legal, when two collide, and the short name of each long one.

Source, unless a function names another: Microsoft FAT32 File System Specification 1.03 (2000).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from unicodedata import normalize

LONGEST = 255
"""UTF-16 code units of a long name."""

UNITS_IN_SLOT = 13
"""UTF-16 code units in one directory slot of a long name."""

FORBIDDEN = '"*/:<>?\\|'
"""Printable characters no long name may hold."""

IMPOSSIBLE = re.compile(r'["*/:<>?\\|\x00-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff]')
"""Those, control characters, halves of surrogate pairs, and what is no character or would read as padding."""

NOT_IN_ALIAS = re.compile(r"[^A-Za-z0-9_\-. ]")
"""What a generated short name replaces."""

DEVICES = frozenset(
    ["CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$"]
    + [
        device + digit
        for device in ("COM", "LPT")
        for digit in "123456789\N{SUPERSCRIPT ONE}\N{SUPERSCRIPT TWO}\N{SUPERSCRIPT THREE}"
    ]
)
"""Names Windows keeps for devices, with any extension (Microsoft, "Naming Files, Paths, and Namespaces")."""

SHORT = re.compile(r"[A-Z0-9$%'\-_@~`!(){}^#&]{1,8}(\.[A-Z0-9$%'\-_@~`!(){}^#&]{1,3})?")
"""An 8.3 name that may be stored as it is; ASCII only, since no volume says which code page it means."""

LABEL_FORBIDDEN = '"*+,./:;<=>?[\\]|'
"""Printable characters no volume label may hold."""

LABEL_SIGNS = "$ % ' - _ @ ~ ` ! ( ) { } ^ # &"
"""What a volume label may hold beside letters, digits and blanks."""

MOST_TAIL = 999_999
"""Largest number of a numeric tail."""


def name_problem(name: str) -> str | None:
    """Return why a name cannot be on the card and what to change, or None if it can.

    Sources: Microsoft's specification for the characters and the length; "Naming Files, Paths, and Namespaces" for
    what Windows refuses beyond it.
    """
    if not name:
        return "is empty; give it at least one character"
    if name in (".", ".."):
        return f'is "{name}", which stands for a folder itself or its parent; give it a name of its own'
    if bad := IMPOSSIBLE.search(name):
        return _bad_character(bad[0])
    units = utf16_units(name)
    if units > LONGEST:
        return f"has {units} UTF-16 units, and a name may have {LONGEST}; shorten it by {units - LONGEST}"
    if name[-1] in " .":
        return f"ends with a {_spoken(name[-1])}, which readers drop; leave it out"
    if name[0] == " ":
        return "begins with a blank, which readers drop; leave it out"
    stem = name.split(".", 1)[0].rstrip(" ").upper()
    if stem in DEVICES:
        return f"is kept for the device {stem} by Windows, with any extension; put another character before it"
    return None


def label_problem(label: str) -> str | None:
    """Return why a volume label cannot be and what to change, or None if it can ("" is no label at all)."""
    if len(label) > 11:
        return f"has {len(label)} characters, and a volume label may have 11; shorten it by {len(label) - 11}"
    for character in label:
        if character in LABEL_FORBIDDEN or not " " <= character <= "~":
            allowed = f"a volume label may hold A-Z, 0-9, blanks and {LABEL_SIGNS}"
            return f"holds {_shown(character)}, and {allowed}; leave it out or write _"
    if label != label.upper():
        return f"has lower-case letters; write {label.upper()}"
    if label != label.strip():
        return "begins or ends with a blank, which readers drop; leave it out"
    if label == "NO NAME":
        return "is how a volume without a label is marked; choose another, or none"
    return None


def fold(name: str) -> str:
    """Return the form in which two names collide: letter case and composition of accents make no difference.

    Wider than FAT asks, so that no system that reads the card confuses two files: Unicode's canonical caseless
    match (The Unicode Standard, definition D145), after upper-casing.
    """
    if name.isascii():
        return name.lower()
    return normalize("NFD", normalize("NFD", name).upper().casefold())


def is_short(name: str) -> bool:
    """Return whether a name is upper-case 8.3 as it is, and so needs no long name."""
    return SHORT.fullmatch(name) is not None


def utf16_units(name: str) -> int:
    """Return the length of a name as the long-name slots count it."""
    return len(name) if name.isascii() else len(name.encode("utf-16-le", "surrogatepass")) // 2


def slots(name: str, short: str) -> int:
    """Return the 32-byte directory slots an entry takes: 1 to 20 for the long name, where there is one, and its own."""
    return 1 if name == short else 1 + -(-utf16_units(name) // UNITS_IN_SLOT)


def raw_short(short: str) -> bytes:
    """Return the 11 bytes of an 8.3 name: 8 of the stem, 3 of the extension, padded with blanks."""
    stem, _, extension = short.partition(".")
    return f"{stem:8}{extension:3}".encode("ascii")


def checksum(raw11: bytes) -> int:
    """Return the byte that ties long-name slots to their 8.3 entry: rotate right by one, add, for each byte."""
    total = 0
    for byte in raw11:
        total = ((total & 1) << 7 | total >> 1) + byte & 0xFF
    return total


def short_names(names: Sequence[str]) -> list[str]:
    """Return the 8.3 name of each name of one folder, all unique among each other and against every long name.

    A name that is 8.3 keeps itself, and upper-cased if it is letters, digits, _ and - but for the case. Every other
    gets the published basis name and the lowest free numeric tail, in the order given; such names hold A-Z, 0-9, _,
    - and the ~ of the tail only, since no volume says which code page it means.
    Raises ValueError if two names collide or no tail is left.
    """
    taken = {fold(name) for name in names}
    if len(taken) != len(names):
        raise ValueError("two names of one folder differ in nothing but letter case or composition")
    lowest: dict[tuple[str, str], int] = {}
    return [_short_name(name, taken, lowest) for name in names]


def _short_name(name: str, taken: set[str], lowest: dict[tuple[str, str], int]) -> str:
    """Return the 8.3 name of one name and enter it in ``taken``.

    ``lowest``: for each (stem with "~", extension) at each number of digits, the tail below which all are taken.
    It makes the search for the lowest free tail a look-up, however many names share a stem.
    """
    if is_short(name):
        return name
    stem, extension = basis_name(name)
    ending = f".{extension}" if extension else ""
    if stem + ending == name.upper() and len(stem) <= 8:
        return stem + ending
    for digits in range(1, 7):
        root = stem[: 7 - digits] + "~"
        key = (f"{root}{digits}", ending)
        first, end = 10 ** (digits - 1), 10**digits
        for tail in range(lowest.get(key, first), end):
            short = f"{root}{tail}{ending}"
            if short.lower() not in taken:
                taken.add(short.lower())
                lowest[key] = tail + 1
                return short
        lowest[key] = end
    raise ValueError(f"no short name is left for {name!r}: all tails to {MOST_TAIL:,} are taken")


def basis_name(name: str) -> tuple[str, str]:
    """Return the stem (8 characters at most) and the extension (3) a short name is made from, without a tail.

    Upper-cased, everything but A-Z, 0-9, _ and - replaced by _, blanks and leading dots dropped; the stem ends at
    the first dot, the extension follows the last.
    """
    plain = NOT_IN_ALIAS.sub("_", name).replace(" ", "").lstrip(".").upper()
    stem, _, rest = plain.partition(".")
    return stem[:8], rest.rpartition(".")[2][:3]


def _bad_character(character: str) -> str:
    if character in FORBIDDEN:
        return f"holds {character}, and no name may hold any of {' '.join(FORBIDDEN)}; leave it out or write _"
    return f"holds U+{ord(character):04X}, which is not a character of a name; leave it out"


def _shown(character: str) -> str:
    return character if character.isprintable() else f"U+{ord(character):04X}"


def _spoken(character: str) -> str:
    return "blank" if character == " " else "dot"
