"""What lies below the state folder is believed when it is whole, and is as good as absent when it is anything else."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from threading import Barrier
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.workspace import state
from pipeline.workspace.stamp import NEW, Output, Stamp, read_outputs, read_stamp, stale, write_stamp


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    name: str
    size: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Whole:
    parts: tuple[Part, ...]
    sums: dict[str, str]
    finished: bool


WHOLE = Whole(parts=(Part(name="4t", size=4096), Part(name="x")), sums={"a": "1"}, finished=True)

posix = pytest.mark.skipif(os.name != "posix", reason="pipes and links are POSIX's")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "build" / "state" / "rom" / "moth-pantry.json"
    state.write(path, WHOLE)
    return path


def forge(path: Path, value: object) -> None:
    """Keep any JSON value, with the SHA-256 that belongs to it."""
    state.write_text(path, json.dumps(value).encode())


def test_a_value_is_read_as_it_was_written(path: Path) -> None:
    assert state.read(path, Whole) == WHOLE


def test_a_file_is_json_with_the_version_of_the_form(path: Path) -> None:
    form, sha256, value = json.loads(path.read_bytes())
    assert form == "cardkiln-state 1"
    assert len(sha256) == 64
    assert value["finished"] is True


def test_a_value_of_another_name_is_not_believed(path: Path) -> None:
    other = path.with_name("other.json")
    other.write_bytes(path.read_bytes())
    assert state.read(other, Whole) is None


def test_any_single_bit_that_flips_makes_a_stamp_absent(tmp_path: Path) -> None:
    output, stamp = tmp_path / "MOTH.ROM", tmp_path / "rom" / "moth.json"
    output.write_bytes(b"rom")
    write_stamp(stamp, {"chip a1": "1"}, {"MOTH.ROM": (output, "0" * 64)}, {"kept": 1})
    good = stamp.read_bytes()
    assert stale(stamp, {"chip a1": "1"}, {"MOTH.ROM": output}) is None
    for bit in range(8 * len(good)):
        data = bytearray(good)
        data[bit // 8] ^= 1 << bit % 8
        stamp.write_bytes(data)
        assert read_stamp(stamp) == Stamp(), bit
    assert stale(stamp, {"chip a1": "1"}, {"MOTH.ROM": output}) == NEW


def test_any_part_of_a_file_is_absent(path: Path) -> None:
    good = path.read_bytes()
    for size in range(len(good)):
        path.write_bytes(good[:size])
        assert state.read(path, Whole) is None


PLAIN: dict[str, Any] = {"parts": [{"name": "4t", "size": 4096}], "sums": {"a": "1"}, "finished": True}


def nested(depth: int) -> Any:
    return json.loads("[" * depth + "]" * depth)


FORGED: dict[str, object] = {
    "nothing": None,
    "a number": 5,
    "a text": "x",
    "a list": [],
    "no keys": {},
    "a key gone": {name: value for name, value in PLAIN.items() if name != "sums"},
    "a key too many": {**PLAIN, "more": 1},
    "a number for a list": {**PLAIN, "parts": 5},
    "a text for a list": {**PLAIN, "parts": "4t"},
    "a number for a table": {**PLAIN, "sums": 5},
    "a list for a table": {**PLAIN, "sums": [["a", "1"]]},
    "a number for a text": {**PLAIN, "sums": {"a": 1}},
    "a number for true": {**PLAIN, "finished": 1},
    "true for a number": {**PLAIN, "parts": [{"name": "4t", "size": True}]},
    "a fraction for a number": {**PLAIN, "parts": [{"name": "4t", "size": 1.5}]},
    "a table for a part of a list": {**PLAIN, "parts": {"name": "4t", "size": 1}},
    "nested": {**PLAIN, "parts": nested(900)},
    "an escape sequence": {**PLAIN, "sums": {"a": "\x1b[2J"}},
    "an escape sequence in a key": {**PLAIN, "sums": {"\x9b2J": "1"}},
    "a carriage return": {**PLAIN, "sums": {"a": "1\r2"}},
    "a change of direction": {**PLAIN, "sums": {"a": "\u202e1"}},
    "half a character": {**PLAIN, "sums": {"a": "\udc80"}},
}


@pytest.mark.parametrize("value", FORGED.values(), ids=FORGED)
def test_a_value_of_another_form_is_absent_though_its_sum_is_right(path: Path, value: object) -> None:
    forge(path, value)
    assert state.read(path, Whole) is None
    state.write(path, WHOLE)
    assert state.read(path, Whole) == WHOLE


def test_the_plain_form_is_believed(path: Path) -> None:
    forge(path, PLAIN)
    assert state.read(path, Whole) == Whole(parts=(Part(name="4t", size=4096),), sums={"a": "1"}, finished=True)


@pytest.mark.parametrize("text", [b"[" * 10_000, b"[" * 10_000 + b"]" * 10_000, b'{"a":' * 10_000, b"9" * 10_000])
def test_what_is_nested_too_deep_or_too_long_is_absent(path: Path, text: bytes) -> None:
    state.write_text(path, text)
    assert state.read(path, Whole) is None


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
)


@given(JSON)
def test_whatever_json_is_decoded_gives_a_value_or_value_error(value: object) -> None:
    try:
        state.decoded(Whole, value)
    except ValueError:
        return
    assert isinstance(value, dict)


def folder(path: Path) -> None:
    path.mkdir()
    (path / "x").write_text("x")


def loop(path: Path) -> None:
    path.symlink_to(path.name)


def link(path: Path) -> None:
    target = path.parent / "elsewhere"
    target.write_text("mine")
    path.symlink_to(target)


def device(path: Path) -> None:
    path.symlink_to("/dev/zero")


ODD: dict[str, Callable[[Path], None]] = {
    "a folder": folder,
    "a pipe": lambda path: os.mkfifo(path),
    "a loop of links": loop,
    "a link": link,
    "a device": device,
}


@posix
@pytest.mark.parametrize("suffix", ["", ".part"])
@pytest.mark.parametrize("put", ODD.values(), ids=ODD)
def test_what_is_no_file_is_absent_and_makes_room(path: Path, put: Callable[[Path], None], suffix: str) -> None:
    odd = path.with_name(path.name + suffix)
    odd.unlink(missing_ok=True)
    put(odd)
    if not suffix:
        assert state.read(path, Whole) is None
    state.write(path, WHOLE)
    assert state.read(path, Whole) == WHOLE
    elsewhere = path.parent / "elsewhere"
    assert not elsewhere.exists() or elsewhere.read_text() == "mine"


@posix
@pytest.mark.parametrize("put", [lambda path: path.write_text("x"), *list(ODD.values())[1:]])
def test_a_folder_of_the_store_that_is_none_makes_room(tmp_path: Path, put: Callable[[Path], None]) -> None:
    path = tmp_path / "state" / "rom" / "x.json"
    path.parent.parent.mkdir()
    put(path.parent)
    assert state.read(path, Whole) is None
    state.write(path, WHOLE)
    assert state.read(path, Whole) == WHOLE
    assert path.parent.is_dir()
    assert not path.parent.is_symlink()


@pytest.mark.parametrize(
    "name",
    ["../../x", "/etc/x", "a/../../x", r"..\x", r"a\..\..\x", r"C:\x", "C:x", r"\x", r"\\host\share\x"],
)
def test_a_stamp_names_no_output_outside_its_folder(path: Path, name: str) -> None:
    forge(path, {"inputs": {}, "outputs": {name: {"signature": "1 2 3 4", "sha256": "0" * 64}}, "facts": None})
    assert read_outputs(path) == {}


def test_a_stamp_holds_sha_256_only() -> None:
    with pytest.raises(ValueError, match=r"^expected a SHA-256$"):
        Output(signature="1 2 3 4", sha256="0" * 63)


def test_a_folder_that_several_make_at_once_is_made(tmp_path: Path) -> None:
    count = 8
    at_once = Barrier(count)

    def make(path: Path) -> None:
        at_once.wait()
        state.make_room(path)

    with ThreadPoolExecutor(count) as threads:
        for number in range(100):
            list(threads.map(make, [tmp_path / str(number) / f"{part}.json" for part in range(count)]))
    assert len(list(tmp_path.iterdir())) == 100
