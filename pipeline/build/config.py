"""Stage ``config``: the config files of a card, laid down so that the image can take them in."""

from __future__ import annotations

from pipeline.build.card import CardBuild
from pipeline.model.text import counted
from pipeline.workspace.atomic_write import write_if_changed
from pipeline.workspace.stamp import NEW


def reason(card: CardBuild) -> str | None:
    """Return why the files must be written again, None when all of them are there as they should be."""
    for made in card.configs:
        path = card.config_path(made)
        if not path.is_file():
            return NEW
        if path.read_bytes() != made.data:
            return f"{made.job.path} changed"
    return None


def run(card: CardBuild) -> str:
    """Write the config files that differ; return what was done."""
    written = [made for made in card.configs if write_if_changed(card.config_path(made), made.data)]
    return f"{card.id}: {len(written)} of {counted(len(card.configs), 'config file')} written"
