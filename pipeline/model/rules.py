"""Every rule that a card must keep: what it is called, what it asks and why, and what comes of breaking it.

The code that looks after a rule names it with the constant from here; `build/rules.py` says what is done about it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

ERROR = "error"
WARNING = "warning"


@dataclass(frozen=True, order=True, slots=True, kw_only=True)
class Rule:
    """One rule. ``reason``: what it asks in one line, then why.

    ``level``: ERROR stops the build, WARNING is shown and recorded. ``stage``: what finds out: "check", "find",
    "image" or "publish". ``can_be_silenced``: whether a card may set it aside with a written reason; never where
    breaking it makes the card fail whatever its maker thinks.
    """

    name: str
    reason: str
    level: str = ERROR
    stage: str = "check"
    can_be_silenced: bool = False


BITSTREAM_IS_FOR_THE_FPGA = Rule(
    name="bitstream-is-for-the-fpga",
    reason="A bitstream that says which FPGA it is for is for the board's FPGA, and is complete.\n\n"
    "One for another FPGA does not start, and can drive pins against each other and damage the board.",
    stage="image",
)

BITSTREAM_IS_IDENTIFIABLE = Rule(
    name="bitstream-is-identifiable",
    reason="A bitstream of a known form says which FPGA it is for, and the board's manifest names its own.\n\n"
    "Where it cannot be identified, only the person who loads it can keep a wrong one from the board.",
    level=WARNING,
    stage="image",
    can_be_silenced=True,
)

BOARD_HOLDS_THE_CORES = Rule(
    name="board-holds-the-cores",
    reason="A card holds no more cores than the board has slots for.\n\n"
    "The menu has so many slots; cores beyond them are on the card and cannot be chosen.",
    can_be_silenced=True,
)

BOARD_TAKES_THE_CARD = Rule(
    name="board-takes-the-card",
    reason="A card is no larger than the board takes.\n\n"
    "A loader may count sectors in fewer bits than the card needs; then it finds no file at all.",
    can_be_silenced=True,
)

CONTENTS_FIT = Rule(
    name="contents-fit",
    reason="Files and folders take no more clusters than the volume has.\n\n"
    "A file takes whole clusters; so does every folder.",
)

CORES_ARE_PLAYED = Rule(
    name="cores-are-played",
    reason="Each core and title has the keyboard and the pads it needs at each station of the card.\n\n"
    "A game that shows its picture and cannot be controlled is of no more use than one without a picture.",
    level=WARNING,
    can_be_silenced=True,
)

CORES_ARE_SEEN = Rule(
    name="cores-are-seen",
    reason="Each core and title has a picture at each station of the card.\n\n"
    "The whole route is checked: an output that the board has and the core drives, the output it starts on or a\n"
    "declared way to change it, a display with that input, its line rates and its orientation. The manual of a\n"
    "display says what it accepts; a wrong line rate can damage it, old tube monitors above all.",
    level=WARNING,
    can_be_silenced=True,
)

EVERY_CONTENT_IS_FOUND = Rule(
    name="every-content-is-found",
    reason="Every content that is needed is in a source, with the right size and SHA-256.\n\n"
    "A file with other bytes is another content, whatever its name.",
    stage="find",
)

FACTS_ARE_CURRENT = Rule(
    name="facts-are-current",
    reason="What a manifest says of a core is no older than the core's release.\n\n"
    "Cores change from release to release: other paths, other outputs, other keys. Dates are compared as far as both\n"
    "are stated: facts of 2026-05 are not older than a release of 2026-05-20.",
    level=WARNING,
    can_be_silenced=True,
)

FILES_ARE_NOT_TOO_LARGE = Rule(
    name="files-are-not-too-large",
    reason="No file reaches 4 GiB, counted in whole clusters.\n\n"
    "A directory entry holds a size in 32 bits, and public checkers count the bytes of whole clusters in 32 bits too.",
)

FILES_TO_CHANGE_ARE_THERE = Rule(
    name="files-to-change-are-there",
    reason="A config file that is to be changed is on the card, and has the section and key.\n\n"
    "A setting that is written nowhere has no effect, and nobody notices.",
)

FOLDERS_HAVE_ROOM = Rule(
    name="folders-have-room",
    reason="No folder has more entries than it can hold.\n\n"
    "The root of FAT12 and FAT16 has a fixed number of entries, and a long name takes several; any other folder\n"
    "holds 65,536 (Microsoft FAT32 File System Specification 1.03, 2000).",
)

IMAGE_IS_THE_ONE_PINNED = Rule(
    name="image-is-the-one-pinned",
    reason="An image has the SHA-256 that its card's manifest declares, if it declares one.\n\n"
    "A pinned SHA-256 reports every change of the image, intended or not.",
    stage="image",
)

LABEL_IS_LEGAL = Rule(
    name="label-is-legal",
    reason="The label is legal on FAT, and the board uses labels.\n\n"
    "Its entry is in the root directory; readers that take an entry by its number must find the one they expect.",
)

NAMES_ARE_LEGAL = Rule(
    name="names-are-legal",
    reason="Every name on the card is legal on FAT and can be shown by every system.\n\n"
    "Source: Microsoft FAT32 File System Specification 1.03 (2000), long and short names.",
)

NAMES_ARE_UNIQUE = Rule(
    name="names-are-unique",
    reason="No two names in a folder are the same to a reader that ignores case and how accents are written.\n\n"
    "FAT compares names without case; only one of two such files can be opened.",
)

ONE_FILE_IS_FIRST = Rule(
    name="one-file-is-first",
    reason="At most one file asks to be the first on the card; it is in the root, not empty, and has a short name.\n\n"
    "A core that reads without a file system takes the first entry and the first cluster, whatever is in them.",
)

REQUIRED_STATIONS_WORK = Rule(
    name="required-stations-work",
    reason="Every core and title has picture and controls at the stations the card requires.\n\n"
    "The card names them as required, so it is not built while it would fail there.",
)

RESERVED_PATHS_ARE_THE_BOARDS = Rule(
    name="reserved-paths-are-the-boards",
    reason="Paths that the board's firmware reads hold the board's own files.\n\n"
    "A file of a core or a title at such a path can keep the board from starting.",
    can_be_silenced=True,
)

RIGHTS_ARE_STATED = Rule(
    name="rights-are-stated",
    reason="A card that is handed over states licence, holder and source of everything on it.\n\n"
    "Nobody may pass on what the licence does not allow, and the receiver must know whom to ask.",
    stage="publish",
)

SETTINGS_AGREE = Rule(
    name="settings-agree",
    reason="All cores, and the card, need the same choice of a board setting.\n\n"
    "A setting is one line of one file, and the card has one copy of that file.",
)

TIMESTAMP_CAN_BE_STORED = Rule(
    name="timestamp-can-be-stored",
    reason="The card's timestamp is one that every reader shows correctly: 1980-01-01 to 2100-02-28.\n\n"
    "Directory entries begin in 1980, and some readers take 2100 for a leap year.",
)

TITLE_FOLDERS_ARE_NOT_TOO_FULL = Rule(
    name="title-folders-are-not-too-full",
    reason="A folder of titles holds no more files than their core lists.\n\n"
    "A core keeps the list of a folder in memory of a fixed size; files beyond it cannot be chosen.",
    can_be_silenced=True,
)

TITLES_ARE_NOT_TOO_LARGE = Rule(
    name="titles-are-not-too-large",
    reason="A title's files are no larger than its core reads.\n\n"
    "A core reads a file into the board's memory; bytes beyond its space are cut off, or overwrite other data.",
    can_be_silenced=True,
)

TITLES_HAVE_SHORT_NAMES = Rule(
    name="titles-have-short-names",
    reason="Titles have 8.3 names where their core reads no others.\n\n"
    "Small loaders compare the 11 bytes of a directory entry and skip the entries that hold a long name.",
    can_be_silenced=True,
)

VOLUME_IS_READ_BY_ALL = Rule(
    name="volume-is-read-by-all",
    reason="The volume has a type that the board and every core can read, and a size that this type can have.\n\n"
    "A core that cannot read the volume finds no file on it. What a FAT volume is, FAT12, FAT16 or FAT32, follows\n"
    "from its number of clusters alone (Microsoft FAT32 File System Specification 1.03, 2000).",
)

RULES: Mapping[str, Rule] = {
    rule.name: rule
    for rule in (
        BITSTREAM_IS_FOR_THE_FPGA,
        BITSTREAM_IS_IDENTIFIABLE,
        BOARD_HOLDS_THE_CORES,
        BOARD_TAKES_THE_CARD,
        CONTENTS_FIT,
        CORES_ARE_PLAYED,
        CORES_ARE_SEEN,
        EVERY_CONTENT_IS_FOUND,
        FACTS_ARE_CURRENT,
        FILES_ARE_NOT_TOO_LARGE,
        FILES_TO_CHANGE_ARE_THERE,
        FOLDERS_HAVE_ROOM,
        IMAGE_IS_THE_ONE_PINNED,
        LABEL_IS_LEGAL,
        NAMES_ARE_LEGAL,
        NAMES_ARE_UNIQUE,
        ONE_FILE_IS_FIRST,
        REQUIRED_STATIONS_WORK,
        RESERVED_PATHS_ARE_THE_BOARDS,
        RIGHTS_ARE_STATED,
        SETTINGS_AGREE,
        TIMESTAMP_CAN_BE_STORED,
        TITLE_FOLDERS_ARE_NOT_TOO_FULL,
        TITLES_ARE_NOT_TOO_LARGE,
        TITLES_HAVE_SHORT_NAMES,
        VOLUME_IS_READ_BY_ALL,
    )
}
"""By name, sorted. A person may know better than a manifest; no reason changes bytes, an FPGA or a right."""
