"""Whether what is on a card may be passed on: what its manifests state of licence, holder and source."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from license_expression import Licensing, get_spdx_licensing

Document = Mapping[str, Any]
"""A record as JSON gives it; schemas/record.schema.json describes it."""

HOLDERS = {
    "board-file": "board",
    "bitstream": "core",
    "core-file": "core",
    "rom-file": "title",
    "title-file": "title",
    "card-file": "card",
    "config": "board",
}
"""Whose rights a file of each kind falls under; a config file is one of the board's that was changed, or else ours."""


@dataclass(frozen=True, order=True, slots=True, kw_only=True)
class Refusal:
    """Why the contents of one manifest may not be passed on, and what to do.

    ``kind``: "board", "core", "title" or "card". ``key``: the manifest key that lacks. ``files``: how many of the
    card's files fall under it.
    """

    kind: str
    id: str
    key: str
    files: int
    what: str
    hint: str


def refusals(record: Document) -> tuple[Refusal, ...]:
    """Return why the card may not be passed on, manifest by manifest; none when all contents may.

    What may be passed on has a licence expression made of licences from the SPDX list, a holder, and a source.
    A reference to a text of one's own (LicenseRef-...) says nothing that can be checked, and is refused.
    Source: SPDX Specification 2.3, Annex D (SPDX License Expressions); that all three must be stated is our rule.
    """
    return tuple(sorted(_refusals(record)))


def stated(record: Document, kind: str, owner: str) -> Mapping[str, str]:
    """Return licence, holder and source as the record states them for a manifest, as far as they are stated."""
    sides = {"board": [record["board"]], "card": [record["card"]], "core": record["cores"], "title": record["titles"]}
    return next((side.get("rights", {}) for side in sides[kind] if side["id"] == owner), {})


def holder_of(record: Document, file: Mapping[str, Any]) -> tuple[str, str] | None:
    """Return kind and id of the manifest whose rights a file falls under; None for what the build wrote itself."""
    origin = file["made-from"]
    if origin["kind"] not in HOLDERS or (origin["kind"] == "config" and not origin["contents"]):
        return None
    kind = HOLDERS[origin["kind"]]
    return kind, record["board"]["id"] if kind == "board" else origin["owner"]


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


def _refusals(record: Document) -> Iterator[Refusal]:
    counts: dict[tuple[str, str], int] = {}
    for file in record["files"]:
        holder = holder_of(record, file)
        if holder:
            counts[holder] = counts.get(holder, 0) + 1
    for (kind, owner), files in counts.items():
        rights = stated(record, kind, owner)
        missing = [key for key in ("licence", "holder", "source") if not rights.get(key)]
        if missing:
            what = f"found no {' and no '.join(missing)}; expected all three, since files of it are to be passed on"
            yield Refusal(kind=kind, id=owner, key="rights", files=files, what=what, hint=HINT)
        wrong = wrong_licence(rights["licence"]) if rights.get("licence") else None
        if wrong:
            what = f'found "{rights["licence"]}" ({wrong}), expected an expression of licences on the SPDX list'
            yield Refusal(kind=kind, id=owner, key="rights.licence", files=files, what=what, hint=HINT)


HINT = "state it if you know it; else take it off the card, or publish the recipe: doit publish CARD --recipe"
