"""Whatever lies below the state folder: the card stays what its inputs say, and the next run repairs the folder."""

from __future__ import annotations

import copy
import json
import re
import shutil
from collections.abc import Callable, Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest

from pipeline.build.flow import build_card, out_of_date
from pipeline.commands.publish import Publish
from pipeline.commands.why import Why
from pipeline.workspace import state
from pipeline.workspace.stamp import Stamp, read_stamp, rom_stamps, write_stamp
from tests.support import small
from tests.support.building import build_in
from tests.support.cli import digests, doit, within, write_tree
from tests.unit.workspace.test_state import ODD, posix


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, str]]:
    """Return a project that was built twice, so that every kind of state is there, and the card's digests."""
    folder = small.small_project(tmp_path_factory.mktemp("whole"), {"inputs/cards/desk.toml": card("4 MiB")})
    assert doit(folder).code == 0
    write_tree(folder, {"inputs/files/system/BENCH.SET": small.CONFIG + b"; changed\r\n"})
    for _ in range(2):  # one that builds, and one later than the change, which keeps that all is up to date
        assert doit(folder).code == 0
    return folder, digests(folder / "build/cards/desk")


def card(size: str) -> str:
    return small.CARD.replace("16 MiB", size)


@pytest.fixture
def built(whole: tuple[Path, dict[str, str]], tmp_path: Path) -> Iterator[Path]:
    """Return a copy of it."""
    folder = tmp_path / "project"
    shutil.copytree(whole[0], folder)
    yield folder
    shutil.rmtree(folder)


def state_files(folder: Path) -> list[Path]:
    return sorted(path for path in (folder / "build/state").rglob("*") if path.is_file())


def test_every_kind_of_state_is_tried(built: Path) -> None:
    names = {path.relative_to(built / "build/state").as_posix() for path in state_files(built)}
    assert {re.sub(r"\.[0-9a-f]{16}\.", ".PLAN.", name) for name in names} == {
        "builds/desk.PLAN.plan", "builds/desk.PLAN.record", "builds/desk.json", "current.json", "image/desk.json",
        "image/desk.plan", "index.sqlite", "lock", "owner.json", "reasons.json", "rom.lines",
        "sheet/desk.json", "spare/desk.img", "spare/desk.json", "spare/desk.plan",
    }  # fmt: skip


def assert_repaired(folder: Path, good: dict[str, str]) -> None:
    """Assert that a run says nothing wrong and gives the same card, and that the run after it has nothing to do."""
    ran = doit(folder)
    assert (ran.code, ran.err) == (0, "")
    assert digests(folder / "build/cards/desk") == good
    again = doit(folder)
    assert (again.code, again.err) == (0, "")
    assert len(again.out.splitlines()) == 2


@posix
@pytest.mark.parametrize("put", ODD.values(), ids=ODD)
def test_no_file_in_the_place_of_each(
    whole: tuple[Path, dict[str, str]], built: Path, put: Callable[[Path], None]
) -> None:
    for path in [*state_files(built), *(built / "build/state" / name for name in ("running", "reasons.lines"))]:
        path.unlink(missing_ok=True)
        (path.parent / "elsewhere").unlink(missing_ok=True)
        put(path)
    assert_repaired(built, whole[1])


@pytest.mark.parametrize("data", [b"", b"[" * 10_000, b"\x1b[2J\n", b"{}", bytes(5000)], ids=range(5))
def test_other_bytes_in_each(whole: tuple[Path, dict[str, str]], built: Path, data: bytes) -> None:
    for path in state_files(built):
        path.write_bytes(data)
    assert_repaired(built, whole[1])


OTHERS: dict[str, object] = {"number": 7, "text": "../../x", "escape": "\x1b[2J", "none": None, "list": [[]]}


def forgeries(value: Any) -> Iterator[tuple[str, Any]]:
    """Yield a JSON value with each place of it once of each other type, and once without it; each with a name."""
    keys: list[Any] = (
        list(value) if isinstance(value, dict) else [*range(len(value))] if isinstance(value, list) else []
    )
    for key in keys:
        for name, other in OTHERS.items():
            if type(value[key]) is not type(other) or isinstance(other, str):
                yield f"{key}: {name}", changed(value, key, other)
        yield f"{key}: gone", changed(value, key)
        for name, inner in forgeries(value[key]):
            yield f"{key}.{name}", changed(value, key, inner)


def changed(value: Any, key: Any, *new: object) -> Any:
    copied = copy.copy(value)
    if new:
        (copied[key],) = new
    else:
        del copied[key]
    return copied


def read_json(path: Path) -> Any:
    text = state.read_text(path)
    assert text is not None
    return json.loads(text)


def harmless(name: str, what: str) -> bool:
    """Whether what was forged decides nothing.

    That is a spare, facts not asked for, what of a finding is in no record, a signature that has the output hashed.
    """
    unasked = name != "image/desk" and "facts" in what
    unrecorded = "findings." in what and any(
        f".{part}" in what for part in ("hint", "also", "line", "column", "details")
    )
    return name == "spare/desk" or what.endswith("signature: text") or unasked or unrecorded


def stamp_text(folder: Path, name: str) -> Any:
    """Return a stamp as JSON has it."""
    if name == "rom/snail-race":
        stamp = rom_stamps(folder / "build").read("snail-race", Stamp)
        assert stamp
        return json.loads(json.dumps(asdict(stamp)))
    return read_json(folder / f"build/state/{name}.json")


def keep_stamp(folder: Path, name: str, value: object) -> None:
    """Keep any JSON value as a stamp, with the SHA-256 that belongs to it."""
    if name == "rom/snail-race":
        rom_stamps(folder / "build").write("snail-race", value)
    else:
        state.write_text(folder / f"build/state/{name}.json", json.dumps(value).encode())


@pytest.mark.parametrize("name", ["rom/snail-race", "image/desk", "sheet/desk", "spare/desk"])
def test_a_stamp_with_any_value_forged_is_repaired_though_its_sum_is_right(
    whole: tuple[Path, dict[str, str]], built: Path, name: str
) -> None:
    good = stamp_text(built, name)
    for what, value in forgeries(good):
        keep_stamp(built, name, value)
        build = build_in(built)
        if not harmless(name, what):
            assert any(out_of_date(build, "desk")), what
        build_card(build, "desk", lambda _: None)
        assert not any(out_of_date(build, "desk")), what
    assert digests(built / "build/cards/desk") == whole[1]


@pytest.mark.parametrize("name", ["current.json", "reasons.json"])
def test_a_snapshot_or_log_with_any_value_of_another_type_is_absent(built: Path, name: str) -> None:
    path = built / "build/state" / name
    good = read_json(path)
    for _, value in forgeries(good):
        state.write_text(path, json.dumps(value).encode())
        ran = within(built, Why, "desk")
        assert (ran.code, ran.err) == (0, "")
        assert "\x1b" not in ran.out


def edit_unused(image: Path) -> None:
    """Write into the free space at the end of an image."""
    with image.open("r+b") as file:
        file.seek(-1000, 2)
        file.write(b"not planned")


def forge_stamp(path: Path, image: Path) -> None:
    """Have a stamp of an image, its facts included, fit what lies there."""
    good, sha256 = read_stamp(path), digests(image.parent, image.name)[image.name]
    facts: Any = good.facts
    if facts:
        facts["proof"]["image_sha256"] = sha256
    write_stamp(path, good.inputs, {"card.img": (image, sha256)}, facts)


def test_an_edited_image_with_a_stamp_that_fits_is_written_again_and_the_record_stays(
    whole: tuple[Path, dict[str, str]], built: Path
) -> None:
    edit_unused(built / "build/cards/desk/card.img")
    forge_stamp(built / "build/state/image/desk.json", built / "build/cards/desk/card.img")
    ran = doit(built)
    assert (ran.code, ran.err) == (0, "")
    assert "verified with pyfatfs 1.1.0 (it is not the recorded image of this plan)\n" in ran.out
    assert digests(built / "build/cards/desk") == whole[1]


def test_nothing_of_an_edited_spare_with_a_stamp_that_fits_reaches_the_card(built: Path) -> None:
    write_tree(built, {"inputs/files/system/BENCH.SET": small.CONFIG + b"; changed again\r\n"})
    assert doit(built).code == 0
    good = digests(built / "build/cards/desk")
    write_tree(built, {"inputs/files/system/BENCH.SET": small.CONFIG})
    assert doit(built).code == 0
    spare = built / "build/state/spare/desk.img"
    edit_unused(spare)
    forge_stamp(spare.with_suffix(".json"), spare)
    write_tree(built, {"inputs/files/system/BENCH.SET": small.CONFIG + b"; changed again\r\n"})
    ran = doit(built)
    assert (ran.code, ran.err) == (0, "")
    assert "patched" not in ran.out
    assert digests(built / "build/cards/desk") == good


@pytest.mark.parametrize("recorded", [True, False])
def test_an_image_forged_with_its_stamp_and_sums_is_not_published(built: Path, recorded: bool) -> None:
    folder = built / "build/cards/desk"
    image = folder / "card.img"
    edit_unused(image)
    forge_stamp(built / "build/state/image/desk.json", image)
    if recorded:  # and the record made anew from it
        (folder / "SHA256SUMS").unlink()
        assert doit(built, "sheet:desk").code == 0
    ran = within(built, Publish, "desk")
    assert ran.code == 1
    size = image.stat().st_size
    expected = f"the byte at offset 0x{size - 1000:X} is not as planned" if recorded else "it is not the recorded image"
    assert expected in ran.err
    assert not list((built / "dist").glob("*"))
