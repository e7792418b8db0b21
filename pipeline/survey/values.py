"""What a survey is given, and what it finds."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from pipeline.bitstreams.bitstream import Bitstream
from pipeline.model.manifest import Value
from pipeline.model.reading import Reading
from pipeline.model.text import counted, listed, quote

FOUND = "found"
BLANK = "blank"
SUGGESTED = "suggested"
REMARK = "remark"

PLURAL = {"is": "are", "has": "have", "may be": "may be"}
"""Verbs whose plural is not formed by leaving out the "s"."""

MOST_NAMES = 5
"""Names that one line of evidence lists."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyedFile:
    """A file of the card. ``bitstream``: what it says of itself where it is one. ``text``: its bytes if a small text.

    ``path``: parts separated by "/", all of them names that a card may have.
    """

    path: str
    size: int
    bitstream: Bitstream | None = None
    text: bytes | None = None

    @property
    def folder(self) -> str:
        """The path of the folder it is in, "" for the root."""
        return self.path.rpartition("/")[0]

    @property
    def name(self) -> str:
        """Its name without folders."""
        return self.path.rpartition("/")[2]


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyedCard:
    """A card as values: its files and folders in directory order, and its volume, None for a mounted folder.

    ``size``: of the card, in bytes, 0 for a folder. ``left_out``: files whose bytes were not looked at, or whose names
    no card of ours may have.
    """

    files: tuple[SurveyedFile, ...]
    folders: tuple[str, ...]
    reading: Reading | None = None
    size: int = 0
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Habit:
    """One key of the board, with the evidence for it in lines of plain text.

    ``way``: the parts of the key, ("cores", "folder"). ``standing``: FOUND where ``value`` is what the card shows;
    BLANK where a person must say it (``value`` then only shows whether it is a list); SUGGESTED for a value that a
    person may take or leave; REMARK for evidence on the table ``way``, () for the card, without a value.
    """

    way: tuple[str, ...]
    standing: str
    value: Value = ""
    evidence: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class CorePlaces:
    """Where the bitstreams of cores are. ``folder``, ``bitstream``: templates, as in the board's manifest.

    ``cores``: the file of each core's bitstream, by the core's name on the card.
    """

    folder: str
    bitstream: str
    cores: Mapping[str, SurveyedFile] = field(default_factory=dict)


def share(found: int, total: int, what: str, verb: str, rest: str) -> str:
    """Return "5 of 6 folders below X hold REST." for "folder below X" and "holds".

    ``what``, ``verb``: in the singular. Of a single one it says that this is weak evidence.
    """
    noun, *where = what.split(" ", 1)
    plural = PLURAL.get(verb, verb.removesuffix("s"))
    text = " ".join([f"{found:,} of {counted(total, noun)}", *where, verb if found == 1 else plural, f"{rest}."])
    return f"{text} This is weak evidence: a single example." if total == 1 else text


def names(items: Iterable[str]) -> str:
    """Return the first few names as a sentence lists them, and how many more there are."""
    known = [quote(item) for item in items]
    more = len(known) - MOST_NAMES
    return listed([*known[:MOST_NAMES], counted(more, "other")] if more > 0 else known)
