"""What is kept of the manifests below ``build/state``: it spares work and never shows."""

from __future__ import annotations

from pathlib import Path

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
