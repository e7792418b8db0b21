"""The command ``doit cluster``: cards are built on the machines of a cluster, and checked here."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.commands.base import JSON, OwnCommand

if TYPE_CHECKING:
    from pipeline.cluster.scheduler import CardResult, Scheduler
    from pipeline.errors import Problem
    from pipeline.store.store import Store


class Cluster(OwnCommand):
    """Builds the cards that are out of date; exit code as for ``doit``."""

    name = "cluster"
    cmd_options = (JSON,)

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Build what is out of date, and say what was done with each card."""
        from pipeline.build import check, find
        from pipeline.build.flow import out_of_date
        from pipeline.engine.console import print_json, print_lines
        from pipeline.workspace.crash_recovery import sweeping
        from pipeline.workspace.lock import locked
        from pipeline.workspace.owner import check_owner, note_owner_once

        start = time.monotonic()
        address, cards = self._asked(words)
        done: dict[str, dict[str, Any]] = {}
        say: Callable[[str], None] = (lambda _: None) if options["json"] else lambda line: print_lines([line])
        self.build.asked = tuple(f"sheet:{card}" for card in cards)
        check_owner(self.workspace)
        with locked(self.workspace.build):
            note_owner_once(self.workspace)
            with sweeping(self.workspace.build):
                say(f"check   {check.run(self.build)}")
                due = [card for card in cards if any(out_of_date(self.build, card))]
                if due:
                    find.complete(self.build)
                    done |= self._built(address, due, say)
        for card in cards:
            done.setdefault(card, {"exit-code": 0, "line": "up to date", "worker": "", "problems": []})
        code = max(card["exit-code"] for card in done.values())
        if options["json"]:
            print_json({"cardkiln-cluster": 1, "cards": {card: done[card] for card in cards}})
        else:
            failed = sum(card["exit-code"] != 0 for card in done.values())
            built = f"{len(due) - failed} of {len(due)} cards built" if due else "up to date"
            say(f"{built} ({time.monotonic() - start:.1f} s)")
        return int(code)

    def _asked(self, words: Sequence[str]) -> tuple[str, list[str]]:
        """Return the address of the scheduler, "" for a cluster of this machine, and the cards."""
        import os

        from pipeline.cluster.scheduler import VARIABLE
        from pipeline.commands.arguments import card_named

        address, names = os.environ.get(VARIABLE, ""), [*words]
        if names and "://" in names[0]:
            address = names.pop(0)
        manifest = self.inputs.manifest
        return address, list(dict.fromkeys(card_named(manifest, name) for name in names)) or [*manifest.cards]

    def _built(self, address: str, cards: Sequence[str], say: Callable[[str], None]) -> dict[str, dict[str, Any]]:
        """Return what came of each card, by its id. What workers answer is checked by as many processes as pay."""
        import os
        import sys

        from pipeline.cluster.scheduler import connected
        from pipeline.processes import processors, started
        from pipeline.store.store import CONTENTS_TOO

        store, done = self.workspace.store, {}
        to_store = store if os.environ.get(CONTENTS_TOO, "") not in ("", "0") else None
        count = min(processors(), len(cards))
        with self._scratch() as scratch, started(count, partial(self._accepted, scratch)) as accepted:
            with connected(address) as machines:
                say(_told(machines))
                for card, outcome, problems in accepted(self._results(machines, cards, to_store)):
                    done[card] = outcome
                    _warn(store.problems() if store else ())
                    if problems:
                        sys.stderr.write("".join(f"{problem}\n" for problem in problems))
                    else:
                        say(f"card    {card}: built on {outcome['worker']}, {outcome['line']}")
            self._sync(cards)
        return done

    def _results(self, machines: Scheduler, cards: Sequence[str], store: Store | None) -> Iterator[CardResult]:
        """Yield what comes of each card on the cluster; those that the store loses travel once more, without it."""
        from pipeline.cluster.accept import received
        from pipeline.cluster.parcel import LostError, pack_parcel
        from pipeline.errors import CardkilnError

        lost = list[str]()
        jobs = ((card, partial(pack_parcel, self.inputs, card, store)) for card in cards)
        for result in machines.build(jobs, to_store=store is not None):
            try:
                yield replace(result, answer=received(self.build, result.card, result.built()))
            except LostError as error:
                if store is None:
                    yield replace(result, answer=error)
                    continue
                if not lost:
                    _warn(error.problems)
                lost.append(result.card)
            except CardkilnError as error:
                yield replace(result, answer=error)
        if lost:
            yield from self._results(machines, lost, None)

    def _accepted(self, scratch: Path, result: CardResult) -> tuple[str, dict[str, Any], tuple[Problem, ...]]:
        """Check what a worker answers; return the card, what came of it as JSON has it, and the problems."""
        from pipeline.cluster.accept import accept
        from pipeline.errors import CardkilnError
        from pipeline.workspace.progress import be_quiet

        if self.workspace.is_worker:
            be_quiet()
        code, line = 0, ""
        problems: tuple[Problem, ...] = ()
        try:
            line = accept(self.build, result.card, result.built(), scratch)
        except CardkilnError as error:
            code, problems = error.exit_code, self.workspace.located(error.problems)
        told = [asdict(problem) for problem in problems]
        return result.card, {"exit-code": code, "line": line, "worker": result.worker, "problems": told}, problems

    def _sync(self, cards: Sequence[str]) -> None:
        """Have the ROM files that other processes wrote be durable."""
        for roms in {roms.title.id: roms for card in cards for roms in self.build.roms_of(card)}.values():
            for path in roms.paths.values() if roms.reason() else ():
                if path.exists():
                    self.workspace.unsynced.add(path, path.stat().st_size)
        self.workspace.unsynced.sync()

    @contextmanager
    def _scratch(self) -> Iterator[Path]:
        """Give an empty folder below the build folder that is removed afterwards."""
        scratch = self.workspace.build / "cluster"
        shutil.rmtree(scratch, ignore_errors=True)
        scratch.mkdir(parents=True)
        try:
            yield scratch
        finally:
            shutil.rmtree(scratch, ignore_errors=True)


def _warn(problems: Iterable[Problem]) -> None:
    import sys

    sys.stderr.write("".join(f"warning: {problem}\n" for problem in problems))


def _told(machines: Scheduler) -> str:
    from pipeline.model.text import counted

    dashboard = f", dashboard {machines.dashboard}" if machines.dashboard else ""
    return f"cluster {machines.address}: {counted(len(machines.workers), 'worker')}{dashboard}"
