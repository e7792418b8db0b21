"""What is kept of the manifests below ``build/state``: it spares work and never shows."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.manifest.cache import _seal
from pipeline.workspace.uptodate import view_of_made
from tests.support import small
from tests.support.building import build_in
from tests.support.cli import doit, write_tree


def test_a_run_keeps_what_it_read_of_the_manifests(tmp_path: Path) -> None:
    write_tree(tmp_path, small.FILES)
    assert doit(tmp_path, "check").code == 0
    assert (tmp_path / "build/state/manifests.cache").is_file()


def test_what_was_made_is_the_same_with_and_without_it(tmp_path: Path) -> None:
    write_tree(tmp_path, small.FILES)
    before = view_of_made(tmp_path).digest
    project = build_in(tmp_path).inputs
    (tmp_path / "build/state").mkdir(parents=True)
    assert view_of_made(tmp_path).digest != before
    before = view_of_made(tmp_path).digest
    assert sorted(project.manifest.titles) == ["snail-race"]
    assert [path.name for path in (tmp_path / "build/state").iterdir()] == ["manifests.cache"]
    assert view_of_made(tmp_path).digest == before


@pytest.mark.parametrize("path", ["SNAIL.ROM", "MENU.TXT", "files/system"])
def test_one_that_was_forged_leads_out_of_no_folder(tmp_path: Path, path: str) -> None:
    """Whoever writes it may change what a manifest says, but not past its schema: then the manifest itself is read."""
    folder = small.small_project(tmp_path / "here")
    assert doit(folder, "check").code == 0
    cache = folder / "build/state/manifests.cache"
    honest = cache.read_bytes()
    body = honest.partition(b"\n")[2]
    forged = body.replace(f'"{path}"'.encode(), f'"../../../../{path}"'.encode())
    assert forged != body
    cache.write_bytes(_seal([forged]) + forged)
    ran = doit(folder)
    assert (ran.code, ran.err) == (0, "")
    assert [found.relative_to(tmp_path).parts[0] for found in tmp_path.rglob(path)] in (["here"], ["here"] * 2)
    assert sorted(cache.read_bytes().splitlines()[1:]) == sorted(body.splitlines())
