"""The command ``doit write``: a finished card onto real ones, with every guard against the wrong disk."""

from __future__ import annotations

import csv
import errno
import io
import json
import sys
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor, wait
from datetime import UTC, datetime
from pathlib import Path
from threading import Event
from typing import Any

from pipeline.commands.arguments import card_named
from pipeline.commands.base import JSON, OwnCommand
from pipeline.device.disk import Disk
from pipeline.device.guards import agreed, rounded
from pipeline.engine import console
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import MachineError, ManifestError, RefusedError
from pipeline.media import write
from pipeline.media.keep import keep_before_writing
from pipeline.model.text import shown
from pipeline.workspace.stamp import write_if_changed


class Write(OwnCommand):
    """Writes only what the plan uses, only what differs, and reads it back past the cache."""

    name = "write"
    doc_purpose = "write a finished card to an SD card; everything on that card is lost"
    doc_usage = "CARD DEVICE [DEVICE ...]"
    doc_description = (
        "CARD: the id of a card that was built. DEVICE: the whole disk, such as /dev/sdb; doit cards shows them. You "
        "are asked to type model and size of each. Unattended, name exactly one device, its serial, and --yes."
    )
    cmd_options = (
        {"name": "serial", "long": "serial", "type": str, "default": "", "help": "the serial the device must have"},
        {"name": "yes", "long": "yes", "type": bool, "default": False, "help": "do not ask; needs --serial"},
        {"name": "large", "long": "large", "type": bool, "default": False, "help": "allow disks larger than cards"},
        {"name": "log", "long": "log", "type": str, "default": "",
         "help": "add what each device got to NAME.csv and NAME.json"},
        {"name": "no-keep", "long": "no-keep", "type": bool, "default": False,
         "help": "give up what is yours on it (keep)"},
        JSON,
    )  # fmt: skip

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Write, read back, and say what was proven."""
        if len(words) < 2:
            raise ManifestError.one(f"expected {self.doc_usage}", "doit cards shows the devices; there is no default")
        card = write.ready(self.build, card_named(self.inputs.manifest, words[0]))
        by_hand = write.steps_by_hand(self.workspace, card)
        if by_hand:
            print_lines(by_hand.splitlines())
            return RefusedError.exit_code
        disks = write.chosen(words[1:], card, large=options["large"])
        if not options["no-keep"]:
            for disk in disks:
                keep_before_writing(self.inputs, card.card, card.plan, Path(disk.path))
        log = Log(Path(options["log"])) if options["log"] else None
        _agree(disks, options["serial"], yes=options["yes"])
        results, stopped = _write(card, disks)
        moment = datetime.now(UTC).isoformat(timespec="seconds")
        rows = [write.row(card, result, moment) for result in results]
        if options["json"]:
            print_json({"cardkiln-write": 1, "devices": rows})
        for result in results:
            if not options["json"]:
                print_lines([write.summary(result)])
            sys.stderr.write("".join(f"{problem}\n" for problem in result.problems))
        if log:
            log.add(rows)
        return console.INTERRUPTED if stopped else max(result.exit_code for result in results)


def _write(card: write.Ready, disks: Sequence[Disk]) -> tuple[list[write.Result], bool]:
    """Write all disks at once; return what came of each, and whether a person stopped it.

    Ctrl-C stops each after the part it is writing, as a card that does not look valid.
    """
    stopped = Event()

    def go_on(_: int) -> None:
        if stopped.is_set():
            raise OSError(errno.ECANCELED, "stopped")

    with ThreadPoolExecutor(len(disks)) as threads:
        running = [threads.submit(write.write, card, disk, go_on) for disk in disks]
        try:
            wait(running)
        except KeyboardInterrupt:
            stopped.set()
        return [one.result() for one in running], stopped.is_set()


def _agree(disks: Sequence[Disk], serial: str, *, yes: bool) -> None:
    """Return when a person, or a caller who named the serial, agreed to lose what is on the disks."""
    for disk in disks:
        if serial and (len(disks) > 1 or disk.serial != serial):
            found = disk.serial or "none"
            raise RefusedError.one(f"its serial is {found}, expected {serial}", "this is another card", file=disk.path)
        if yes and serial:
            continue
        if yes or not sys.stdin.isatty():
            what = "nobody is asked here; expected --serial and --yes with one device"
            raise RefusedError.one(what, "or run it in a terminal", file=disk.path)
        expected = agreed(disk)
        label = f", labelled {disk.label}" if disk.label else ""
        what = f"{disk.model or disk.kind}, {rounded(disk.size)}{label}"
        print_lines([f"{disk.path}: {what}. Everything on it is lost."])
        if _typed(f"To agree, type: {expected}\n> ") != expected:
            raise RefusedError.one("you did not agree; nothing was written", file=disk.path)


def _typed(question: str) -> str:
    """Return what a person types, "" for the end of input (Ctrl-D)."""
    try:
        return input(question).strip()
    except EOFError:
        print_lines([""])
        return ""


class Log:
    """The batch record, NAME.csv and NAME.json, which hold the same; read before anything is written to a card."""

    def __init__(self, name: Path) -> None:
        self.csv, self.json = (name.with_name(name.name + suffix) for suffix in (".csv", ".json"))
        if not name.absolute().parent.is_dir():
            raise MachineError.one("there is no such folder", "correct --log", file=str(name.parent))
        self.rows: list[Mapping[str, str | int]] = self._read() if self.json.exists() else []

    def _read(self) -> list[Mapping[str, str | int]]:
        try:
            document = json.loads(self.json.read_bytes())
            if document["cardkiln-batch"] == 1 and all(set(row) == set(write.COLUMNS) for row in document["devices"]):
                return list(document["devices"])
        except (ValueError, LookupError, TypeError):
            pass
        raise MachineError.one(
            "is no batch record; nothing was written", "name another with --log", file=str(self.json)
        )

    def add(self, rows: Sequence[Mapping[str, str | int]]) -> None:
        """Add rows to both files."""
        self.rows += rows
        text = io.StringIO(newline="")
        table = csv.DictWriter(text, write.COLUMNS, lineterminator="\n")
        table.writeheader()
        table.writerows({key: shown(value) for key, value in row.items()} for row in self.rows)
        document = {"cardkiln-batch": 1, "devices": self.rows}
        write_if_changed(self.json, (json.dumps(document, indent=1) + "\n").encode())
        write_if_changed(self.csv, text.getvalue().encode())
