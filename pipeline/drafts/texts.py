"""The text of each kind of drafted manifest: what is known is written, and a blank stands for what a person knows."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from pipeline.bitstreams.bitstream import SIZE_CLASS, Bitstream
from pipeline.drafts.source_files import SourceFile
from pipeline.manifest.text.blank import BLANK, BLANKS_ARE
from pipeline.manifest.text.write import pair, toml_key
from pipeline.model.text import counted, shown
from pipeline.model.units import show_size

LISTED = 40
"""Other files of a release that a draft lists."""


def core_text(
    origin: str, files: Sequence[SourceFile], bitstreams: Sequence[SourceFile], chosen: SourceFile | None, board: str
) -> Iterator[str]:
    """Yield the lines of a core; ``chosen``: its bitstream, whose size and hash are to be pinned."""
    yield f"# Drafted{origin}. {BLANKS_ARE}"
    yield '# "doit keys core" lists what else can be said here, such as what the core needs of displays and keyboards.'
    yield from (pair("name", BLANK), pair("kind", BLANK), pair("release", BLANK), pair("boards", [board]), "")
    if chosen and chosen.bitstream:
        yield f"# {shown(chosen.path)}: {described(chosen.bitstream)}"
    elif files and not bitstreams:
        yield "# No file is a bitstream of a known kind."
    for file in bitstreams:
        if file is not chosen and file.bitstream:
            yield f"# {'Also' if chosen else 'Either'} {shown(file.path)}: {described(file.bitstream)}"
    yield from ("[bitstream]", pair("size", BLANK), pair("sha256", BLANK))
    yield from _release(files, bitstreams)


def _release(files: Sequence[SourceFile], bitstreams: Sequence[SourceFile]) -> Iterator[str]:
    """Yield comments that name the files of a release that are no bitstreams."""
    read_mes = [f"# Read-me: {shown(file.path)}. It may say what the core needs." for file in files if file.is_read_me]
    licences = [
        f"# Licence text: {shown(file.path)}. State the licence in [rights] to publish the core."
        for file in files
        if file.is_licence
    ]
    yield from ("", *read_mes, *licences) if read_mes or licences else ()
    taken = {file.path for file in bitstreams}
    further = [file for file in files if file.path not in taken and not (file.is_read_me or file.is_licence)]
    if further:
        yield from ("", "# Other files. Those that the core needs on the card go into [[files]]:")
        yield from (f"#   {shown(file.path)}, {show_size(file.content.size or 0)}" for file in further[:LISTED])
        if len(further) > LISTED:
            yield f"#   and {len(further) - LISTED:,} more"


def described(bitstream: Bitstream) -> str:
    """Return what a bitstream says of itself, such as "Lattice bitstream for LFE5U-25F"."""
    package = f" ({bitstream.package})" if bitstream.package else ""
    by_size = ", recognised by its size alone" if bitstream.precision == SIZE_CLASS else ""
    device = f"{bitstream.device}{package}" if bitstream.devices else "an unknown device"
    faults = ["cut short"] if bitstream.truncated else []
    faults += [bitstream.contradictory] if bitstream.contradictory else []
    return shown("; ".join([f"{bitstream.maker} bitstream for {device}{by_size}", *faults]))


def title_text(
    origin: str, chips: Mapping[str, SourceFile], texts: Sequence[SourceFile], core: str, name: str = BLANK
) -> Iterator[str]:
    """Yield the lines of a title; ``chips``: each dump, to be pinned, by its chip's name; ``texts``: other files."""
    yield f"# Drafted{origin}. {BLANKS_ARE}"
    yield from (f"# Taken for no dump: {shown(file.argument)}" for file in texts)
    yield from (pair("name", name), pair("core", core))
    for chip, file in chips.items():
        yield from ("", f"# {shown(file.argument)}", f"[chips.{toml_key([chip])}]", pair("size", BLANK))
        yield pair("sha256", BLANK)
    if not chips:
        yield from (
            "",
            '# "doit pin title:ID chips.NAME DUMP" adds a chip; [[rom]] says how a ROM file is made of chips.',
        )
        return
    size = show_size(sum(file.content.size or 0 for file in chips.values()))
    yield from ("", "# The ROM file: its name and size are in the core's read-me.")
    yield from ("[[rom]]", pair("path", BLANK), pair("size", BLANK), "")
    yield f"# The chips in the order in which they were named, {size} in all; correct it where they go otherwise."
    yield '# "doit keys title.rom.steps" lists what a step can do, such as interleave. The first address is often 0.'
    yield from ("[[rom.steps]]", pair("at", BLANK))
    yield pair("join", list(chips)) if len(chips) > 1 else pair("chip", next(iter(chips)))


def board_text(origin: str, bitstream: Bitstream | None) -> Iterator[str]:
    """Yield the lines of a board; ``bitstream``: one that is made for it."""
    device = bitstream.devices[0] if bitstream and len(bitstream.devices) == 1 else BLANK
    yield f"# Drafted{origin}. {BLANKS_ARE}"
    yield '# "doit keys board" lists what else can be said here, such as display outputs, settings and title folders.'
    yield from (pair("name", BLANK), pair("volumes", [BLANK]), "")
    if bitstream:
        yield f"# The bitstream is a {described(bitstream)}. Compare it with what is printed on the FPGA."
    yield from ("[fpga]", pair("part", device), "")
    yield from ("[cores]", pair("folder", BLANK), pair("bitstream", BLANK))


def card_text(board: str, core: str, cores: Sequence[str]) -> Iterator[str]:
    """Yield the lines of a card; ``cores``: the ids there are."""
    yield f"# Drafted. {BLANKS_ARE}"
    yield '# "doit keys card" lists what else can be said here, such as titles, settings and stations.'
    yield from (pair("name", BLANK), pair("version", "1"), pair("board", board))
    if len(cores) > 1:
        yield f"# {counted(len(cores), 'core')}: {', '.join(cores)}"
    yield from (pair("cores", [core]), "", "[volume]", pair("size", BLANK))


def station_text() -> Iterator[str]:
    """Yield the lines of a station."""
    yield f"# Drafted. {BLANKS_ARE}"
    yield '# "doit keys station" lists what else can be said here, such as keyboards, pads and line rates.'
    yield from (pair("name", BLANK), "", "[[displays]]", pair("name", BLANK), pair("inputs", [BLANK]))
