"""Rules that are kept where their facts are worked out: in choosing, laying out, finding, judging and publishing."""

from __future__ import annotations

from pipeline.model.rule import WARNING, Rule

ELSEWHERE = (
    Rule(
        name="settings-agree",
        reason="All that ask for a setting of the board ask for the same choice.\n\n"
        "A setting is one line of one file, and the card has that file once.",
    ),
    Rule(
        name="volume-is-read-by-all",
        reason="The volume has a type that the board and every core can read, and a size that this type can have.\n\n"
        "A core that cannot read the volume finds no file on it. What a FAT volume is, FAT12, FAT16 or FAT32, follows\n"
        "from its number of clusters alone (Microsoft FAT32 File System Specification 1.03, 2000).",
    ),
    Rule(
        name="files-to-change-are-there",
        reason="A config file that is to be changed goes onto the card, and has the section and key.\n\n"
        "A setting written nowhere changes nothing, and nobody sees it.",
    ),
    Rule(
        name="names-are-legal",
        reason="Every name on the card is one that FAT can hold and every system can show.\n\n"
        "Source: Microsoft FAT32 File System Specification 1.03 (2000), long and short names.",
    ),
    Rule(
        name="names-are-unique",
        reason="No two names in a folder are the same to a reader that ignores case and how accents are written.\n\n"
        "FAT compares names without case; of two such files only one is ever found.",
    ),
    Rule(
        name="one-file-is-first",
        reason="At most one file asks to be first on the card, and it can: in the root, not empty, a short name.\n\n"
        "A core that reads without a file system takes the first entry and the first cluster, whatever lies there.",
    ),
    Rule(
        name="files-are-not-too-large",
        reason="No file reaches 4 GiB with the rest of its last cluster.\n\n"
        "A directory entry holds a size in 32 bits, and a public checker counts bytes of whole clusters in as many.",
    ),
    Rule(
        name="folders-have-room",
        reason="No folder has more entries than it can hold.\n\n"
        "The root of FAT12 and FAT16 has a fixed number of entries, and a long name takes several; any other folder\n"
        "holds 65,536 (Microsoft FAT32 File System Specification 1.03, 2000).",
    ),
    Rule(
        name="contents-fit",
        reason="Files and folders take no more clusters than the volume has.\n\n"
        "A file takes whole clusters; so does every folder.",
    ),
    Rule(
        name="label-is-legal",
        reason="The volume label is one that FAT can hold, and the board wants one.\n\n"
        "Its entry stands in the root; readers that take an entry by its number must find what they expect.",
    ),
    Rule(
        name="timestamp-can-be-stored",
        reason="The card's timestamp is one that every reader shows right: 1980-01-01 to 2100-02-28.\n\n"
        "Directory entries begin in 1980, and a public reader takes 2100 for a leap year.",
    ),
    Rule(
        name="every-content-is-found",
        reason="Every content that is needed lies in a source, with the right size and SHA-256.\n\n"
        "What is not the declared bytes is something else, however it is called.",
        stage="find",
    ),
    Rule(
        name="bitstream-is-for-the-fpga",
        reason="A bitstream that says which FPGA it is for is for the board's, and is whole.\n\n"
        "One for another FPGA does not start, and can drive pins against each other and damage the board.",
        stage="image",
    ),
    Rule(
        name="bitstream-can-be-told",
        reason="A bitstream of a known form says which FPGA it is for, and the board's manifest names its own.\n\n"
        "Where it cannot be told, nothing keeps a wrong one from the board but the person who loads it.",
        level=WARNING,
        stage="image",
        can_be_silenced=True,
    ),
    Rule(
        name="image-is-the-one-pinned",
        reason="An image has the SHA-256 that its card's manifest says, where it says one.\n\n"
        "Whoever writes it down wants to hear of every change, also of one that nobody meant.",
        stage="image",
    ),
    Rule(
        name="rights-are-stated",
        reason="A card that is handed over states licence, holder and source of everything on it.\n\n"
        "Nobody may pass on what he may not, and who receives it must be able to ask.",
        stage="publish",
    ),
)
"""None of these but the one that only warns can be silenced: no reason changes bytes, an FPGA or a right."""
