"""What differs between two texts, by key where there is one."""

from __future__ import annotations

import pytest

from pipeline.configs.differ import is_text, text_changes

OLD = b"; settings\r\n[words]\r\nform = 0 ; of the alphabet\r\nrate=9\r\n[frame]\r\nlines = 25\r\n"


@pytest.mark.parametrize(
    ("new", "told"),
    [
        (OLD, []),
        (OLD.replace(b"form = 0", b"form = 1"), ["[words] form: 0 -> 1"]),
        (OLD.replace(b"rate=9\r\n", b""), ["[words] rate: removed, was 9"]),
        (OLD + b"sync = 2\r\n", ["[frame] sync: added, 2"]),
        (OLD.replace(b"settings", b"notes"), ["line removed: ; settings", "line added: ; notes"]),
        (OLD.replace(b"of the alphabet", b"of pads"), ["line removed: ; of the alphabet", "line added: ; of pads"]),
        (OLD.replace(b"\r\n", b"\n"), ["line ends: CR LF -> LF"]),
        (OLD.replace(b"frame", b"sound"), ["[frame] lines: removed, was 25", "[sound] lines: added, 25",
                                           "line removed: [frame]", "line added: [sound]"]),
        (OLD.replace(b"= 25", b"=  25"), ["only spaces or line ends differ"]),
        (b"\0" + OLD, []),
    ],
)  # fmt: skip
def test_a_line_for_each_value_and_each_other_line(new: bytes, told: list[str]) -> None:
    """What a section, a key and a note are is common practice, as no standard says it; the wording is our own."""
    assert list(text_changes(OLD, new)) == told


def test_a_key_given_twice_is_told_by_its_place() -> None:
    assert list(text_changes(b"a=1\na=2\n", b"a=1\na=3\n")) == ["a: 2 -> 3"]
    assert list(text_changes(b"a=1\na=2\na=3\na=4\n", b"a=1\na=2\na=5\na=6\n")) == ["a: 3 -> 5", "a: 4 -> 6"]


def test_a_byte_of_any_value_but_control_characters_is_text() -> None:
    """C0 and DEL are control characters (ECMA-48, 5.2); tab and line ends are of texts, Ctrl-Z ends those of DOS."""
    for value in range(256):
        control = (value < 32 and value not in b"\t\n\r\x1a") or value == 127
        assert is_text(bytes([value])) is not control


def test_lines_without_a_key_are_told_as_they_stand() -> None:
    assert list(text_changes(b"Fern\n", b"Fern 2\n")) == ["line removed: Fern", "line added: Fern 2"]


def test_what_is_no_ascii_is_shown_so_that_it_cannot_change_the_screen() -> None:
    """The byte 9B is CSI, which begins a control sequence (ECMA-48, 5.4)."""
    assert list(text_changes(b"a=1\n", b"a=\x9b1\n")) == ["a: 1 -> \\x9b1"]
