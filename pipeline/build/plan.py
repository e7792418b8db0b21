"""Stage ``plan``: the finished layout of a card, as the text the image writer obeys."""

from __future__ import annotations

from pipeline.build.card import CardBuild
from pipeline.card.plan_text import plan_lines
from pipeline.file_digest import sha256_of_file
from pipeline.model.plan import Plan
from pipeline.model.text import counted
from pipeline.model.units import show_size
from pipeline.workspace.atomic_write import replacing
from pipeline.workspace.stamp import NEW


def reason(card: CardBuild) -> str | None:
    """Return why the plan must be written again, None when its file is what the manifests come to."""
    if not card.plan_path.is_file():
        return NEW
    if sha256_of_file(card.plan_path) != card.plan_sha256:
        return "the card's contents or layout changed"
    return None


def run(card: CardBuild) -> str:
    """Write the plan; return what it comes to."""
    if reason(card) is not None:
        with replacing(card.plan_path) as temporary, temporary.open("w", encoding="ascii", newline="\n") as file:
            file.writelines(plan_lines(card.plan))
    return f"{card.id}: {summary(card.plan)}"


def summary(plan: Plan) -> str:
    """Return a plan in half a line: type and size of the card, number of files and folders, bytes."""
    files = [entry for entry in plan.entries if not entry.is_folder]
    folders = len(plan.entries) - len(files)
    total = show_size(sum(entry.size for entry in files))
    card_size = show_size(plan.volume.card_sectors * 512)
    contents = f"{counted(len(files), 'file')} in {counted(folders, 'folder')}"
    return f"FAT{plan.volume.fat_bits} on {card_size}, {contents}, {total}"
