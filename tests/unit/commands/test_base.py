"""What all commands share."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.commands.base import with_equals_signs
from tests.support.cli import own_command


@pytest.mark.parametrize(
    ("line", "arguments", "given"),
    [
        (["doit", "look", "a=b.img"], [], ["a=b.img"]),
        (["doit", "look", "--json", "a=b.img", "c"], ["--json", "c"], ["--json", "a=b.img", "c"]),
        (["doit", "-f", "look", "look", "--board=oak", "a=b"], ["--board=oak"], ["--board=oak", "a=b"]),
        (["doit", "diff", "diff", "a=b"], ["diff"], ["diff", "a=b"]),
        (["python", "-m", "pytest"], ["a.img"], ["a.img"]),
    ],
)
def test_arguments_with_an_equals_sign_stay_in_their_place(
    line: list[str], arguments: list[str], given: list[str]
) -> None:
    """doit 0.37, "command line variables": it takes ``name=value`` out of the line."""
    name = next((word for word in ("look", "diff") if word in line), "look")
    assert with_equals_signs(line, name, arguments) == given


def test_a_path_with_an_equals_sign_is_a_path(tmp_path: Path) -> None:
    (tmp_path / "a=b.img").write_bytes(bytes(512))
    ran = own_command(tmp_path, "look", "--all", "a=b.img")

    assert (ran.code, ran.out) == (3, "")
    assert ran.err.startswith("a=b.img: the first sector holds only zeros; ")
