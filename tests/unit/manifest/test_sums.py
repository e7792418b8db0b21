from __future__ import annotations

import hashlib
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import ManifestError, Problem
from pipeline.manifest.checks.sums import parse_sums
from tests.strangers.tools import require

ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
"""SHA-256 of "abc". Source: FIPS 180-2, appendix B.1."""

NAMES = st.from_regex(r"[A-Za-z0-9 _,;=~äé-]{1,12}(\.[a-z]{1,3})?(/[A-Za-z0-9]{1,8}){0,2}", fullmatch=True).filter(
    lambda name: name.strip() == name
)


def refused(text: str) -> str:
    with pytest.raises(ManifestError) as caught:
        parse_sums(text, "list.sha256")
    return str(caught.value)


def test_the_list_that_sha256sum_writes_is_read(tmp_path: Path) -> None:
    """The public tool is the source of the format (GNU Coreutils manual, "sha2 utilities")."""
    contents = {"A.BIN": b"abc", "with two  spaces.txt": b"", "FOLDER/*star": b"\x00"}
    for name, content in contents.items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(content)
    expected = tuple((hashlib.sha256(content).hexdigest(), name) for name, content in contents.items())
    for option in ("--text", "--binary"):
        command = [require("sha256sum"), option, *contents]
        written = subprocess.run(command, cwd=tmp_path, capture_output=True, check=True).stdout.decode()
        assert parse_sums(written, "list.sha256") == expected
    assert expected[0][0] == ABC


@given(
    st.dictionaries(NAMES, st.binary(min_size=32, max_size=32)),
    st.sampled_from([" ", "*"]),
    st.sampled_from(["\n", "\r\n"]),
)
def test_a_written_list_reads_as_it_was_meant(sums: dict[str, bytes], mark: str, ending: str) -> None:
    text = "".join(f"{digest.hex()} {mark}{name}{ending}" for name, digest in sums.items())
    assert parse_sums(text, "") == tuple((digest.hex(), name) for name, digest in sums.items())


@given(st.text())
def test_any_text_is_read_or_refused_with_line_numbers(text: str) -> None:
    problems: tuple[Problem, ...] = ()
    try:
        parse_sums(text, "list.sha256")
    except ManifestError as error:
        problems = error.problems
    assert all(1 <= problem.place.line <= text.count("\n") + 1 for problem in problems)


def test_blank_lines_notes_a_byte_order_mark_and_a_leading_dot_say_nothing() -> None:
    text = f"\ufeff# from the attic\n\n{ABC.upper()} *./A.BIN\n   \n{ABC}  B.BIN"
    assert parse_sums(text, "") == ((ABC, "A.BIN"), (ABC, "B.BIN"))


def test_an_empty_list_declares_nothing() -> None:
    assert parse_sums("", "") == ()


@pytest.mark.parametrize(
    ("line", "message"),
    [
        (
            f"{ABC[:-1]}  A.BIN",
            'found "ba7816bf8f01cfea414140de5dae22...A.BIN", expected 64 hexadecimal digits, two spaces and a path\n'
            "  hint: the hash has 63 digits; a SHA-256 has 64",
        ),
        (
            f"{ABC} A.BIN",
            'found "ba7816bf8f01cfea414140de5dae22...A.BIN", expected 64 hexadecimal digits, two spaces and a path\n'
            "  hint: make the list with: sha256sum FILE...",
        ),
        (
            f"\\{ABC}  A\\nB",
            'found "\\\\ba7816bf8f01cfea414140de5dae...A\\\\nB", expected a path without backslashes or line breaks\n'
            "  hint: rename the file, and make the list again",
        ),
        (
            f"{ABC}  A\\B",
            'found "A\\\\B", expected a path with "/" between its parts\n  hint: write "A/B"',
        ),
        (
            f"{ABC}  /etc/A",
            'found "/etc/A", expected a path on the card, without a leading "/"\n'
            "  hint: begin with the name of the first folder or file",
        ),
        (
            f"{ABC}  A\n{ABC}  A",
            'found "A", expected every path once\n  hint: it stands on line 3 too; take one out',
        ),
    ],
)
def test_a_line_that_is_wrong_is_told_with_its_number(line: str, message: str) -> None:
    number = 3 + line.count("\n")
    assert refused(f"# a note\n{ABC}  GOOD.BIN\n{line}\n") == f"list.sha256:{number}:1: {message}"


def test_every_wrong_line_is_told() -> None:
    assert [line[:15] for line in refused("a\nb\n\nc").split("\n")[::2]] == [
        f"list.sha256:{number}:1" for number in (1, 2, 4)
    ]


def test_65_000_lines_are_read_in_their_order() -> None:
    lines = [(f"{number:064x}", f"FOLDER/{number}.BIN") for number in range(65_000)]
    assert parse_sums("".join(f"{sha256}  {path}\n" for sha256, path in lines), "") == tuple(lines)
