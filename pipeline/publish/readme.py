"""The page for whoever receives a published folder: how to check it, how to use it, and what to be careful about."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from textwrap import fill
from typing import Any

from pipeline.model.units import show_size
from pipeline.publish.pack import SUFFIXES

Caution = tuple[str, str]
"""What it is about in a few words, and what to do."""

UNPACK = {
    "zstd": "zstd -d {packed}",
    "gzip": "gzip -dk {packed}",
    "zip": "unzip {packed}",
}
"""How public tools unpack each form."""

CHECK = """\
CHECK

  Linux:    sha256sum -c --ignore-missing SHA256SUMS
  macOS:    shasum -a 256 -c --ignore-missing SHA256SUMS
  Windows:  certutil -hashfile FILE SHA256, and compare with its line in SHA256SUMS
"""
SIGNED = """\

  The list is signed. Compare the key in allowed_signers with the publisher's by another way than this folder, then:
  ssh-keygen -Y verify -f allowed_signers -I "{who}" -n file -s SHA256SUMS.sig < SHA256SUMS
"""


def readme(
    record: Mapping[str, Any], packed: str, form: str, who: str, cautions: Iterable[Caution], of_board: Iterable[str]
) -> str:
    """Return the page for a published image; ``packed`` is its file, ``who`` signed it ("" when nobody did).

    ``cautions``: those that apply; ``of_board``: what the board's manifest warns of. They come before what to do.
    """
    image = record["image"]
    unpack = UNPACK[form].format(packed=packed)
    return f"""{_head(record)}
The image is {packed}. Unpacked it has {image["size"]:,} bytes ({show_size(image["size"])}) and the SHA-256
{image["sha256"]}.
This is what is promised. The packed file may come out differently elsewhere, since packing programs differ.

{CHECK}{SIGNED.format(who=who) if who else ""}
  With Cardkiln, all at once, the image unpacked and read back too:  doit receive FOLDER

{cautions_text(cautions, of_board)}
PUT IT ON A CARD

  1. Unpack it:  {unpack}
  2. Check it:   sha256sum -c --ignore-missing SHA256SUMS
  3. Write card.img to the whole card, which must hold at least {image["size"]:,} bytes, as your system does it.
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

{CHECK}{SIGNED.format(who=who) if who else ""}
{_contents(record)}{_without_kept(record)}"""


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
