"""Whether what is on a card may be passed on: what its manifests state of licence, holder and source."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from license_expression import Licensing, get_spdx_licensing

from pipeline.model.text import listed, shown

Document = Mapping[str, Any]
"""A record as JSON gives it; schemas/record.schema.json describes it."""

HOLDERS = {
    "board-file": "board",
    "bitstream": "core",
    "core-file": "core",
    "rom-file": "title",
    "title-file": "title",
    "card-file": "card",
}
"""Whose rights a copied or assembled file of each kind falls under."""

KEYS = ("licence", "holder", "source")
UNSTATED = {"n/a", "noassertion", "none", "tbd", "unknown"}
"""Words that state no holder and no source, in lower case.

NONE and NOASSERTION: SPDX Specification 2.3, clause 7.17 (from memory); the others are common practice.
"""
FILLERS = "\u115f\u1160\u3164\uffa0"
"""Letters that show nothing. Source: The Unicode Standard, property Default_Ignorable_Code_Point."""


@dataclass(frozen=True, order=True, slots=True, kw_only=True)
class RightsRefusal:
    """Why the contents of one manifest may not be passed on, and what to do.

    ``kind``: "board", "core", "title" or "card". ``key``: the manifest key that is missing or wrong. ``files``: how
    many of the card's files fall under it.
    """

    kind: str
    id: str
    key: str
    files: int
    what: str
    hint: str


def rights_problems(record: Document) -> tuple[RightsRefusal, ...]:
    """Return why the card may not be passed on, manifest by manifest; none when all contents may.

    What may be passed on has a licence expression made of licences from the SPDX list, a holder, and a source.
    A reference to a text of one's own (LicenseRef-...) says nothing that can be checked, and is refused.
    Source: SPDX Specification 2.3, Annex D (SPDX License Expressions); that all three must be stated is our rule.
    """
    return tuple(sorted(_rights_problems(record)))


def stated(record: Document, kind: str, owner: str) -> Mapping[str, str]:
    """Return licence, holder and source as the record states them for a manifest, as far as they are stated."""
    parts = {"board": [record["board"]], "card": [record["card"]], "core": record["cores"], "title": record["titles"]}
    rights: Mapping[str, str] = next((part.get("rights", {}) for part in parts[kind] if part["id"] == owner), {})
    return {key: text for key, text in rights.items() if _is_stated(key, text)}


def holder_of(record: Document, file: Mapping[str, Any]) -> tuple[str, str] | None:
    """Return kind and id of the manifest whose rights a file falls under; None for what the build wrote itself.

    An edited file falls under the rights of whoever gave it before it was edited.
    """
    origin = file["made-from"]
    kind, owner = origin["kind"], origin["owner"]
    if kind == "config" and origin["contents"]:
        before = origin["contents"][0]
        kind, owner = before.get("kind", "board-file"), before.get("owner", record["board"]["id"])
    return (HOLDERS[kind], owner) if kind in HOLDERS else None


def made_of(file: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Return role, size and SHA-256 of each content a file was made of; a copied file is its own content."""
    origin = file["made-from"]
    if origin["contents"] or origin["kind"] in ("menu", "config"):
        return list(origin["contents"])
    return [{"role": file["path"], "size": file["size"], "sha256": file["sha256"]}]


def wrong_licence(expression: str) -> str | None:
    """Return what is wrong with a licence expression, None when every part of it is on the SPDX list."""
    try:
        parsed = _spdx().parse(expression, validate=True, strict=True)
    except Exception as error:  # the library raises several unrelated kinds, all about the text
        return str(error).splitlines()[0].rstrip(".")
    own = sorted(key for key in _spdx().license_keys(parsed) if key.startswith(("LicenseRef-", "DocumentRef-")))
    return f'"{own[0]}" is a text of one\'s own' if own else None


@cache
def _spdx() -> Licensing:
    return get_spdx_licensing()


def _rights_problems(record: Document) -> Iterator[RightsRefusal]:
    counts: dict[tuple[str, str], int] = {}
    for file in record["files"]:
        holder = holder_of(record, file)
        if holder:
            counts[holder] = counts.get(holder, 0) + 1
    for (kind, owner), files in counts.items():
        for key, what in wrong_rights(stated(record, kind, owner)):
            yield RightsRefusal(kind=kind, id=owner, key=key, files=files, what=what, hint=HINT)


def wrong_rights(rights: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """Yield manifest key and problem for each reason why rights, as ``stated`` returns them, do not suffice."""
    missing = [key for key in KEYS if key not in rights]
    if missing:
        verb = "is" if len(missing) == 1 else "are"
        yield "rights", f"{listed(missing)} {verb} missing; licence, holder and source are all required to publish"
    wrong = wrong_licence(rights["licence"]) if "licence" in rights else None
    if wrong:
        found = f'found "{shown(rights["licence"])}" ({shown(wrong)})'
        yield "rights.licence", f"{found}, expected an expression of licences on the SPDX list"


def _is_stated(key: str, text: str) -> bool:
    """Whether a text has a letter or digit that shows; of holder and source also that it is no word for nothing."""
    shows = any(unicodedata.category(character)[0] in "LN" and character not in FILLERS for character in text)
    return shows and (key == "licence" or text.strip().casefold() not in UNSTATED)


HINT = "state it if you know it; else take it off the card, or publish the recipe: doit publish CARD --recipe"
