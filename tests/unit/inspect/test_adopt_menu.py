"""What a board's menu says of cores that no manifest knows."""

from __future__ import annotations

import pytest

from pipeline.inspect.adopt import menu_fields
from pipeline.model.manifest import ConfigFile
from tests.support.samples import board


def menu(*lines: str, encoding: str = "ascii") -> ConfigFile:
    return ConfigFile(path="M.TXT", line_ending="crlf", encoding=encoding, key="cores.menu", lines=lines)


@pytest.mark.parametrize(
    ("lines", "data", "stated"),
    [
        (("{name}",), b"Ash\r\n", {"name": "Ash"}),
        (("{name}",), b"Ash", {"name": "Ash"}),
        (("{name}", "{release} {kind}"), b"Ash\n1 b arcade\n", {"name": "Ash", "release": "1 b", "kind": "arcade"}),
        (("{core}={name}",), b"ash=Ash\r", {"name": "Ash"}),
        (("{core}={name}",), b"ELM=Ash\r\n", None),
        (("{name}",), b"Ash\r\nand more\r\n", None),
        (("{name}",), b"", None),
        (("{name}",), b"\xe9\r\n", None),
        (("{name}",), b"a\x1bb\r\n", None),
    ],
)
def test_a_menu_for_each_core(lines: tuple[str, ...], data: bytes, stated: dict[str, str] | None) -> None:
    found = menu_fields(board(menu=menu(*lines)), {"ash": data})
    assert found == ({"ash": stated} if stated else {})


def test_one_menu_for_all_says_the_order_too_and_other_lines_are_passed_over() -> None:
    for_all = board(menu=menu("[{core}]", "name={name}", encoding="latin-1"), one_menu=True)
    data = b"; head\r\n[Oak]\r\nname=Ch\xeane\r\n\r\nstray\r\n[ASH]\r\nname=Ash\r\n[ASH]\r\nname=Again\r\n[]\r\n"
    found = menu_fields(for_all, {"": data})
    assert list(found.items()) == [("oak", {"name": "Ch\u00eane"}), ("ash", {"name": "Ash"})]


def test_without_a_menu_nothing_is_said() -> None:
    assert menu_fields(board(), {}) == {}
    assert menu_fields(board(menu=menu("{name}")), {}) == {}
