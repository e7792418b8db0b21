"""The last builds of each card are known again, and no more of them than are promised."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from pipeline.workspace import build_history
from pipeline.workspace.build_history import MOST, kept_builds
from pipeline.workspace.workspace import Workspace
from tests.support.building import workspace_in


def texts(number: int) -> tuple[bytes, bytes]:
    return f'{{"record":{number}}}'.encode(), f'{{"plan":{number}}}\n'.encode()


def keep_build(workspace: Workspace, card: str, record: bytes, plan: bytes) -> None:
    files = workspace.base / "record", workspace.base / "plan"
    for path, text in zip(files, (record, plan), strict=True):
        path.write_bytes(text)
    build_history.keep_build(workspace, card, *files)


def test_the_last_builds_are_kept_the_newest_first(tmp_path: Path) -> None:
    workspace = workspace_in(tmp_path)
    for number in range(MOST + 3):
        keep_build(workspace, "desk", *texts(number))
    keep_build(workspace, "table", *texts(99))
    assert list(kept_builds(workspace, "desk")) == [texts(number) for number in range(MOST + 2, 2, -1)]
    assert list(kept_builds(workspace, "table")) == [texts(99)]
    assert len(list((tmp_path / "build/state/builds").glob("desk.*"))) == 2 * MOST + 1


def test_a_build_with_the_same_plan_is_the_same_build(tmp_path: Path) -> None:
    workspace = workspace_in(tmp_path)
    for number in (1, 2):
        keep_build(workspace, "desk", *texts(number))
    record, plan = b'{"record":"again"}', texts(1)[1]
    keep_build(workspace, "desk", record, plan)
    assert list(kept_builds(workspace, "desk")) == [(record, plan), texts(2)]


def test_large_plans_are_kept_only_as_far_as_the_bound(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(build_history, "LARGEST", 3000)
    workspace = workspace_in(tmp_path)
    for number in range(4):
        keep_build(workspace, "desk", b'{"record":0}', b"%d" % number + b" " * 1200)
    assert [plan[:1] for _, plan in kept_builds(workspace, "desk")] == [b"3", b"2", b"1"]


@pytest.mark.parametrize("name", ["desk.json", "record", "plan"])
@pytest.mark.parametrize("harm", ["flip", "remove", "folder"])
def test_what_is_damaged_is_as_good_as_absent(tmp_path: Path, name: str, harm: str) -> None:
    workspace = workspace_in(tmp_path)
    for number in (1, 2):
        keep_build(workspace, "desk", *texts(number))
    digest = hashlib.sha256(texts(2)[1]).hexdigest()[:16]
    path = tmp_path / "build/state/builds" / (name if name == "desk.json" else f"desk.{digest}.{name}")
    data = bytearray(path.read_bytes())
    path.unlink()
    if harm == "flip":
        data[len(data) // 2] ^= 1
        path.write_bytes(data)
    elif harm == "folder":
        path.mkdir()
    assert list(kept_builds(workspace, "desk")) == ([] if name == "desk.json" else [texts(1)])
    keep_build(workspace, "desk", *texts(2))
    assert next(kept_builds(workspace, "desk")) == texts(2)
