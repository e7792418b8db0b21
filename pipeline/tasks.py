"""The doit tasks: what depends on what, and what each does. Stages decide for themselves whether they are current."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import partial
from pathlib import Path
from types import ModuleType
from typing import Any

from pipeline.build import check, config, find, image, plan, prune, record, rom, rules, settle, sheet
from pipeline.card.select import select
from pipeline.engine.job import Job, StoppedError, say, told
from pipeline.engine.report import Report
from pipeline.errors import CardkilnError
from pipeline.explain import build_log
from pipeline.model.content import Found
from pipeline.workspace.project import Project

PROJECT = Project.here()

DOIT_CONFIG = {
    "default_tasks": ["check", *(f"sheet:{card}" for card in PROJECT.names("cards"))],  # one card after the other
    "reporter": Report,
    "verbosity": 2,
    # Outputs carry their own state, so the engine needs none: nothing to lose, to lock or to go stale.
    "backend": "sqlite3",
    "dep_file": ":memory:",
}

CHECK = Job(PROJECT, "check", partial(check.run, PROJECT))

FIND = Job(PROJECT, "find", partial(find.run, PROJECT))
"""Runs once before the first stage that needs something from the sources, and not at all when none does.

It is no task: ``doit find`` is a command, which lists all that lacks, and doit gives each name only once.
"""

NOTES = build_log.Notes(PROJECT)

Task = dict[str, Any]


def task_check() -> Task:
    """Check all manifests, and what every card comes to, without building anything."""
    return {
        "actions": [_check],
        "meta": {"begin": _begin, "end": _end},
        "params": [
            {"name": "list_rules", "long": "list", "type": bool, "default": False, "help": "list all rules"},
            {"name": "explain", "long": "explain", "default": "", "help": "explain one rule, given by its name"},
        ],
    }


def task_rom() -> Iterator[Task]:
    """Assemble the ROM files of each title from its chips."""
    yield _group("rom", task_rom)
    for title in PROJECT.names("titles"):
        yield {
            **_stage(rom, "rom", title, partial(_with_sources, rom.run, title)),
            "task_dep": ["check"],
        }


def task_config() -> Iterator[Task]:
    """Write or change the config files of each card."""
    yield _group("config", task_config)
    for card in PROJECT.names("cards"):
        yield {
            **_stage(config, "config", card, partial(config.run, PROJECT, card)),
            "task_dep": [f"plan:{card}"],
        }


def task_plan() -> Iterator[Task]:
    """Decide the whole layout of each card."""
    yield _group("plan", task_plan)
    for card in PROJECT.names("cards"):
        yield {
            **_stage(plan, "plan", card, partial(plan.run, PROJECT, card)),
            "task_dep": ["check", *(f"rom:{title}" for title in _titles(card))],
        }


def task_image() -> Iterator[Task]:
    """Write each card's image as planned, and read it back with other code."""
    yield _group("image", task_image)
    for card in PROJECT.names("cards"):
        yield {
            **_stage(image, "image", card, partial(_with_sources, image.run, card)),
            "task_dep": [f"config:{card}"],
        }


def task_record() -> Iterator[Task]:
    """Record what is on each finished card, from what, with every checksum."""
    yield _group("record", task_record)
    for card in PROJECT.names("cards"):
        yield {
            **_stage(record, "record", card, partial(record.run, PROJECT, card)),
            "task_dep": [f"image:{card}"],
        }


def task_sheet() -> Iterator[Task]:
    """Write the printable page that goes with each finished card."""
    yield _group("sheet", task_sheet)
    for card in PROJECT.names("cards"):
        yield {
            **_stage(sheet, "sheet", card, partial(sheet.run, PROJECT, card)),
            "task_dep": [f"record:{card}"],
        }


def _begin(names: list[str]) -> None:
    """Note which tasks are to be done: what only others need may be missing."""
    PROJECT.asked = tuple(names)


def _end(dodo: Path | None) -> None:
    """Make durable what was made; with ``dodo``, after all tasks went well, prune and keep that all is current."""
    PROJECT.unsynced.sync()
    with suppress(CardkilnError, OSError):  # what is only told to people stops no run
        NOTES.keep()
    if dodo:
        with suppress(CardkilnError, OSError):  # what cannot be told now is looked at by the next run
            removed = prune.prune(PROJECT)
            if removed:
                say("prune", removed)
            settle.settle(PROJECT, dodo, CHECK.said)


def _check(list_rules: bool, explain: str) -> StoppedError | None:
    if list_rules:
        return told(rules.list_text)
    return told(lambda: rules.explain_text(rules.rule_named(explain))) if explain else CHECK.execute()


def _with_sources(run: Callable[[Project, str, Found], str], item: str) -> str:
    return run(PROJECT, item, find.complete(PROJECT))


def _group(name: str, creator: Callable[[], object]) -> Task:
    return {"basename": name, "name": None, "doc": creator.__doc__}


def _stage(stage: ModuleType, name: str, item: str, run: Callable[[], str]) -> Task:
    before = FIND if stage in (rom, plan, image) else None
    why = partial(stage.reason, PROJECT, item)
    instead = partial(rom.take, PROJECT, item) if stage is rom else lambda: None
    job = Job(PROJECT, name, run, why, before, instead, partial(NOTES.begin, name, item))
    return {**_task(job), "name": item, "doc": f"{name} of {item}", "uptodate": [job.is_current]}


def _task(job: Job) -> Task:
    return {"actions": [job.execute]}


def _titles(card: str) -> list[str]:
    """Return the titles of a card that have ROM files; none while the manifests are wrong, and the check says so."""
    try:
        titles = select(PROJECT.manifest, PROJECT.manifest.cards[card]).titles
    except CardkilnError:
        return []
    return [title.id for title in titles if title.roms]
