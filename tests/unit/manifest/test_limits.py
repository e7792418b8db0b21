"""Manifests that are made to cost time and memory: each is refused in one line, before it is parsed."""

from __future__ import annotations

import subprocess
import sys
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import Problem
from pipeline.manifest.text.limits import DEEPEST, MOST, excess, is_suspect
from pipeline.manifest.text.read import parse
from tests.unit.manifest.test_load import CASES
from tests.unit.manifest.toml_texts import documents

TOO_DEEP = "found tables and lists more than 24 deep within each other, expected fewer"
TOO_MANY = "found more than 100,000 keys and list items, expected fewer"
ATTACKS = {
    "a = 1\n" + "a." * 20_000 + "a = 1": ("2:48", TOO_DEEP),
    "[" + "a." * 100_000 + "a]": ("1:49", TOO_DEEP),
    '"a" . ' * 20_000 + "a = 1": ("1:143", TOO_DEEP),
    "a = " + "[" * 100_000 + "]" * 100_000: ("1:28", TOO_DEEP),
    "\na = " + "{a=" * 100_000 + "1" + "}" * 100_000: ("2:74", TOO_DEEP),
    "a = [" + "[" * 5000: ("1:28", TOO_DEEP),
    "".join(f"[h{number}]\n" for number in range(400_000)): ("100001:1", TOO_MANY),
    "[[rom]]\n" * 500_000: ("50001:1", TOO_MANY),
    "".join(f"k{number}=1\n" for number in range(400_000)): ("100001:8", TOO_MANY),
    "a = [" + "1," * 1_900_000 + "]": ("1:200003", TOO_MANY),
    "a = {" + ",".join(f"k{number}=1" for number in range(300_000)) + "}": ("1:438895", TOO_MANY),
    "a = " + "1" * 3_900_000: ("1:5", "found a number or key of 3,900,000 characters, expected fewer"),
    "a = [1,\n    0x" + "f" * 200_000 + "]": ("2:5", "found a number or key of 200,002 characters, expected fewer"),
    "a = [" + "1" * 200_000 + "]": ("1:6", "found a number or key of 200,000 characters, expected fewer"),
    "k" * 200_000 + " = 1": ("1:1", "found a number or key of 200,000 characters, expected fewer"),
}
"""Texts that took the readers of TOML minutes or gigabytes, with what is said of them."""


@pytest.mark.parametrize(("text", "said"), ATTACKS.items(), ids=[f"{text[:12]!r}..." for text in ATTACKS])
def test_a_text_beyond_the_bounds_is_refused_with_its_position(text: str, said: tuple[str, str]) -> None:
    problem = parse(text.encode(), "x.toml")
    assert isinstance(problem, Problem)
    assert str(problem).split("\n")[0] == f"x.toml:{said[0]}: {said[1]}"
    assert len(str(problem).split("\n")) == 2


@pytest.mark.parametrize(
    "text",
    [
        f'a = "{"a." * 200}" # {"a." * 200}',
        f"a = '''{'[' * 200}\n{'a.' * 200}'''",
        f'a = """\n{"a." * 200} "" \\""" [[[[ """',
        f"a.{'b.' * (DEEPEST - 3)}c = 1.5",
        "\n".join("[a]" if number == 0 else f"b{number} = [1.5, 2.5]" for number in range(60)),
        "a = [" + "1.5, " * 100 + "]",
        f"a = [1,{' ' * 9000}{'2' * 4000}\n]{' ' * 9000}",
    ],
)
def test_text_in_strings_and_comments_counts_for_nothing(text: str) -> None:
    tomllib.loads(text)
    assert excess(text) is None


@given(documents())
def test_toml_within_the_bounds_is_never_refused(text: str) -> None:
    assert excess(text) is None


@given(st.text(st.sampled_from("\"'\\\n#a.[]{}=,"), max_size=60))
def test_a_text_that_is_not_suspect_is_within_the_bounds_or_has_brackets(text: str) -> None:
    beyond = excess(text)
    assert beyond is None or is_suspect(text) or sum(map(text.count, "[{")) >= DEEPEST


@pytest.mark.parametrize(
    "text", ['"""' + '\\"""' * 900_000 + "\\", '"' + '\\"' * 1_900_000, "'''" * 1_000_001, "'" * 3_900_001]
)
def test_strings_left_open_cost_no_more_than_their_length(text: str) -> None:
    """A pattern that went back for each quote would take hours here."""
    assert excess(text) is None


def test_memory_stays_small_whatever_a_manifest_holds() -> None:
    """Each of these took 1 to 3 GiB; 400 MiB of address space hold Python and a manifest of the largest size."""
    program = """
import resource, sys
resource.setrlimit(resource.RLIMIT_AS, (400 << 20, 400 << 20))
from pipeline.manifest.text.read import parse
for text in ("a." * 20_000 + "a = 1", "[" + "a." * 100_000 + "a]", "[[rom]]\\n" * 500_000, "a = " + "1" * 3_900_000):
    print(type(parse(text.encode(), "x.toml")).__name__)
"""
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, cwd=CASES.parents[1], check=True
    )
    assert done.stdout.split() == ["Problem"] * 4


def test_the_largest_number_of_values_is_taken() -> None:
    values = (MOST - 3) // 2
    parsed = parse(b"a = [" + b"1," * values + b"]\n" + b"b = [" + b"1," * values + b"]", "x.toml")
    assert not isinstance(parsed, Problem)
