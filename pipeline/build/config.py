"""Stage ``config``: the config files of a card, laid down so that the image can take them in."""

from __future__ import annotations

from pathlib import Path

from pipeline.build import plan
from pipeline.model.text import counted
from pipeline.workspace.project import Project
from pipeline.workspace.stamp import NEW, write_if_changed


def path_of(project: Project, card_id: str, path: str) -> Path:
    """Return where the config file that goes to a path of the card is built."""
    return project.build / "configs" / card_id / path


def reason(project: Project, card_id: str) -> str | None:
    """Return why the files must be written again, None when they lie there as they should."""
    for made in plan.planned(project, card_id)[0].configs:
        path = path_of(project, card_id, made.job.path)
        if not path.is_file():
            return NEW
        if path.read_bytes() != made.data:
            return f"{made.job.path} changed"
    return None


def run(project: Project, card_id: str) -> str:
    """Write the config files that differ; return what was done."""
    configs = plan.planned(project, card_id)[0].configs
    written = [made for made in configs if write_if_changed(path_of(project, card_id, made.job.path), made.data)]
    return f"{card_id}: {counted(len(written), 'config file')} written of {len(configs)}"
