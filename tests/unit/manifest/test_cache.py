"""A load with what the last one left must say and give exactly what a load from nothing does."""

from __future__ import annotations

import json
import os
import shutil
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import asdict
from datetime import UTC, date, datetime, time, timedelta, timezone
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import ManifestError
from pipeline.manifest import cache as caching
from pipeline.manifest import parse_manifest as examining
from pipeline.manifest.cache import Cache, from_json, to_json
from pipeline.manifest.load import load
from pipeline.manifest.parse_manifest import examine
from pipeline.resources import SCHEMAS
from tests.unit.manifest.test_load import CASES, SAMPLES, VALUES, damaged
from tests.unit.manifest.toml_texts import documents


@pytest.fixture
def inputs(tmp_path: Path) -> Path:
    """Return a small set of inputs without a mistake."""
    shutil.copytree(CASES / "base", tmp_path, dirs_exist_ok=True)
    return tmp_path / "inputs"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Return where the cache lies; its folder is not there yet."""
    return tmp_path / "build" / "state" / "manifests.cache"


@pytest.fixture
def judged(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Return the files that were parsed and checked from here on."""
    files: list[str] = []
    judge = examining._judged

    def noted(kind: str, file: str, data: bytes) -> Any:
        files.append(Path(file).name)
        return judge(kind, file, data)

    monkeypatch.setattr(examining, "_judged", noted)
    return files


def told(inputs: Path, path: Path | None) -> str:
    """Return what a load gives or says, with every value's type."""
    try:
        return repr(load(inputs, inputs.parent, Cache(path) if path else None))
    except ManifestError as error:
        return str(error)


def kinds(path: Path) -> list[str]:
    """Return the kinds of the manifests in a cache, sorted."""
    return sorted(line.split()[0] for line in path.read_text("utf-8").split("\n")[1:-1])


def test_a_manifest_that_did_not_change_is_not_judged_again(inputs: Path, path: Path, judged: list[str]) -> None:
    first = told(inputs, path)
    assert sorted(judged) == ["bench.toml", "lamp.toml", "moth.toml", "show.toml"]
    judged.clear()
    assert told(inputs, path) == first
    assert judged == []
    with (inputs / "titles/moth.toml").open("a", encoding="utf-8") as file:
        file.write("# a comment\n")
    assert told(inputs, path) == first
    assert judged == ["moth.toml"]


def test_what_no_manifest_says_any_more_is_forgotten(inputs: Path, path: Path) -> None:
    shutil.copy(inputs / "titles/moth.toml", inputs / "titles/wasp.toml")
    told(inputs, path)
    assert kinds(path) == ["board", "card", "core", "title"]
    (inputs / "titles/wasp.toml").write_bytes((inputs / "titles/moth.toml").read_bytes() + b"\n")
    told(inputs, path)
    assert kinds(path) == ["board", "card", "core", "title", "title"]
    (inputs / "titles/wasp.toml").unlink()
    told(inputs, path)
    assert kinds(path) == ["board", "card", "core", "title"]


def test_nothing_is_written_where_nothing_changed(inputs: Path, path: Path) -> None:
    told(inputs, path)
    before = path.stat()
    told(inputs, path)
    assert (path.stat().st_ino, path.stat().st_mtime_ns) == (before.st_ino, before.st_mtime_ns)
    assert list(path.parent.iterdir()) == [path]


@pytest.mark.parametrize(
    "text",
    [
        "name = ",  # no TOML
        "",  # nothing
        'name = "Moth"\n',  # not what the schema asks for
        (CASES / "base/inputs/titles/moth.toml")
        .read_text("utf-8")
        .replace('chip = "6f"', 'chip = "7f"'),  # within itself
    ],
)
def test_a_manifest_with_problems_is_never_kept(inputs: Path, path: Path, text: str) -> None:
    (inputs / "titles/moth.toml").write_text(text, "utf-8")
    assert told(inputs, path) == told(inputs, path) == told(inputs, None) != ""
    assert kinds(path) == ["board", "card", "core"]


def test_what_is_wrong_between_manifests_is_told_of_kept_ones(inputs: Path, path: Path, judged: list[str]) -> None:
    told(inputs, path)
    (inputs / "cores/lamp.toml").rename(inputs / "cores/lantern.toml")
    judged.clear()
    assert "inputs/titles/moth.toml" in told(inputs, path)
    assert judged == []
    assert told(inputs, path) == told(inputs, None)


def test_equal_manifests_by_other_names_have_their_own(inputs: Path, path: Path, judged: list[str]) -> None:
    told(inputs, path)
    judged.clear()
    (inputs / "titles/moth.toml").rename(inputs / "titles/wasp.toml")
    (inputs / "cards/show.toml").rename(inputs / "cards/tour.toml")
    (inputs / "cards/tour.toml").write_bytes((inputs / "cards/tour.toml").read_bytes().replace(b"moth", b"wasp"))
    shutil.copy(inputs / "titles/wasp.toml", inputs / "titles/hornet.toml")
    titles = load(inputs, inputs.parent, Cache(path)).titles
    assert judged == ["tour.toml"]
    assert {id_: (title.id, title.file) for id_, title in titles.items()} == {
        "hornet": ("hornet", "inputs/titles/hornet.toml"),
        "wasp": ("wasp", "inputs/titles/wasp.toml"),
    }
    assert told(inputs, path) == told(inputs, None)


def test_the_same_bytes_as_another_kind_are_judged_as_that(inputs: Path, path: Path) -> None:
    told(inputs, path)
    shutil.copy(inputs / "titles/moth.toml", inputs / "cores/moth.toml")
    assert told(inputs, path).startswith("inputs/cores/moth.toml:")
    assert told(inputs, path) == told(inputs, None)


def _cut(data: bytes) -> bytes:
    return data[: len(data) // 2]


def _changed(data: bytes) -> bytes:
    at = data.index(b'"name":"') + len(b'"name":"')
    return data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :]


DAMAGES: Mapping[str, Callable[[bytes], bytes]] = {
    "empty": lambda _: b"",
    "cut": _cut,
    "a value changed": _changed,
    "a line lost": lambda data: b"\n".join(data.split(b"\n")[:-2]) + b"\n",
    "twice": lambda data: data * 2,
    "no text": lambda _: bytes(range(256)),
}


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_cache_is_none_and_is_made_anew(inputs: Path, path: Path, damage: str, judged: list[str]) -> None:
    first = told(inputs, path)
    whole = path.read_bytes()
    path.write_bytes(DAMAGES[damage](whole))
    judged.clear()
    assert told(inputs, path) == first
    assert len(judged) == 4
    assert path.read_bytes() == whole


def test_a_cache_of_other_rules_is_none(
    inputs: Path, path: Path, monkeypatch: pytest.MonkeyPatch, judged: list[str]
) -> None:
    told(inputs, path)
    judged.clear()
    monkeypatch.setattr(caching, "_rules", lambda: b"a check more")
    told(inputs, path)
    assert len(judged) == 4


def test_the_rules_are_all_that_the_folders_say(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A change of a check or of a schema changes them; each folder that is named is there."""
    assert all(any(folder.glob("*.py")) or any(folder.glob("*.json")) for folder in caching.RULED)
    shutil.copytree(SCHEMAS, tmp_path / "schemas")
    monkeypatch.setattr(caching, "RULED", (tmp_path / "schemas",))
    digest = caching._rules.__wrapped__
    before = digest()
    assert digest() == before
    with (tmp_path / "schemas/title.schema.json").open("a", encoding="utf-8") as file:
        file.write(" ")
    assert digest() != before


def test_a_cache_that_cannot_be_written_or_read_does_not_matter(inputs: Path, path: Path) -> None:
    first = told(inputs, None)
    path.parent.parent.write_text("a file where the folder should be", "utf-8")
    assert told(inputs, path) == first
    path.parent.parent.unlink()
    path.mkdir(parents=True)
    assert told(inputs, path) == first
    assert list(path.parent.iterdir()) == [path]


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="permissions do not bind root or Windows")
def test_a_folder_that_is_read_only_does_not_matter(inputs: Path, path: Path) -> None:
    path.parent.mkdir(parents=True)
    path.parent.chmod(0o500)
    assert told(inputs, path) == told(inputs, None)
    assert list(path.parent.iterdir()) == []


def test_a_full_disk_leaves_nothing_behind(inputs: Path, path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: Path, __: Path) -> None:
        raise OSError

    monkeypatch.setattr(Path, "replace", full)
    assert told(inputs, path) == told(inputs, None)
    assert list(path.parent.iterdir()) == []


@given(documents())
def test_kept_values_are_those_of_the_text(text: str) -> None:
    values = tomllib.loads(text)
    assert repr(from_json(to_json(values))) == repr(values)


SCALARS = st.one_of(
    st.text(),
    st.integers(),
    st.booleans(),
    st.floats(),
    st.dates(),
    st.times().map(lambda value: value.replace(fold=0)),  # the second of two equal hours: TOML has no such thing
    st.datetimes(timezones=st.sampled_from([None, UTC, timezone(timedelta(hours=-11, minutes=-30))])).map(
        lambda value: value.replace(fold=0)
    ),
)
KEYS = st.text(max_size=5) | st.sampled_from(["toml", "date", "time"])
ANY = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3),
    max_leaves=8,
)


@given(st.dictionaries(KEYS, ANY, max_size=4))
def test_kept_values_are_those_that_were_there(values: dict[str, Any]) -> None:
    """TOML 1.0.0, "Float", "Integer", "Offset Date-Time" and the other dates and times: every type it has."""
    text = to_json(values)
    assert repr(from_json(text)) == repr(values)
    assert "\n" not in text
    assert "\t" not in text


@pytest.mark.parametrize("value", [2**64, -(10**400), 1e308, -0.0, date.min, datetime.max, time.max], ids=repr)
def test_values_at_the_edge_are_kept(value: object) -> None:
    assert repr(from_json(to_json({"a": [value]}))) == repr({"a": [value]})


def test_what_is_kept_is_json(inputs: Path, path: Path) -> None:
    told(inputs, path)
    for line in path.read_text("ascii").split("\n")[1:-1]:
        assert isinstance(json.loads(line.partition("\t")[2]), dict)


def test_a_number_that_python_does_not_print_is_not_kept(path: Path) -> None:
    cache = Cache(path)
    cache.keep("card", b"a", {"a": 16**5000})
    cache.keep("card", b"b", {"b": 1})
    assert cache.find("card", b"a") is None
    cache.save()
    assert (Cache(path).find("card", b"a"), Cache(path).find("card", b"b")) == (None, {"b": 1})


@st.composite
def manifests(draw: st.DrawFn) -> tuple[str, bytes]:
    """Return a kind and a manifest of it, most of them valid: lines changed, or bytes."""
    if draw(st.booleans()):
        return draw(damaged())
    kind = draw(st.sampled_from(sorted(SAMPLES)))
    lines = SAMPLES[kind].decode().split("\n")
    for _ in range(draw(st.integers(0, 2))):
        number = draw(st.sampled_from([number for number, line in enumerate(lines) if " = " in line]))
        lines[number] = f"{lines[number].partition(' = ')[0]} = {draw(VALUES)}"
    return kind, "\n".join(lines).encode()


@given(st.lists(manifests(), min_size=1, max_size=4))
def test_whatever_a_manifest_holds_it_comes_to_the_same(made: list[tuple[str, bytes]]) -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "cache"
        cold = [examine(kind, "x", "x.toml", data) for kind, data in made]
        for _ in range(2):
            cache = Cache(path)
            assert [repr(asdict(examine(kind, "x", "x.toml", data, cache))) for kind, data in made] == [
                repr(asdict(one)) for one in cold
            ]
            cache.save()
        valid = {pair for pair, one in zip(made, cold, strict=True) if not one.problems}
        assert (len(kinds(path)) if path.exists() else 0) == len(valid)


NAMES = {
    "board": "boards/full.toml",
    "core": "cores/quillon-80.toml",
    "title": "titles/orbit.toml",
    "card": "cards/desk.toml",
    "sources": "sources.toml",
}


@settings(max_examples=30)  # each is a folder of manifests, loaded twice an edit
@given(st.lists(manifests(), min_size=1, max_size=3))
def test_after_any_edits_a_load_with_a_cache_is_one_without(edits: list[tuple[str, bytes]]) -> None:
    with TemporaryDirectory() as folder:
        inputs = Path(folder) / "inputs"
        shutil.copytree(CASES / "accept/every-key/inputs", inputs)
        for kind, data in edits:
            (inputs / NAMES[kind]).write_bytes(data)
            assert told(inputs, Path(folder) / "cache") == told(inputs, None)
