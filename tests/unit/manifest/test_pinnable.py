from __future__ import annotations

import tomllib
from typing import Any

import pytest

from pipeline.errors import Place, Problem
from pipeline.manifest.edit.pinnable import GROUPS, LISTED, NAMED, KeyPath, fields, find, key_of
from pipeline.manifest.schema.validate import schema

FILE = "inputs/titles/moth.toml"
TITLE = tomllib.loads("""\
[chips.4t]
[chips."6.h"]
[chips.size]
[patches.fix]
[[rom]]
path = "MOTH.ROM"
[[rom]]
path = "TWICE.ROM"
[[rom]]
path = "TWICE.ROM"
[[files]]
path = "TEXTS/MOTH.TXT"
[[files]]
path = "MOTH.PDF"
from = "files/moth.pdf"
[rights]
""")


@pytest.mark.parametrize(
    ("key", "way"),
    [
        ("chips.4t", ("chips", "4t")),
        ("chips.6.h", ("chips", "6.h")),
        ("chips.size", ("chips", "size")),  # a chip of this name is there
        ("chips.6g", ("chips", "6g")),  # new
        ("patches.fix", ("patches", "fix")),
        ("rom.1", ("rom", 0)),
        ("rom.MOTH.ROM", ("rom", 0)),
        ("rom.3", ("rom", 2)),
        ("files.1", ("files", 0)),
        ("files.TEXTS/MOTH.TXT", ("files", 0)),
    ],
)
def test_a_key_leads_to_what_can_be_pinned(key: str, way: KeyPath) -> None:
    assert find("title", TITLE, key, FILE) == way


def test_the_image_of_a_card_is_pinned_in_no_table() -> None:
    assert find("card", {"name": "Desk"}, "image", FILE) == ()
    assert key_of(()) == "image"
    assert key_of(("rom", 0)) == "rom.1"


IS_NONE = "is no chip, patch, ROM file or file of this manifest"


@pytest.mark.parametrize(
    ("key", "hint"),
    [
        ("chips.4t.sha256", 'did you mean "chips.4t"?'),
        ("chips.new.sha256", ""),
        ("chips.", ""),
        ("chips", ""),
        ("chips.a b", ""),
        ("chip.4t", 'did you mean "chips.4t"?'),
        ("rom.0", "they count from rom.1 to rom.3"),
        ("rom.4", "they count from rom.1 to rom.3"),
        ("rom.MOHT.ROM", 'did you mean "rom.MOTH.ROM"?'),
        ("rom.1.steps.1", 'did you mean "rom.1"?'),
        ("rom.TWICE.ROM", '2 have this path: write "rom.2" or "rom.3"'),
        ("files.3", "they count from files.1 to files.2"),
        ("bitstream", ""),
        ("rights", ""),
        ("", ""),
    ],
)
def test_another_key_is_told_with_the_nearest(key: str, hint: str) -> None:
    found = find("title", TITLE, key, FILE)
    assert isinstance(found, Problem)
    assert found.place.key == key
    assert found.what == IS_NONE
    assert found.hint == hint or (not hint and found.hint.startswith(("there are ", "did you mean")))


def test_the_hint_lists_what_there_is() -> None:
    known = 'there are "chips.4t", "chips.6.h", "chips.size", "patches.fix", "rom.1" and "rom.MOTH.ROM"'
    assert find("title", TITLE, "zzz", FILE) == problem("zzz", IS_NONE, known)
    assert find("core", {}, "zzz", FILE) == problem(
        "zzz", "is no bitstream or file of this manifest", 'there are "bitstream"'
    )
    what = "nothing in a board has a size and a hash of its own; expected a title, a core or a card"
    assert find("board", {}, "bitstream", FILE) == problem("bitstream", what, "")


def problem(key: str, what: str, hint: str) -> Problem:
    return Problem(Place(FILE, key=key), what, hint)


def test_a_file_of_the_inputs_needs_no_hash() -> None:
    what = 'found from = "files/moth.pdf", which needs no size and no hash'
    assert find("title", TITLE, "files.2", FILE) == problem("files.2.from", what, "to pin it, take out from first")


@pytest.mark.parametrize(
    ("data", "key", "place", "shown"),
    [
        ({"chips": 5}, "chips.4t", "chips", '"5"'),
        ({"chips": {"4t": "4 KiB"}}, "chips.4t", "chips.4t", '"4 KiB"'),
        ({"chips": [{}]}, "chips.4t", "chips", '"[{}]"'),
        ({"rom": [5]}, "rom.1", "rom.1", '"5"'),
        ({"bitstream": "x"}, "bitstream", "bitstream", '"x"'),
    ],
)
def test_what_is_no_table_cannot_be_pinned(data: dict[str, Any], key: str, place: str, shown: str) -> None:
    kind = "core" if key == "bitstream" else "title"
    what = f"found {shown}, expected a table with size and sha256"
    assert find(kind, data, key, FILE) == problem(place, what, "")


@pytest.mark.parametrize("kind", ["board", "core", "title", "card"])
def test_the_schemas_have_these_keys_and_no_others_with_a_hash(kind: str) -> None:
    """What can be pinned is what a schema gives a ``sha256``, with the fields it gives beside it."""
    whole = schema(kind)
    hashed = {}
    for name, entry in whole["properties"].items():
        part = entry.get("items") or entry.get("additionalProperties") or entry
        part = whole["$defs"][part["$ref"].rpartition("/")[2]] if isinstance(part, dict) and "$ref" in part else part
        forms = part.get("oneOf", [part]) if isinstance(part, dict) else []
        properties: set[str] = set().union(*(form.get("properties", {}) for form in forms))
        if "sha256" in properties:
            hashed[name] = {"size", "sha256", "crc32"} & properties
    if "image-sha256" in whole["properties"]:
        hashed["image"] = {"image-sha256"}
    ways: dict[str, KeyPath] = {
        group: ()
        if group == "image"
        else (group, 0)
        if group in LISTED
        else (group, "x")
        if group in NAMED
        else (group,)
        for group in GROUPS.get(kind, ())
    }
    assert hashed == {group: set(fields(way)) for group, way in ways.items()}
