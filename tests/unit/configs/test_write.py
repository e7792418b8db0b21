"""Config files written from a manifest: their whole bytes, and every problem at its key."""

from __future__ import annotations

import configparser
from typing import Any

import pytest

from pipeline.configs.template import FieldError, fill_in
from pipeline.configs.write import write_config, write_for_each
from pipeline.errors import ManifestError
from pipeline.model.manifest import ConfigFile

FIELDS = {"core": "GLIMMER", "name": "Glimmer", "release": "1.3", "kind": "arcade"}


def config(**changes: Any) -> ConfigFile:
    return ConfigFile(**{"path": "A.INI", "line_ending": "lf", "encoding": "ascii", "key": "configs.2"} | changes)


SECTIONS = (("", "speed", "2"), ("", "name", "{name} {release}"), ("frame", "mode", "1"), ("a b", "x", ""))
WRITTEN = [
    ("lines", config(lines=("a", "", " b ")), b"a\n\n b \n"),
    ("no lines", config(), b""),
    ("CR LF", config(lines=("a", "b"), line_ending="crlf"), b"a\r\nb\r\n"),
    ("CR", config(lines=("a", "b"), line_ending="cr"), b"a\rb\r"),
    ("no final line ending", config(lines=("a", "b"), final_line_ending=False), b"a\nb"),
    ("fields", config(lines=("{core}/{name}: {kind}, {release}",)), b"GLIMMER/Glimmer: arcade, 1.3\n"),
    ("doubled braces", config(lines=("{{core}} {{{core}}}",)), b"{core} {GLIMMER}\n"),
    ("values", config(values=SECTIONS), b"speed=2\nname=Glimmer 1.3\n[frame]\nmode=1\n[a b]\nx=\n"),
    ("a separator", config(values=SECTIONS[:1], separator=" = ", line_ending="crlf"), b"speed = 2\r\n"),
    ("a space as separator", config(values=SECTIONS[:1], separator=" "), b"speed 2\n"),
    ("Latin-1", config(lines=("é",), encoding="latin-1"), b"\xe9\n"),
    ("code page 437", config(lines=("é",), encoding="cp437"), b"\x82\n"),
    ("code page 850", config(lines=("Ó",), encoding="cp850"), b"\xe0\n"),
    ("UTF-8", config(lines=("é €",), encoding="utf-8"), b"\xc3\xa9 \xe2\x82\xac\n"),
]
"""Bytes of the code pages: the tables CP437.TXT and CP850.TXT of the Unicode Consortium (from memory)."""


@pytest.mark.parametrize(("asked", "expected"), [row[1:] for row in WRITTEN], ids=[row[0] for row in WRITTEN])
def test_a_config_file_is_written(asked: ConfigFile, expected: bytes) -> None:
    assert write_config(asked, FIELDS) == expected


def test_lines_are_written_for_each_core_below_the_head() -> None:
    menu = config(head=("; {core}",), lines=("{core}: {name}",), line_ending="crlf")
    fern = {"core": "FERN", "name": "Fern"}
    assert write_for_each(menu, (FIELDS, fern)) == b"; {core}\r\nGLIMMER: Glimmer\r\nFERN: Fern\r\n"
    assert write_for_each(menu, ()) == b"; {core}\r\n"


def test_a_line_that_is_wrong_for_each_core_is_told_once() -> None:
    with pytest.raises(ManifestError) as caught:
        write_for_each(config(lines=("{nane}",)), (FIELDS, FIELDS))
    assert [problem.what for problem in caught.value.problems] == [
        "unknown field {nane}; expected one of {core}, {kind}, {name}, {release}"
    ]


def test_configparser_reads_what_was_written() -> None:
    values = (("frame", "mode", "1"), ("frame", "border", "0"), ("a b", "x-y", "1:2 = 3"))
    parser = configparser.RawConfigParser()
    parser.read_string(write_config(config(values=values, line_ending="crlf"), {}).decode())
    assert {name: dict(parser[name]) for name in parser.sections()} == {
        "frame": {"mode": "1", "border": "0"},
        "a b": {"x-y": "1:2 = 3"},
    }


def test_every_problem_is_told_at_its_key() -> None:
    values = (
        ("", "a", "{cores}"),
        ("", "b", "€"),
        ("", "c=d", "1"),
        ("", "[e", "1"),
        ("x]", "f", "}"),
        ("y", "g", "one\ntwo"),
    )
    with pytest.raises(ManifestError) as caught:
        write_config(config(values=values, encoding="latin-1"), FIELDS, "inputs/cores/glimmer.toml")
    file = "inputs/cores/glimmer.toml: configs.2"
    assert [str(problem) for problem in caught.value.problems] == [
        f'{file}.sections.x]: "x]" cannot be a section: its head [x]] would be read differently',
        f'{file}.sections.x].f: "}}" has no partner; expected a field such as {{core}}\n'
        '  hint: a plain brace is written doubled: "{{" or "}}"',
        f"{file}.sections.y.g: has a line break; expected one line\n  hint: write a line of its own for each",
        f'{file}.values.[e: "[e" cannot be a key: the line "[e=..." would be read differently',
        f"{file}.values.a: unknown field {{cores}}; expected one of {{core}}, {{kind}}, {{name}}, {{release}}\n"
        "  hint: did you mean {core}?",
        f'{file}.values.b: "€" (U+20AC) is not a character of latin-1\n'
        "  hint: replace it, or choose an encoding that has it: utf-8",
        f'{file}.values.c=d: "c=d" cannot be a key: the line "c=d=..." would be read differently',
    ]


def test_problems_of_lines_are_told_at_their_number() -> None:
    with pytest.raises(ManifestError) as caught:
        write_config(config(lines=("fine", "é", "{name}")), {})
    assert [str(problem) for problem in caught.value.problems] == [
        'configs.2.lines.2: "é" (U+00E9) is not a character of ascii\n'
        "  hint: replace it, or choose an encoding that has it: latin-1, cp437, cp850, utf-8",
        "configs.2.lines.3: unknown field {name}; expected none: fields are not allowed here\n"
        '  hint: a plain brace is written doubled: "{{" or "}}"',
    ]


def test_a_field_may_not_bring_a_line_break() -> None:
    with pytest.raises(ManifestError) as caught:
        write_config(config(lines=("{name}",)), {"name": "a\rb"})
    assert str(caught.value) == (
        "configs.2.lines.1: has a line break; expected one line\n  hint: write a line of its own for each"
    )


@pytest.mark.parametrize("text", ["{", "a}", "{a{b}", "{}", "{name!r}", "{name:>9}", "{0}"])
def test_only_plain_fields_are_known(text: str) -> None:
    with pytest.raises(FieldError):
        fill_in(text, FIELDS)


@pytest.mark.parametrize("text", ["{name}", "{{{name}}}", "x{core}{kind}y", "}}{{", ""])
def test_fields_are_those_of_str_format(text: str) -> None:
    """Source: Python's library reference, "Format String Syntax"."""
    assert fill_in(text, FIELDS) == text.format_map(FIELDS)
