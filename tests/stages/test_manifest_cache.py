"""What is kept of the manifests below ``build/state``: it spares work and never shows."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.manifest.cache import _seal
from pipeline.stages.project import Project
from pipeline.stages.unchanged import view_of_made
from tests import small
from tests.running import doit, write_tree


def test_a_run_keeps_what_it_read_of_the_manifests(tmp_path: Path) -> None:
    write_tree(tmp_path, small.FILES)
    assert doit(tmp_path, "check").code == 0
    assert (tmp_path / "build/state/manifests.cache").is_file()


def test_what_was_made_is_the_same_with_and_without_it(tmp_path: Path) -> None:
    write_tree(tmp_path, small.FILES)
    before = view_of_made(tmp_path).digest
    project = Project(tmp_path / "inputs", tmp_path / "build", tmp_path)
    (tmp_path / "build/state").mkdir(parents=True)
    assert view_of_made(tmp_path).digest != before
    before = view_of_made(tmp_path).digest
    assert sorted(project.manifest.titles) == ["snail-race"]
    assert [path.name for path in (tmp_path / "build/state").iterdir()] == ["manifests.cache"]
    assert view_of_made(tmp_path).digest == before


@pytest.mark.parametrize("name", ["SNAIL.ROM", "MENU.TXT"])
def test_one_that_was_forged_leads_out_of_no_folder(tmp_path: Path, name: str) -> None:
    """Whoever writes it may change what a manifest says; the rules of the card still hold."""
    folder = small.small_project(tmp_path / "here")
    assert doit(folder, "check").code == 0
    cache = folder / "build/state/manifests.cache"
    body = cache.read_bytes().partition(b"\n")[2]
    forged = body.replace(f'"{name}"'.encode(), f'"../../../../{name}"'.encode())
    assert forged != body
    cache.write_bytes(_seal([forged]) + forged)
    ran = doit(folder)
    assert ran.code == 2
    assert 'the name ".." is "..", which stands for a folder itself or its parent' in ran.err
    assert not list(tmp_path.rglob(name))
