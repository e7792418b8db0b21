"""Which tables lack a size or hash, worked out of the TOML values of a manifest, whatever else is wrong with it."""

from __future__ import annotations

import tomllib

import pytest

from pipeline.manifest.edit.lacking import lacking
from pipeline.model.content import Sought

HASH = "ab" * 32


def found(kind: str, text: str) -> dict[tuple[str | int, ...], tuple[Sought, str]]:
    return {one.way: (one.sought, one.sha256) for one in lacking(kind, "moth", tomllib.loads(text), {"u1": 4096})}


@pytest.mark.parametrize(
    ("table", "sought", "sha256"),
    [
        ("", Sought(names=("4t",)), ""),
        ('size = "4 KiB"', Sought(names=("4t",), size=4096), ""),
        ('size = 192\nsha256 = "<blank>"', Sought(names=("4t",), size=192), ""),
        ('size = "<blank>"\nsha256 = ""\ncrc32 = "0BADCAFE"', Sought(names=("4t",), crc32=0x0BADCAFE), ""),
        (f'sha256 = "{HASH.upper()}"', Sought(names=("4t",)), HASH),
        (f'size = 1\nsha256 = "{HASH}"\ncrc32 = "<blank>"', Sought(names=("4t",), size=1), HASH),
    ],
)
def test_what_is_known_of_a_chip_is_handed_on(table: str, sought: Sought, sha256: str) -> None:
    assert found("title", f"[chips.4t]\n{table}\n") == {("chips", "4t"): (sought, sha256)}


@pytest.mark.parametrize(
    "text",
    [
        f'[chips.4t]\nsize = 1\nsha256 = "{HASH}"',  # nothing is lacking
        '[chips.4t]\nsize = "some"',  # wrong values are for the check
        '[chips.4t]\nsize = true\nsha256 = "<blank>"',
        "[chips.4t]\nsha256 = 5",
        '[chips.4t]\nsize = 1\ncrc32 = "12"',
        "chips = 5\npatches = []\nfiles = {}",
        "chips = { a = 5 }",
        '[[files]]\npath = "A.TXT"\nfrom = "files/a.txt"',
        '[[rom]]\npath = "MOTH.ROM"',  # is built, and in no place
    ],
)
def test_what_lacks_nothing_or_is_no_table_is_passed_over(text: str) -> None:
    assert found("title", text) == {}


def test_a_chip_in_a_socket_needs_no_size_of_its_own() -> None:
    stated = f'u3 = {{ sha256 = "{HASH}" }}\nu1 = {{ sha256 = "{HASH}" }}'
    assert found("title", f"[sockets]\n{stated}") == {("sockets", "u3"): (Sought(names=("u3",)), HASH)}
    assert found("title", 'sockets.u1 = { sha256 = "<blank>" }\nsockets.u2 = { size = 2 }') == {
        ("sockets", "u1"): (Sought(names=("u1",), size=4096), ""),
        ("sockets", "u2"): (Sought(names=("u2",), size=2), ""),
    }


def test_a_file_goes_by_the_last_part_of_its_path_and_a_bitstream_by_its_core() -> None:
    assert found("title", '[[files]]\npath = "TEXTS/MOTH.TXT"\n[[files]]\npath = "<blank>"') == {
        ("files", 0): (Sought(names=("MOTH.TXT",)), ""),
        ("files", 1): (Sought(names=()), ""),
    }
    assert found("core", 'name = "Moth 2"\nfolder = "<blank>"') == {
        ("bitstream",): (Sought(names=("moth", "Moth 2")), "")
    }
    assert found("card", 'image-sha256 = "<blank>"') == {}
    assert found("board", "chips = {}") == {}
