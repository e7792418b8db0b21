"""Contents: bytes known by size and SHA-256, where they were found, and what is made of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from pipeline.errors import Place


@dataclass(frozen=True, order=True, slots=True, kw_only=True)
class Content:
    """The bytes of a file, wherever it lies and whatever it is called.

    ``sha256`` is 64 lower-case hexadecimal digits. ``size`` is in bytes; None where a declaration gives only the
    hash (checksum lists). ``crc32`` (0 to 2**32-1) helps finding and decides nothing.
    """

    sha256: str
    size: int | None = None
    crc32: int | None = None


@dataclass(frozen=True, order=True, slots=True, kw_only=True)
class Location:
    """Where a content lies on this machine: a file, or one member of a ZIP archive."""

    path: str
    member: str | None = None

    def __str__(self) -> str:
        return self.path if self.member is None else f"{self.path} > {self.member}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """A content some manifest asks for; ``name`` is for people ("chip 4t of moth-pantry") and for likely file names.

    ``place`` is the manifest key that asks. ``file_names`` are names the content may go by (without folders).
    ``owner`` is the id of the board, core, title or card that asks. ``chip``: the name of the chip whose dump it is, ""
    for anything else.
    """

    content: Content
    name: str
    place: Place
    file_names: tuple[str, ...] = ()
    owner: str = ""
    chip: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sought:
    """What is known of a content whose SHA-256 is not: its size in bytes and its CRC-32, None where not known either.

    ``names``: what its file may be called, without folders, with or without its extension.
    """

    names: tuple[str, ...]
    size: int | None = None
    crc32: int | None = None

    @property
    def by_name(self) -> bool:
        """Whether its name counts: where size and CRC-32 are both known, they say enough."""
        return self.size is None or self.crc32 is None

    @property
    def basis(self) -> str:
        """What a file is known by, in words: "name and size"."""
        parts = ["name"] * self.by_name + ["size"] * (self.size is not None) + ["CRC-32"] * (self.crc32 is not None)
        return " and ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 1 else parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitting:
    """The files that fit what is sought: the different contents, each with where it lies, the preferred first.

    ``failures``: files that may fit and could not be read, each with the reason.
    """

    contents: Mapping[Content, tuple[Location, ...]]
    failures: tuple[tuple[Location, str], ...] = ()


@dataclass(frozen=True, order=True, slots=True, kw_only=True)
class Candidate:
    """A source file that is near to a missing content but not it; ``why`` says how near ("same size and name")."""

    location: Location
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What a search gave: where each found content lies (by SHA-256), its full size and hash, and what is missing."""

    locations: Mapping[str, Location]
    contents: Mapping[str, Content]
    missing: tuple[tuple[Wanted, Candidate | None], ...]


@dataclass(frozen=True, order=True, slots=True, kw_only=True)
class Ingredient:
    """One content that went into a file: its role ("chip 4t"), size in bytes and SHA-256.

    ``kind``, ``owner``: of the file that was edited, as in ``Origin``; "" for a board's file and whatever was no file
    of the card.
    """

    role: str
    size: int
    sha256: str
    kind: str = ""
    owner: str = ""


@dataclass(frozen=True, order=True, slots=True, kw_only=True)
class Origin:
    """What a file of the card was made from.

    ``kind``: "bitstream", "core-file", "rom-file", "title-file", "menu", "config", "board-file" or "card-file".
    ``owner``: the id of the board, core, title or card that asks for it. ``ingredients``: none for a file that is
    copied as it is. ``steps``: one line a ROM step or edit. Both may be worked out each time they are gone through.
    """

    kind: str
    owner: str
    ingredients: Iterable[Ingredient] = ()
    steps: Iterable[str] = ()


@dataclass(frozen=True, order=True, slots=True, kw_only=True)
class CardFolder:
    """A folder that is on the card even where no file is in it; ``place`` is the manifest key that asks for it."""

    path: str
    place: Place


@dataclass(frozen=True, slots=True, kw_only=True)
class CardFile:
    """One file that is to be on the card: its path ("GOODS/MOTH.ROM"), content, placement and origin.

    ``placement`` is "first", "one-piece" or "anywhere". ``place`` is the manifest key that asks for the file.
    """

    path: str
    content: Content
    placement: str
    origin: Origin
    place: Place
