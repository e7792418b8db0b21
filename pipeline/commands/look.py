"""The command ``doit look``: what a card in the hand is."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.commands.arguments import id_named
from pipeline.commands.base import JSON, OwnCommand
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import MachineError, ManifestError, Problem
from pipeline.model.text import counted

if TYPE_CHECKING:
    from pipeline.inspect.conformance import Conformance
    from pipeline.inspect.look import KnownFile, Look
    from pipeline.model.manifest import Manifest

BOARD = {
    "name": "board",
    "long": "board",
    "type": str,
    "metavar": "BOARD",
    "default": "",
    "help": "check it against this board in place of the best match",
}


class LookAt(OwnCommand):
    """Ends with 0 when nothing is wrong with the card, 1 when something is; it never writes."""

    name = "look"
    cmd_options = (
        BOARD,
        {"name": "all", "long": "all", "type": bool, "default": False, "help": "show the whole tree"},
        JSON,
    )

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Look, and tell it."""
        from pipeline.inspect.look import look
        from pipeline.inspect.open_target import opened_target

        if len(words) != 1:
            raise ManifestError.one(f"expected {self.doc_usage}", "see doit help look")
        with opened_target(self.workspace, card_path(words[0])) as card:
            if options["board"]:
                board_named(self.inputs.manifest, options["board"])
            seen = look(self.build, card, options["board"])
            if options["json"]:
                print_json(_document(seen))
            else:
                print_lines(_lines(seen, whole=options["all"]))
        return 0 if seen.is_sound else 1


def card_path(word: str) -> str:
    """Return the path of an image, a disk or a folder that is there; raises MachineError for anything else."""
    from pipeline.inspect.open_target import is_record

    path = Path(word)
    if not word or not path.exists():
        raise MachineError.one("there is no such file or folder", "name an image, a disk or a folder", file=word)
    if is_record(path):
        raise MachineError.one("is a record, not a card", "doit diff reads records", file=word)
    return str(path.absolute())


def board_named(manifest: Manifest, word: str) -> str:
    """Return the id of a board that there is; raises ManifestError with the nearest one."""
    return id_named("board", manifest.boards, word)


def _lines(seen: Look, *, whole: bool) -> Iterator[str]:
    from pipeline.volume.report import MOST_LINES, finding_lines, first_file, fragmentation, tree_lines, volume_lines

    reading = seen.reading
    if reading:
        yield from _block("volume", volume_lines(reading))
        yield from _block("tree", [fragmentation(reading), *tree_lines(reading, whole=whole)])
        yield from _block("first", [first_file(reading)])
        yield from _block("health", list(finding_lines(reading)) or ["nothing is wrong"])
    else:
        yield from _block(
            "folder", [f"{counted(len(seen.files), 'file')}; a folder does not show their position on the card"]
        )
    yield from _block("litter", list(seen.litter) or ["no files left by a desktop system"])
    yield from _block("board", [f"{seen.board.id}, {seen.why}" if seen.board else seen.why])
    if seen.board:
        found = [f"core {core}" for core in seen.cores] + [f"title {title}" for title in seen.titles]
        found += [f"{path}: unknown core (in the board's core folder)" for path in seen.unknown_cores]
        if seen.card:
            found = [f"card {seen.card}, identified by its serial", *found]
        yield from _block("holds", found or ["no known core or title"])
        yield from _block("rules", _rule_lines(seen.verdict) if seen.verdict else [])
        most = len(seen.known) if whole else MOST_LINES
        known = [_known_line(file) for file in seen.known[:most]]
        if len(seen.known) > most:
            known.append(f"... and {len(seen.known) - most:,} more; --all shows them")
        yield from _block("known", known or ["no known content"])


def _rule_lines(verdict: Conformance) -> Iterator[str]:
    judgement = verdict.judgement
    for problem in judgement.errors:
        yield f"{problem.what}: {problem.hint}"
    for problem in judgement.warnings:
        yield f"warning: {problem.what}: {problem.hint}"
    for silenced in judgement.silenced:
        yield f"silenced by {silenced.by}: {silenced.problem.what}: {silenced.reason}"
    if not judgement.errors:
        yield "no violation of the rules that can be checked here"
    yield f"not checked: {', '.join(verdict.not_checked)}"


def _known_line(known: KnownFile) -> str:
    if known.belongs in ("", known.path):
        return f"{known.path}: {known.what}"
    what = f"also {known.what}" if known.is_also else known.what
    return f"{known.path}: {what}, which belongs at {known.belongs}"


def _block(word: str, lines: Iterable[str]) -> Iterator[str]:
    for number, line in enumerate(lines):
        yield f"{'' if number else word:<8}{line}"


def _problem(problem: Problem) -> dict[str, str]:
    return {"rule": problem.rule, "what": problem.what, "hint": problem.hint}


def _document(seen: Look) -> dict[str, Any]:
    from pipeline.build.rules import Judgement
    from pipeline.model.rules import RULES
    from pipeline.volume.report import reading_document

    judgement = seen.verdict.judgement if seen.verdict else Judgement()
    return {
        "cardkiln-look": 2,
        "path": seen.named.shown,
        "volume": reading_document(seen.reading) if seen.reading else None,
        "files": [asdict(file) for file in seen.files],
        "litter": seen.litter,
        "board": {"id": seen.board.id if seen.board else None, "why": seen.why},
        "cores": seen.cores,
        "titles": seen.titles,
        "card": seen.card,
        "unknown-cores": seen.unknown_cores,
        "broken-rules": [_problem(problem) for problem in judgement.errors],
        "warnings": [_problem(problem) for problem in judgement.warnings],
        "silenced": [
            {**_problem(found.problem), "reason": found.reason, "by": found.by} for found in judgement.silenced
        ],
        "not-checked": seen.verdict.not_checked if seen.verdict else list(RULES),
        "known": [asdict(known_file) for known_file in seen.known],
        "sound": seen.is_sound,
    }
