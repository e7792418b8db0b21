from __future__ import annotations

import unicodedata
from pathlib import PurePosixPath

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.model.text import counted, did_you_mean, listed, nearest, quote, quoted, shorten, shown

# Escapes: TOML 1.0.0, "String". Direction marks: Unicode Standard Annex #9, 2.1 to 2.7. ESC [ and C1: ECMA-48, 5.3.
HOSTILE = {
    "a\x1b[2Jb": "a\\u001b[2Jb",
    "a\x9b2Jb": "a\\u009b2Jb",
    "a\nb\tc\rd\be\ff": "a\\nb\\tc\\rd\\be\\ff",
    "a\0b\x7fc": "a\\u0000b\\u007fc",
    "photo\u202egpj.exe": "photo\\u202egpj.exe",
    "a\u2066b\u2069c\u200fd\u061ce": "a\\u2066b\\u2069c\\u200fd\\u061ce",
    "a\u2028b\u2029c\x85d": "a\\u2028b\\u2029c\\u0085d",
    "a\udcffb\ud800c": "a\\udcffb\\ud800c",
    "a\ufeffb\u200bc\u00adc": "a\\ufeffb\\u200bc\\u00adc",
    "a\U000e0041b": "a\\U000e0041b",
    "a\u00a0b\u3000c": "a\\u00a0b\\u3000c",
}
HARMLESS = ["moth pantry", "Größe", "ソース.bin", "mo\u0308we", "C:\\DUMPS\\6F.BIN", 'say "so"', "\U0001f680", ""]


@pytest.mark.parametrize(("name", "safe"), HOSTILE.items(), ids=map(ascii, HOSTILE))
def test_characters_that_change_what_a_terminal_shows_are_escaped(name: str, safe: str) -> None:
    assert shown(name) == safe


@pytest.mark.parametrize("name", HARMLESS, ids=map(ascii, HARMLESS))
def test_other_names_are_shown_as_they_are(name: str) -> None:
    assert shown(name) == name


def test_bytes_and_paths_are_shown_too() -> None:
    assert shown(b"a\xffb\x1b") == "a\\udcffb\\u001b"
    assert shown(PurePosixPath("roms/a\nb")) == "roms/a\\nb"


@given(st.text(st.characters() | st.sampled_from("\ud800\udcff\x1b\u202e\u2028")) | st.binary())
def test_whatever_is_shown_is_one_line_of_utf8_without_controls(name: str | bytes) -> None:
    safe = shown(name)
    assert safe.encode("utf-8").decode() == safe == shown(safe)
    assert len(safe.splitlines()) <= 1
    assert {unicodedata.category(c) for c in safe} & {"Cc", "Cf", "Cs", "Zl", "Zp"} == set()
    assert quote(shown(name)).encode("utf-8")


def test_quoted_text_is_as_toml_writes_it_and_short() -> None:
    assert quote('say "so"\\') == '"say \\"so\\"\\\\"'
    assert quote("a\x1b\u202e\udcff\n") == '"a\\u001b\\u202e\\udcff\\n"'
    assert quote("a" * 100) == '"aaaaaaaaaaaaaaaaaaaaaaaaaaaaaa...aaaaa"'
    assert shorten("b" * 40) == "b" * 40


@pytest.mark.parametrize(
    ("number", "noun", "text"),
    [
        (0, "chip", "0 chips"),
        (1, "chip", "1 chip"),
        (1000, "patch", "1,000 patches"),
        (2, "directory", "2 directories"),
        (1, "directory", "1 directory"),
        (2, "display", "2 displays"),
        (2, "box", "2 boxes"),
        (2, "core file", "2 core files"),
    ],
)
def test_counts(number: int, noun: str, text: str) -> None:
    assert counted(number, noun) == text


def test_lists() -> None:
    assert [listed("abc"[:n]) for n in range(4)] == ["", "a", "a and b", "a, b and c"]
    assert listed(iter("abc"), "or") == "a, b or c"
    assert quoted(["a", "b\x1b"]) == '"a" or "b\\u001b"'


def test_the_name_that_was_probably_meant() -> None:
    known = ("interleave", "invert", "over")
    assert nearest("interlave", known) == "interleave"
    assert nearest("OVER", known) == "over"
    assert did_you_mean("invrt", known) == 'did you mean "invert"?'
    assert nearest("files", ["titles"], 0.8) == ""
    assert did_you_mean("zzz", known) == ""
    assert did_you_mean("zzz", known, "see the list") == "see the list"
    assert did_you_mean("a\x1bb", ["a\x1bbc"]) == 'did you mean "a\\u001bbc"?'


@pytest.mark.parametrize("wrong", ["c12345x", "c1234", "1c2345", "c12355", "C12345", "c132455"])
def test_among_many_names_only_a_single_slip_is_looked_for(wrong: str) -> None:
    known = [f"c{number}" for number in range(12345, 12346)] + [f"other-{number}" for number in range(5000)]
    assert nearest(wrong, known) == ("" if wrong == "c132455" else "c12345")
