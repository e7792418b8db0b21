"""The command ``doit update``: a mounted card is brought up to date file by file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.commands.arguments import opened_card
from pipeline.commands.base import JSON, OwnCommand
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import MachineError, ManifestError
from pipeline.model.text import counted

if TYPE_CHECKING:
    from pipeline.media.update import Update

SHOWN = 20


class UpdateCard(OwnCommand):
    """Writes new and changed files only; what belongs to the user is not touched."""

    name = "update"
    cmd_options = (
        {"name": "list", "long": "list", "type": bool, "default": False, "help": "only say what would be done"},
        {"name": "restore", "long": "restore", "type": bool, "default": False,
         "help": "write also files of yours (keep) that the card does not have"},
        {"name": "clean", "long": "clean", "type": bool, "default": False,
         "help": "remove files that are neither the card's nor yours (keep)"},
        JSON,
    )  # fmt: skip

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Update, and say what was done and what was not."""
        from pipeline.media.update import apply, prepare

        if len(words) != 2:
            raise ManifestError.one(f"expected {self.doc_usage}", "see doit help update")
        folder = Path(words[1])
        if not folder.is_dir():
            raise MachineError.one("there is no such folder", "name the folder the card is mounted at", file=words[1])
        with opened_card(self, words[0]) as build:
            update = prepare(build, folder, restore=options["restore"])
            if not options["list"]:
                apply(build, folder, update, clean=options["clean"])
        if options["json"]:
            print_json(_document(update))
        else:
            print_lines(_lines(update, options))
        return 0


def _lines(update: Update, options: Mapping[str, Any]) -> list[str]:
    changes, would = update.changes, "would be " if options["list"] else ""
    lines = [*_each(f"{would}added", changes.new), *_each(f"{would}replaced", changes.changed)]
    if options["clean"]:
        lines += _each(f"{would}removed", changes.others)
    elif changes.others:
        lines += [*_each("left", changes.others), "--clean removes what is left"]
    if update.yours:
        lines.append(f"yours: {counted(len(update.yours), 'file')} left unchanged")
    if update.absent:
        lines += [*_each("yours, not on the card:", update.absent), "--restore writes what is not on the card"]
    for path in update.pieces:
        lines.append(f"warning: {path} must lie in one piece; doit verify DEVICE says whether it does")
    read = "" if options["list"] else ", each read back, possibly from the system's cache"
    written = counted(len(changes.new) + len(changes.changed), "file")
    lines.append(f"{written} {would}written{read}; {len(changes.same):,} are as built")
    return lines


def _each(word: str, paths: Sequence[str]) -> list[str]:
    more = [f"{word} {len(paths) - SHOWN:,} more"] if len(paths) > SHOWN else []
    return [*(f"{word} {path}" for path in paths[:SHOWN]), *more]


def _document(update: Update) -> dict[str, object]:
    changes = update.changes
    return {
        "cardkiln-update": 1, "added": changes.new, "replaced": changes.changed, "others": changes.others,
        "same": len(changes.same), "one-piece": update.pieces, "yours": update.yours,
        "yours-absent": update.absent,
    }  # fmt: skip
