"""What the manifests say, decoded: boards, cores, titles, cards and sources.

Every value names the manifest ``file`` it comes from, as the user knows it ("inputs/titles/moth-pantry.toml"), so
that a problem found much later can still point at the line. Paths are written with "/". Sizes are bytes.
Templates hold fields in braces: ``{core}`` (the core's folder name on the card), ``{name}``, ``{release}``, ``{kind}``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from pipeline.errors import Place
from pipeline.model.content import Content

Value = str | int | bool | tuple["Value", ...] | Mapping[str, "Value"]
"""A plain value of a manifest: what TOML gives, with lists as tuples."""

NOTHING: Mapping[str, Any] = {}
"""Stands where nothing is stated: of tens of thousands of chips and steps, a mapping for each counts."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rights:
    """Under which licence a content may be passed on, and who says so. "" where nothing is stated."""

    licence: str = ""
    holder: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnFile:
    """A file a manifest puts on the card.

    Exactly one of ``content`` (found in the sources by hash) and ``source_path`` (a file or folder below the
    inputs) is set. ``path`` is relative to the folder its owner puts files in; for a folder it is the folder that
    receives the files. ``placement``: "first", "one-piece" or "anywhere". ``key``: the manifest key.
    """

    path: str
    placement: str
    key: str
    content: Content | None = None
    source_path: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SumList:
    """A checksum list in ``sha256sum`` form below the inputs that declares many files at once, and their folder."""

    list_path: str
    into: str
    key: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfigFile:
    """A text file to be written: from ``lines``, or from ``values`` as ``key = value`` below ``[section]`` heads.

    ``head``: plain lines before all others. Where a file names several cores, ``lines`` are written once for each.
    ``values``: (section, key, value) in file order; section "" stands before any head. ``separator`` stands between
    key and value. ``line_ending``: "lf", "crlf" or "cr". ``encoding``: "ascii", "latin-1", "cp437", "cp850" or "utf-8".
    """

    path: str
    line_ending: str
    encoding: str
    key: str
    head: tuple[str, ...] = ()
    lines: tuple[str, ...] = ()
    values: tuple[tuple[str, str, str], ...] = ()
    separator: str = "="
    final_line_ending: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfigEdit:
    """One value to change in an existing config file; ``add`` allows a missing key or section to be added."""

    path: str
    section: str
    name: str
    value: str
    add: bool
    key: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Fpga:
    """The board's FPGA: part and package as printed on it, and the 32-bit device id where it is known."""

    part: str
    package: str = ""
    device_id: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """A named choice of the board: the config file, section and key it lives in, and how each choice is written."""

    name: str
    path: str
    section: str
    key: str
    choices: Mapping[str, str]
    add: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """What the FPGA computer expects of a card.

    ``volumes``: subset of ("fat12", "fat16", "fat32"). ``largest``: of a card, in bytes. ``label_entry``: where the
    label's directory entry stands: "second" (after the first file), "first" or "none". ``core_folder`` and
    ``bitstream``: templates. ``menu``: the file that names a core in the menu, its path relative to the core's folder;
    with ``one_menu`` a single file that names all cores, its path relative to the root. ``core_slots``: how many cores
    it can hold at once, 0 for no limit. ``title_folder``: template. ``reserved``: paths only the board's own files may
    use; a pattern ending in "/**" means the whole folder. ``base``: files, folders and archives below the inputs that
    hold the board's own system files. ``silenced``: rule to the reason why it is silenced for this board.
    """

    id: str
    file: str
    name: str
    volumes: tuple[str, ...]
    partitioned: bool
    largest: int | None
    label_entry: str
    fpga: Fpga | None
    outputs: tuple[str, ...]
    core_folder: str
    bitstream: str
    menu: ConfigFile | None
    core_slots: int
    title_folder: str
    reserved: tuple[str, ...]
    settings: Mapping[str, Setting]
    base: tuple[str, ...]
    cautions: tuple[str, ...]
    rights: Rights
    source: str = ""
    date: str = ""
    one_menu: bool = False
    silenced: Mapping[str, str] = field(default_factory=lambda: NOTHING)


@dataclass(frozen=True, slots=True, kw_only=True)
class Needs:
    """What a core needs of volume, board and station; an empty value means it does not mind.

    ``volumes``: what it can read. ``settings``: board setting to choice. ``outputs``: those it drives.
    ``orientation``: "landscape" or "portrait". ``line_rates``: in Hz, for outputs that ``output_rates`` does not
    name. ``keyboard``: "none", "any" or "external". ``start_output``: the output it shows first, "" when all are
    driven at once. ``switch``: output to the steps by which a person switches to it.
    """

    volumes: tuple[str, ...] = ()
    settings: Mapping[str, str] = field(default_factory=lambda: NOTHING)
    outputs: tuple[str, ...] = ()
    orientation: str = ""
    line_rates: tuple[int, ...] = ()
    keyboard: str = ""
    pads: int = 0
    buttons: int = 0
    start_output: str = ""
    switch: Mapping[str, tuple[str, ...]] = field(default_factory=lambda: NOTHING)
    output_rates: Mapping[str, tuple[int, ...]] = field(default_factory=lambda: NOTHING)


@dataclass(frozen=True, slots=True, kw_only=True)
class TitleRules:
    """Where a core's titles go and how they are named; ``most`` per folder, 0 for no limit.

    ``folder``: template, "" takes the board's. ``names``: "short" (8.3 only) or "long". ``largest``: in bytes.
    """

    folder: str = ""
    names: str = "long"
    largest: int | None = None
    most: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One thing done to a piece: the name of the operation ("take") and its arguments as written."""

    operation: str
    arguments: Value


@dataclass(frozen=True, slots=True, kw_only=True)
class Socket:
    """A place for one ROM of the original machine.

    ``size``: bytes that steps take from it. ``part``: as printed on the chips it is made for, or "". ``holds``: what is
    in them, in a few words, or "". ``empty``: the byte or the content that stands in where it is empty; None: it must
    not be. ``then``: how it is wired.
    """

    name: str
    size: int
    part: str = ""
    holds: str = ""
    empty: int | Content | None = None
    then: tuple[Change, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownChip:
    """What is known of a chip: its SHA-256, its socket, and the id of the title it is of, "" where that is not said."""

    sha256: str
    title: str
    socket: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """An arrangement of chips that titles of a core share; its ROM files are in each of these titles."""

    name: str
    sockets: Mapping[str, Socket]
    known: tuple[KnownChip, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Core:
    """A design that turns the board into another machine. ``folder``: its folder name on the card (``{core}``).

    ``folders``: paths of folders that are on the card even where they are empty.
    ``date``: when the facts were true; ``release_date``: when the release came out. Both "2026", "2026-05" or
    "2026-05-01", or "". ``silenced``: rule to the reason why it is silenced for this core.
    """

    id: str
    file: str
    name: str
    kind: str
    release: str
    folder: str
    boards: tuple[str, ...]
    tags: tuple[str, ...]
    bitstream: Content
    needs: Needs
    files: tuple[OwnFile, ...]
    sums: tuple[SumList, ...]
    configs: tuple[ConfigFile, ...]
    titles: TitleRules
    start: tuple[str, ...]
    notes: tuple[str, ...]
    rights: Rights
    source: str
    date: str
    release_date: str = ""
    silenced: Mapping[str, str] = field(default_factory=lambda: NOTHING)
    folders: tuple[str, ...] = ()
    layouts: Mapping[str, Layout] = field(default_factory=lambda: NOTHING)


@dataclass(frozen=True, slots=True, kw_only=True)
class Chip:
    """One physical ROM of the original machine; its dump is known by content.

    ``part``: as printed, or "". ``holds``: what is in it, in a few words, or "".
    """

    name: str
    content: Content
    part: str = ""
    holds: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """Bytes put together: from a chip, other pieces, or literally; ``then`` is done to them in order.

    ``operation``: "chip", "join", "interleave", "bytes", ...; ``arguments``: the other keys of its table as written.
    ``parts``: the pieces it is made of. ``name``: of the chip, for "chip". ``slot``: the name it has in a container.
    """

    operation: str
    arguments: Mapping[str, Value] = field(default_factory=lambda: NOTHING)
    parts: tuple[Piece, ...] = ()
    name: str = ""
    slot: str = ""
    then: tuple[Change, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step of a ROM file: a piece put at an address; ``over`` lets it replace what earlier steps placed."""

    at: int
    piece: Piece
    over: bool
    key: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RomFile:
    """A file a core loads, arranged from chips. ``size`` in bytes; ``fill``: the byte of every hole, None: no holes.

    ``path`` is relative to the title's folder. ``sha256``: of the finished file, "" where not yet known.
    ``then``: what is done to the whole after its steps, in order; its size stays.
    """

    path: str
    size: int
    fill: int | None
    steps: tuple[Step, ...]
    sha256: str
    placement: str
    key: str
    then: tuple[Change, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Title:
    """A program or game that runs on a core, with all that it takes over written out.

    ``patches``: deltas that steps apply to pieces, by name; no chip has the same one. ``layout``: of its core, "" for
    none; what is in its sockets is in ``chips``. ``sockets``: those of the layout, wired as for this title. ``like``:
    the id of the title it is a variant of, "" for none. ``places``: where keys stand that are not written in ``file``
    as they are named here. Titles that come to the same are equal, however they are written.
    """

    id: str
    file: str
    name: str
    core: str
    tags: tuple[str, ...]
    folder: str
    chips: Mapping[str, Chip]
    roms: tuple[RomFile, ...]
    files: tuple[OwnFile, ...]
    orientation: str
    buttons: int
    rights: Rights
    source: str
    date: str
    patches: Mapping[str, Content] = field(default_factory=lambda: NOTHING)
    layout: str = field(default="", compare=False)
    sockets: Mapping[str, Socket] = field(default_factory=lambda: NOTHING, compare=False)
    like: str = field(default="", compare=False)
    places: Mapping[str, Place] = field(default_factory=lambda: NOTHING, compare=False, repr=False)

    def place(self, key: str) -> Place:
        """Return where a key ("rom.1.steps.2.at") stands: in its own manifest, its core's, or that of another title."""
        return place_of(key, self.places, self.file)


def place_of(key: str, places: Mapping[str, Place], file: str) -> Place:
    """Return where a key stands: below the longest part of it that ``places`` has, else in ``file`` as it is."""
    above = key
    while above:
        if above in places:
            place = places[above]
            return replace(place, key=place.key + key[len(above) :])
        above = above.rpartition(".")[0]
    return Place(file, key=key)


@dataclass(frozen=True, slots=True, kw_only=True)
class VolumeRequest:
    """What a card manifest asks of its volume. ``type``: "" is derived. ``size``: of the whole card, in bytes.

    ``label``: "" for none. ``serial``: None is derived from the card's id. ``timestamp``: None takes
    SOURCE_DATE_EPOCH, else 1980-01-01.
    """

    type: str
    size: int
    label: str
    serial: int | None
    timestamp: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """What is to be on one SD card. ``tags`` adds every core and title that carries one of them.

    ``stations``: where it is to be used; ``required_stations``: those of them where everything must work.
    ``silenced``: rule to the reason why it is silenced for this card. ``image_sha256``: what the build must give,
    "" for whatever. ``keep``: paths and patterns ("SLATE/**") of files that belong to the user; ``without_kept``: those
    whose kept files were left out to publish the card (no manifest says so).
    ``folders``: paths of folders that are on the card even where they are empty.
    ``accepted``: warning to the reason why the card may be published though it is there. ``rights``: of its own files.
    """

    id: str
    file: str
    name: str
    version: str
    board: str
    cores: tuple[str, ...]
    titles: tuple[str, ...]
    tags: tuple[str, ...]
    volume: VolumeRequest
    settings: Mapping[str, str]
    files: tuple[OwnFile, ...]
    sums: tuple[SumList, ...]
    configs: tuple[ConfigFile, ...]
    edits: tuple[ConfigEdit, ...]
    stations: tuple[str, ...] = ()
    required_stations: tuple[str, ...] = ()
    rights: Rights = Rights()
    silenced: Mapping[str, str] = field(default_factory=lambda: NOTHING)
    image_sha256: str = ""
    keep: tuple[str, ...] = ()
    without_kept: tuple[str, ...] = ()
    accepted: Mapping[str, str] = field(default_factory=lambda: NOTHING)
    folders: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Display:
    """A display of a station.

    ``inputs``: outputs of a board that can be plugged into it. ``line_rates``: (lowest, highest) it accepts, in Hz;
    empty where nothing is stated. ``orientation``: "landscape" or "portrait". ``turns``: whether it can be turned.
    """

    name: str
    inputs: tuple[str, ...]
    line_rates: tuple[tuple[int, int], ...] = ()
    orientation: str = "landscape"
    turns: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Station:
    """A place where the board is used.

    ``keyboards``: those there are, of "built-in" and "external". ``pads``: the number of buttons of each pad.
    """

    id: str
    file: str
    name: str
    displays: tuple[Display, ...]
    keyboards: tuple[str, ...] = ()
    pads: tuple[int, ...] = ()
    source: str = ""
    date: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ArchiveLimits:
    """What an archive may hold before it is refused: members, bytes of one and of all, ratio above 1 MiB."""

    entries: int = 10_000
    member: int = 4 << 30
    total: int = 64 << 30
    ratio: int = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Sources:
    """Folders and archives to search, as absolute paths in the order they are declared."""

    places: tuple[str, ...] = ()
    limits: ArchiveLimits = ArchiveLimits()


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """Everything the manifests say, each kind by id. ``root``: the inputs folder as an absolute path."""

    root: str
    boards: Mapping[str, Board]
    cores: Mapping[str, Core]
    titles: Mapping[str, Title]
    cards: Mapping[str, Card]
    sources: Sources
    stations: Mapping[str, Station] = field(default_factory=lambda: NOTHING)
