"""The command ``doit write``: a finished card onto real ones, with every guard against the wrong disk."""

from __future__ import annotations

import csv
import errno
import io
import json
import sys
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from threading import Event
from typing import TYPE_CHECKING, Any

from pipeline.commands.arguments import opened_card
from pipeline.commands.base import JSON, OwnCommand
from pipeline.engine import console
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import MachineError, ManifestError, Place, Problem, RefusedError
from pipeline.model.text import shown
from pipeline.workspace.atomic_write import write_if_changed

if TYPE_CHECKING:
    from pipeline.device.disk import Disk
    from pipeline.inspect.opened_build import OpenedBuild
    from pipeline.media import write

FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""What a cell begins with that a spreadsheet takes for a formula."""


class Write(OwnCommand):
    """Writes only what the plan uses, only what differs, and reads it back past the cache."""

    name = "write"
    cmd_options = (
        {"name": "serial", "long": "serial", "type": str, "metavar": "SERIAL", "default": "",
         "help": "the serial the device must have"},
        {"name": "yes", "long": "yes", "type": bool, "default": False, "help": "do not ask; needs --serial"},
        {"name": "large", "long": "large", "type": bool, "default": False, "help": "allow disks larger than cards"},
        {"name": "log", "long": "log", "type": str, "metavar": "NAME", "default": "",
         "help": "add what each device got to NAME.csv (formulas as text, with an apostrophe) and NAME.json"},
        {"name": "no-keep", "long": "no-keep", "type": bool, "default": False,
         "help": "give up what is yours on it (keep)"},
        JSON,
    )  # fmt: skip

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Write, read back, and say what was proven."""
        if len(words) < 2:
            raise ManifestError.one(f"expected {self.doc_usage}", "doit cards shows the devices; there is no default")
        with opened_card(self, words[0]) as card:
            return self._write(card, options, words)

    def _write(self, card: OpenedBuild, options: Mapping[str, Any], words: Sequence[str]) -> int:
        from pipeline.media import write

        by_hand = write.steps_by_hand(self.workspace, card)
        if by_hand:
            print_lines(by_hand.splitlines())
            return RefusedError.exit_code
        log = Log(Path(options["log"])) if options["log"] else None
        targets = self._agreed(card, options, words)
        results, stopped = _write(card, targets)
        moment = datetime.now(UTC).isoformat(timespec="seconds")
        rows = [write.row(card, result, moment) for result in results]
        if options["json"]:
            print_json({"cardkiln-write": 1, "devices": rows})
        for result in results:
            if not options["json"]:
                print_lines([write.summary(result)])
            sys.stderr.write("".join(f"{problem}\n" for problem in self.workspace.located(result.problems)))
        if log:
            log.add(rows)
        return console.INTERRUPTED if stopped else max(result.exit_code for result in results)

    def _agreed(self, card: OpenedBuild, options: Mapping[str, Any], words: Sequence[str]) -> tuple[write.Target, ...]:
        """Return the disks that may be written: what was shown and agreed to is still in them after the answer."""
        from pipeline.media import write
        from pipeline.media.keep import keep_before_writing
        from pipeline.workspace.workspace import how_to_build

        name, paths = words[0], words[1:]
        again = f"build with them ({how_to_build(card.card)}), then write"
        then = again if name == card.card else "run this once more: it puts them onto the image first"
        targets = write.chosen(paths, card, large=options["large"])
        while True:
            if not options["no-keep"]:
                for target in targets:
                    keep_before_writing(self.workspace, card, Path(target.disk.path), then)
            asked = _agree(card, [target.disk for target in targets], options["serial"], yes=options["yes"])
            now = write.chosen(paths, card, large=options["large"])
            changed = [new.disk.path for old, new in zip(targets, now, strict=True) if old != new]
            if not changed:
                return targets
            what = "the card was exchanged or changed while you were asked; nothing was written"
            if not asked:
                raise RefusedError([Problem(Place(path), what, "start again") for path in changed])
            print_lines(f"{path}: {what}. Look at the card, and answer once more." for path in changed)
            targets = now


def _write(card: OpenedBuild, targets: Sequence[write.Target]) -> tuple[list[write.DiskResult], bool]:
    """Write all disks at once; return what came of each, and whether a person stopped it.

    Ctrl-C stops each after the part it is writing, as a card that does not look valid.
    """
    from concurrent.futures import ThreadPoolExecutor, wait

    from pipeline.media import write

    stopped = Event()

    def go_on(_: int) -> None:
        if stopped.is_set():
            raise OSError(errno.ECANCELED, "stopped")

    with ThreadPoolExecutor(len(targets)) as threads:
        running = [threads.submit(write.write, card, target, go_on) for target in targets]
        try:
            wait(running)
        except KeyboardInterrupt:
            stopped.set()
        return [future.result() for future in running], stopped.is_set()


def _agree(card: OpenedBuild, disks: Sequence[Disk], serial: str, *, yes: bool) -> bool:
    """Return when a person, or a caller who named the serial, agreed to lose what is on the disks: whether it asked."""
    from pipeline.device.guards import agreed, rounded

    asked = False
    for disk in disks:
        if serial and (len(disks) > 1 or disk.serial != serial):
            found = disk.serial or "none"
            raise RefusedError.one(f"its serial is {found}, expected {serial}", "it is another card", file=disk.path)
        if yes and serial:
            continue
        if yes or not sys.stdin.isatty():
            what = "no terminal to ask on; expected --serial and --yes with one device"
            raise RefusedError.one(what, "or run it in a terminal", file=disk.path)
        if not asked:
            print_lines([f"{card.card}, version {card.version}: image SHA-256 {card.sha256}"])
        asked, expected = True, agreed(disk)
        label = f", labelled {disk.label}" if disk.label else ""
        what = f"{disk.model or disk.kind}, {rounded(disk.size)}{label}"
        print_lines([f"{disk.path}: {what}. Everything on it is lost."])
        if _typed(f"To agree, type: {expected}\n> ") != expected:
            raise RefusedError.one("you did not agree; nothing was written", file=disk.path)
    return asked


def _typed(question: str) -> str:
    """Return what a person types, "" for the end of input (Ctrl-D)."""
    try:
        return input(question).strip()
    except EOFError:
        print_lines([""])
        return ""


def _as_text(cell: str | int) -> str | int:
    """Return a cell that a spreadsheet shows and does not run: with an apostrophe before what begins a formula.

    Common practice. The model of a disk is its maker's to choose, and the serial of a loop device is a file's name.
    """
    if not isinstance(cell, str):
        return cell
    return f"'{shown(cell)}" if cell.startswith(FORMULA) else shown(cell)


class Log:
    """The batch record, NAME.csv and NAME.json; read before anything is written to a card.

    Both hold the same, but for the apostrophe before cells of the table that a spreadsheet would run.
    """

    def __init__(self, name: Path) -> None:
        self.csv, self.json = (name.with_name(name.name + suffix) for suffix in (".csv", ".json"))
        if not name.absolute().parent.is_dir():
            raise MachineError.one("there is no such folder", "correct --log", file=str(name.parent))
        self.rows: list[Mapping[str, str | int]] = self._read() if self.json.exists() else []

    def _read(self) -> list[Mapping[str, str | int]]:
        from pipeline.media import write

        try:
            document = json.loads(self.json.read_bytes())
            if document["cardkiln-batch"] == 1 and all(set(row) == set(write.COLUMNS) for row in document["devices"]):
                return list(document["devices"])
        except (ValueError, LookupError, TypeError):
            pass
        raise MachineError.one(
            "is not a batch record; nothing was written", "name another with --log", file=str(self.json)
        )

    def add(self, rows: Sequence[Mapping[str, str | int]]) -> None:
        """Add rows to both files."""
        from pipeline.media import write

        self.rows += rows
        text = io.StringIO(newline="")
        table = csv.DictWriter(text, write.COLUMNS)
        table.writeheader()
        table.writerows({name: _as_text(value) for name, value in row.items()} for row in self.rows)
        document = {"cardkiln-batch": 1, "devices": self.rows}
        write_if_changed(self.json, (json.dumps(document, indent=1) + "\n").encode())
        write_if_changed(self.csv, text.getvalue().encode())
