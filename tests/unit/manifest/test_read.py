"""The quick TOML reader against the standard library's, which has the last word."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import tomli
from hypothesis import given
from hypothesis import strategies as st

from tests.unit.manifest.test_positions import MANIFESTS
from tests.unit.manifest.toml_texts import SCALARS, documents

CASES = sorted((Path(__file__).parents[2] / "cases").glob("**/*.toml"))
PIECES = st.sampled_from(
    [
        *("a", "b", "a.b", '"a"', "'é'", '""', "=", " = ", "= 1\n", "\n", "\r\n", "\r", ".", ",", "#", "\x00", "\x7f"),
        *(
            "[",
            "]",
            "[[",
            "]]",
            "[a]\n",
            "[[a]]\n",
            "[a.b]\n",
            "[[a.b]]\n",
            "{",
            "}",
            "{}",
            "[]",
            "[1, 2]",
            "{ a = 1 }",
        ),
        *("{ a = 1, }", "{\n}", "07:32", "1979-05-27T07:32Z", "1979-02-30", '"\\e"', '"\\x41"', '"\\ud800"', "é = 1\n"),
        *("0x", "1__0", "1_", "01", "+0xF", ".5", "5.", "1e5", '"""', "'''", '"', "'", "\\", "\ufeff", "\t", "\u2028"),
    ]
)
"""What TOML texts are made of; TOML 1.1 has some that TOML 1.0.0 has not: seconds left out, ``\\e``, a last comma."""


def outcome(loads: Callable[[str], Any], text: str) -> str:
    """Return the values with their types, or that there are none; NaN is the same as NaN."""
    try:
        return repr(loads(text))
    except ValueError:
        return "refused"
    except RecursionError:
        return "too deep"


@pytest.mark.parametrize("path", [*CASES, *MANIFESTS], ids=str)
def test_both_readers_say_the_same_of_every_manifest(path: Path) -> None:
    text = path.read_bytes().decode("utf-8-sig", errors="replace")
    assert outcome(tomli.loads, text) == outcome(tomllib.loads, text)


@given(st.lists(PIECES | SCALARS, max_size=12).map("".join))
def test_both_readers_say_the_same_of_texts_like_toml(text: str) -> None:
    assert outcome(tomli.loads, text) == outcome(tomllib.loads, text)


@given(documents(), st.data())
def test_both_readers_say_the_same_of_toml_and_of_toml_with_a_mistake(text: str, data: st.DataObject) -> None:
    assert outcome(tomli.loads, text) == outcome(tomllib.loads, text)
    start = data.draw(st.integers(0, len(text)))
    damaged = text[:start] + data.draw(PIECES) + text[start + data.draw(st.integers(0, 3)) :]
    assert outcome(tomli.loads, damaged) == outcome(tomllib.loads, damaged)


@pytest.mark.parametrize("text", ["a = { b = 1, }", "a = {\n}", 'a = "\\e"', 'a = "\\x41"', "a = 07:32"])
def test_toml_1_1_is_refused_by_the_quick_reader_too(text: str) -> None:
    """TOML 1.0.0, "Inline Table", "String", "Local Time"; TOML 1.1.0 allows each of these."""
    assert outcome(tomli.loads, text) == "refused"
