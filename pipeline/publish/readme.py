"""The page for whoever receives a published folder: how to check it, how to use it, and what to be careful about."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from textwrap import fill
from typing import Any

from pipeline.model.text import counted
from pipeline.model.units import show_size
from pipeline.publish.delta import PackedContent, changed_files
from pipeline.publish.pack import SUFFIXES

Caution = tuple[str, str]
"""What it is about in a few words, and what to do."""

UNPACK = {
    "zstd": ("zstd -d {packed}", "zstd -d {packed}", "zstd -d {packed}"),
    "gzip": ("gzip -dk {packed}", "gzip -dk {packed}", "open it with a program that unpacks .gz"),
    "zip": ("unzip {packed}", "unzip {packed}", "Expand-Archive {packed} -DestinationPath .   (PowerShell)"),
}
"""How public tools unpack each form, on Linux, macOS and Windows."""

CHECK = """\
CHECK

  Linux:    sha256sum -c --ignore-missing SHA256SUMS
  macOS:    shasum -a 256 -c --ignore-missing SHA256SUMS
  Windows:  Get-FileHash FILE -Algorithm SHA256   (PowerShell), and compare with its line in SHA256SUMS
"""
SIGNED = """\

  The list is signed. Compare the key in allowed_signers with the publisher's by another way than this folder, then:

  Linux, macOS:  ssh-keygen -Y verify -f allowed_signers -I "{who}" -n file -s SHA256SUMS.sig < SHA256SUMS
  Windows:       the same, in cmd and not in PowerShell, which has no "<"
"""
TRIED = """\

  The tests of Cardkiln run each command for Linux. Those for macOS and Windows are from the documentation of the tools
  (shasum(1); Microsoft: Get-FileHash, Expand-Archive, tar), and were not tried.
"""
"""Ends each list of commands."""

LISTED = 200
"""Files that a delta's page lists; delta.json and plan.json have all."""


def readme(
    record: Mapping[str, Any], packed: str, form: str, who: str, cautions: Iterable[Caution], of_board: Iterable[str]
) -> str:
    """Return the page for a published image; ``packed`` is its file, ``who`` signed it ("" when nobody did).

    ``cautions``: those that apply; ``of_board``: what the board's manifest warns of. They come before what to do.
    """
    image = record["image"]
    unpack = _by_system(*(command.format(packed=packed) for command in UNPACK[form]))
    return f"""{_head(record)}
The image is {packed}. Unpacked it has {image["size"]:,} bytes ({show_size(image["size"])}) and the SHA-256
{image["sha256"]}.
This is what is promised. The packed file may come out differently elsewhere, since packing programs differ.

{CHECK}{SIGNED.format(who=who) if who else ""}{TRIED}
  With Cardkiln, all at once, the image unpacked and read back too:  doit receive FOLDER

{cautions_text(cautions, of_board)}
PUT IT ON A CARD

  1. Unpack it:

{unpack}
  2. Check it once more as above, now with {image["file"]}.
  3. Write {image["file"]} to the whole card, which must hold at least {image["size"]:,} bytes, as your system does it.
     Everything on that card is lost.

{_contents(record)}{_without_kept(record)}"""


def recipe_readme(
    record: Mapping[str, Any], bring: int, who: str, cautions: Iterable[Caution], of_board: Iterable[str]
) -> str:
    """Return the page for a recipe: ``bring`` contents are not in it and must be the receiver's own.

    ``cautions``, ``of_board``: as for ``readme``.
    """
    return f"""{_head(record)}
This is the recipe of a card, not the card: it holds no content that may not be passed on. {bring:,} contents are named
in recipe.json by size and SHA-256.

{cautions_text(cautions, of_board)}
BUILD IT

With your own dumps of them, in folders or ZIP archives under any name, Cardkiln builds the same image, byte for byte,
or says what is missing:

  doit receive FOLDER YOUR-DUMPS ...

The image has {record["image"]["size"]:,} bytes and the SHA-256
{record["image"]["sha256"]}
when it is made by {record["made-by"]["program"]}.

{CHECK}{SIGNED.format(who=who) if who else ""}{TRIED}
{_contents(record)}{_without_kept(record)}"""


def delta_readme(
    record: Mapping[str, Any],
    since: Mapping[str, Any],
    contents: Sequence[PackedContent],
    who: str,
    cautions: Iterable[Caution],
    of_board: Iterable[str],
) -> str:
    """Return the page for a delta against the version whose record is ``since``; ``contents``: what it holds.

    ``who``, ``cautions``, ``of_board``: as for ``readme``.
    """
    image, old = record["image"], since["card"]["version"]
    number = counted(len(contents), "content")
    first = [file["path"] for file in record["files"] if file["placement"] == "first"]
    only = (
        f"\n  Only an image brings {first[0]} to the first place of the card, where its core looks for it."
        if first
        else ""
    )
    return f"""{_head(record)}
This folder is for people who have version {old}: it holds the {number} that version {old} lacks, and no image.
Both together make the image of version {record["card"]["version"]}. It has {image["size"]:,} bytes and the SHA-256
{image["sha256"]}.

{CHECK}{SIGNED.format(who=who) if who else ""}{TRIED}
{cautions_text(cautions, of_board)}
WITH CARDKILN

  doit receive FOLDER OLD

  OLD is what you have of version {old}: its image, the folder it was published in, or a card with it (the disk, or the
  folder it is mounted at), used since or not. Everything is checked, and the image comes to build/received/.

WITHOUT CARDKILN

  The image cannot be made: only Cardkiln writes the file system bit by bit as it was published. The files on a card
  with version {old} can be brought to the new version one by one, with zstd 1.5 or later. Where they then lie is up to
  your system.{only}

  1. Unpack the documents (plan, record, statement, bill of materials, sheet), and check once more as above:

       zstd -d documents.tar.zst
       tar -xf documents.tar

  2. Copy all files of the card to a folder, and say here where that is. It is read below, and never changed, so what
     is yours is safe there too:

       Linux, macOS:  CARD=/home/you/old-card
       Windows:       $CARD = "C:/Users/you/old-card"   (PowerShell)

  3. For each "write" below, run the commands beneath it: they make the file NEW. Its SHA-256 must be the first 64
     characters of the name of the file in contents; then copy it to its place on the card.

       Linux:    sha256sum NEW
       macOS:    shasum -a 256 NEW
       Windows:  Get-FileHash NEW -Algorithm SHA256

     Commands with "head" and "tail" are for Linux and macOS; Windows has no such tools of its own.
  4. For each "copy", copy the file from that folder to its new place on the card; then remove each "remove" there.

FILES

{_steps(record, since, contents)}
{_contents(record)}{_without_kept(record)}"""


def _steps(record: Mapping[str, Any], since: Mapping[str, Any], contents: Sequence[PackedContent]) -> str:
    """Return what is to be done with each file, with the commands that make a new one."""
    packed = {content.sha256: content for content in contents}
    places = {file["sha256"]: file["path"] for file in reversed(since["files"])}
    lines = []
    for number, (verb, path, sha256) in enumerate(changed_files(record, since)):
        if number == LISTED:
            lines.append("  and more: delta.json and plan.json name all")
            break
        if verb == "write" and sha256 in packed:
            lines += [f"  write   {path}", *(f"            {line}" for line in _commands(packed[sha256], places))]
        elif verb == "write":
            lines.append(f"  write   {path}, an empty file")
        else:
            lines.append(f"  copy    {places[sha256]}  to  {path}" if verb == "copy" else f"  remove  {path}")
    return "\n".join(lines or ["  no file differs"]) + "\n"


def _commands(content: PackedContent, places: Mapping[str, str]) -> Iterator[str]:
    """Yield the commands that make a content as the file NEW."""
    if not content.pieces:
        yield f"zstd -d -f {content.file_names[0]} -o NEW"
        return
    old = _quoted(places[content.old])
    for name, piece in zip(content.file_names, content.pieces, strict=True):
        if (piece.start, piece.length) == (0, content.old_size):
            yield f"zstd -d -f --patch-from={old} {name} -o {'NEW' if len(content.pieces) == 1 else 'PIECE'}"
        else:
            yield f"tail -c +{piece.start + 1} {old} | head -c {piece.length} > OLD"
            yield f"zstd -d -f --patch-from=OLD {name} -o PIECE"
        if len(content.pieces) > 1:
            yield f"cat PIECE {'>' if name == content.file_names[0] else '>>'} NEW"


def _quoted(path: str) -> str:
    """Return a path on the card in double quotes, which mean the same to POSIX shells and to PowerShell.

    Only a name with a dollar sign or a backquote is for POSIX shells alone. Source: POSIX.1-2017, Shell Command
    Language, 2.2.3; FAT has no double quotes and backslashes in names.
    """
    return '"$CARD/' + path.replace("$", "\\$").replace("`", "\\`") + '"'


def _by_system(linux: str, macos: str, windows: str) -> str:
    return f"       Linux:    {linux}\n       macOS:    {macos}\n       Windows:  {windows}\n"


def cautions_text(cautions: Iterable[Caution], of_board: Iterable[str] = ()) -> str:
    """Return cautions as a part of a page of plain text; ``of_board``: what the board's manifest warns of."""
    usual = "\n".join(_point(f"{about}: {what}") for about, what in cautions)
    own = "\n".join(_point(" ".join(what.split())) for what in of_board)
    return f"CAUTION\n\n{usual}\n" + (f"\n  Of this board:\n\n{own}\n" if own else "")


def _point(text: str) -> str:
    return fill(text, 118, initial_indent="  - ", subsequent_indent="    ")


def _head(record: Mapping[str, Any]) -> str:
    card, board = record["card"], record["board"]
    title = f"{card['name']}, version {card['version']}"
    return f"{title}\n{'=' * len(title)}\n\nA card for the board {board['name']}.\n"


def _contents(record: Mapping[str, Any]) -> str:
    cores = [f"  {core['name']} {core['release']}".rstrip() for core in record["cores"]]
    titles = [f"  {title['name']}" for title in record["titles"]]
    lines = ["CORES", "", *(cores or ["  none"]), "", "TITLES", "", *(titles or ["  none"])]
    return "\n".join(lines) + "\n"


def _without_kept(record: Mapping[str, Any]) -> str:
    kept = record["card"].get("without-kept", ())
    return f"\nFiles below {', '.join(kept)} belong to whoever uses the card; none is on it.\n" if kept else ""


def packed_name(image: str, form: str) -> str:
    """Return the name of the packed image."""
    return image + SUFFIXES[form]
