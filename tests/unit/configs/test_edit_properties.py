"""Any file: what is outside the value stays, and editing back gives the file back. Python's configparser agrees."""

from __future__ import annotations

import configparser
import string

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from pipeline.configs.edit import EditError, edit_value
from pipeline.model.manifest import ConfigEdit

ENDINGS = st.sampled_from([b"\n", b"\r\n", b"\r"])
BLANKS = st.sampled_from([b"", b" ", b"\t", b"  ", b" \t "])
NOISE = st.binary(max_size=30).map(lambda data: data.translate(None, b"\r\n\0"))
WORDS = st.text(string.ascii_letters + string.digits + "-_.", min_size=1, max_size=8)
VALUES = st.lists(WORDS, max_size=3).map(" ".join)
NOTES = st.one_of(st.just(b""), NOISE.map(lambda text: b" ;" + text), NOISE.map(lambda text: b"\t # " + text))
LINES = st.one_of(NOISE, NOISE.map(lambda text: b"; " + text), NOISE.map(lambda text: b"k=" + text), st.just(b""))


def edited(data: bytes, value: str, section: str = "here", name: str = "the-key") -> bytes:
    edit = ConfigEdit(path="A.CFG", section=section, name=name, value=value, add=False, key="edits.1")
    return edit_value(data, edit)


@st.composite
def files(draw: st.DrawFn) -> tuple[bytes, str, bytes]:
    """Return what stands before a value, the value, and what stands behind it, in any file of lines."""
    sections = draw(st.lists(st.lists(LINES, max_size=5), min_size=1, max_size=4))
    which = draw(st.integers(0, len(sections) - 1))
    heads = [f"[s{number}]".encode() for number in range(len(sections))]
    heads[which] = b"[here]"
    before = b"".join(
        line + draw(ENDINGS) for head, lines in zip(heads[:which], sections, strict=False) for line in (head, *lines)
    )
    behind = b"".join(
        draw(ENDINGS) + line
        for head, lines in zip(heads[which + 1 :], sections[which + 1 :], strict=True)
        for line in (head, *lines)
    )
    separator = draw(BLANKS) + draw(st.sampled_from([b"=", b":"])) + draw(BLANKS)
    front = b"[here]" + draw(ENDINGS) + b"".join(line + draw(ENDINGS) for line in sections[which])
    before += front + draw(BLANKS) + b"the-key" + separator
    value = draw(VALUES.filter(bool))
    return before, value, draw(NOTES) + behind + draw(st.one_of(st.just(b""), ENDINGS))


@given(files(), VALUES.filter(bool))
def test_only_the_value_differs_and_editing_back_gives_the_file_back(
    parts: tuple[bytes, str, bytes], value: str
) -> None:
    before, old, behind = parts
    data = before + old.encode() + behind
    assume(data.count(b"[here]") == data.count(b"the-key") == 1)
    after = edited(data, value)
    assert after == before + value.encode() + behind
    assert edited(after, old) == data


@given(st.binary(max_size=200), WORDS, WORDS, VALUES, st.booleans())
def test_any_bytes_are_edited_or_refused(data: bytes, section: str, name: str, value: str, add: bool) -> None:
    for inside in ("", section):
        edit = ConfigEdit(path="A.CFG", section=inside, name=name, value=value, add=add, key="edits.1")
        try:
            after = edit_value(data, edit)
        except EditError:
            continue
        assert edit_value(after, edit) == after


def read(data: bytes) -> dict[str, dict[str, str]]:
    """Return what configparser reads: sections, keys and values, notes behind values left out."""
    parser = configparser.RawConfigParser(inline_comment_prefixes=(";", "#"), default_section="", strict=True)
    parser.optionxform = str  # type: ignore[assignment,method-assign]  # the documented way to keep letters as they are
    parser.read_string(data.decode())
    return {section: dict(parser[section]) for section in parser.sections()}


TREES = st.dictionaries(
    WORDS.map("s".__add__), st.dictionaries(WORDS.map("k".__add__), VALUES, max_size=5), min_size=1, max_size=4
)


@given(TREES, st.data())
def test_configparser_sees_exactly_one_value_changed(tree: dict[str, dict[str, str]], data: st.DataObject) -> None:
    """Source: Python's library reference, configparser, "Supported INI File Structure"."""
    ending = data.draw(st.sampled_from(["\n", "\r\n"]))
    lines = []
    for section, values in tree.items():
        lines += [f"[{section}]", "# note = 1"]
        lines += [f"{key}{data.draw(st.sampled_from([' = ', '=', ': ']))}{value}" for key, value in values.items()]
        lines += ["", "; another: 2"]
    text = ending.join(lines).encode()
    section = data.draw(st.sampled_from(sorted(tree)))
    if not tree[section]:
        return
    key = data.draw(st.sampled_from(sorted(tree[section])))
    value = data.draw(VALUES)
    assert read(text) == tree
    assert read(edited(text, value, section, key)) == tree | {section: tree[section] | {key: value}}


OLD = b"[s0]\na = 1 ; one\n\n[s1]\nb = 2\n"
ADDED = {
    "s0": {"s0": {"a": "1", "added": "7 ms"}, "s1": {"b": "2"}},
    "new": {"s0": {"a": "1"}, "s1": {"b": "2"}, "new": {"added": "7 ms"}},
}


@pytest.mark.parametrize("section", ADDED)
def test_configparser_reads_what_is_added(section: str) -> None:
    edit = ConfigEdit(path="A.CFG", section=section, name="added", value="7 ms", add=True, key="edits.1")
    assert read(edit_value(OLD, edit)) == ADDED[section]
