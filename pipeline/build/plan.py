"""Stage ``plan``: the finished layout of a card, as the text the image writer obeys."""

from __future__ import annotations

from itertools import zip_longest
from pathlib import Path

from pipeline.build import card
from pipeline.build.card import Worked
from pipeline.build.search import found
from pipeline.card.plan_text import plan_from_lines, plan_lines
from pipeline.model.plan import Plan
from pipeline.model.text import counted
from pipeline.model.units import show_size
from pipeline.workspace.project import Project
from pipeline.workspace.stamp import NEW, replacing


def path_of(project: Project, card_id: str) -> Path:
    """Return where a card's plan lies."""
    return project.card_folder(card_id) / "plan.json"


def reason(project: Project, card_id: str) -> str | None:
    """Return why the plan must be made again, None when it is what the manifests come to."""
    path = path_of(project, card_id)
    if not path.is_file():
        return NEW
    return None if _holds(path, planned(project, card_id)[1]) else "the card's contents or layout changed"


def run(project: Project, card_id: str) -> str:
    """Write the plan; return what it comes to."""
    path, (_, plan) = path_of(project, card_id), planned(project, card_id)
    if not (path.is_file() and _holds(path, plan)):
        with replacing(path) as temporary, temporary.open("w", encoding="ascii", newline="\n") as file:
            file.writelines(plan_lines(plan))
    return f"{card_id}: {summary(plan)}"


def written(project: Project, card_id: str) -> Plan:
    """Return the plan whose text lies there."""
    path, (_, plan) = path_of(project, card_id), planned(project, card_id)
    if _holds(path, plan):
        return plan  # the same value as the text would give, and it is in memory already
    with path.open(encoding="ascii") as lines:
        return plan_from_lines(lines)


def _holds(path: Path, plan: Plan) -> bool:
    """Whether a file holds the text of a plan; told line by line, as a large plan has many."""
    with path.open("rb") as lines:
        return all(line == text.encode() for line, text in zip_longest(lines, plan_lines(plan), fillvalue=""))


def planned(project: Project, card_id: str) -> tuple[Worked, Plan]:
    """Return the card worked out, and its plan, as the manifests have it now."""
    return card.planned(project, card_id, lambda: found(project))


def summary(plan: Plan) -> str:
    """Return a plan in half a line: type and size of the card, number of files and folders, bytes."""
    files = [entry for entry in plan.entries if not entry.is_folder]
    folders = len(plan.entries) - len(files)
    total = show_size(sum(entry.size for entry in files))
    card_size = show_size(plan.volume.card_sectors * 512)
    held = f"{counted(len(files), 'file')} in {counted(folders, 'folder')}"
    return f"FAT{plan.volume.fat_bits} on {card_size}, {held}, {total}"
