"""The doit tasks: what depends on what, and what each does. Stages decide themselves whether they are up to date."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Any

from pipeline.build import check, find, prune, rules, settle
from pipeline.build.build import Build
from pipeline.build.flow import STAGES, Stage, build_title
from pipeline.engine.job import Job, StoppedError, say, told
from pipeline.engine.report import Report
from pipeline.errors import CardkilnError
from pipeline.explain import build_log
from pipeline.workspace.owner import check_owner, note_owner_once

BUILD = Build.here()

DOIT_CONFIG = {
    # one card after the other
    "default_tasks": ["check", *(f"sheet:{card}" for card in BUILD.workspace.names("cards"))],
    "reporter": Report,
    "verbosity": 2,
    # Outputs carry their own state, so the engine needs none: nothing to lose, to lock or to go stale.
    "backend": "sqlite3",
    "dep_file": ":memory:",
}

CHECK = Job(BUILD.workspace, "check", partial(check.run, BUILD))

FIND = Job(BUILD.workspace, "find", partial(find.run, BUILD))
"""Runs once before the first stage that needs something from the sources, and not at all when none does.

It is no task: ``doit find`` is a command, which lists all that is missing, and doit gives each name only once.
"""

NOTES = build_log.Notes(BUILD)

PLAN, CONFIG, IMAGE, RECORD, SHEET = STAGES

Task = dict[str, Any]


def task_check() -> Task:
    """Check all manifests, and what every card comes to, without building anything."""
    return {
        "actions": [_check],
        "meta": {"begin": _begin, "end": _end, "owned": _owned, "vanished": _vanished},
        "params": [
            {"name": "list_rules", "long": "list", "type": bool, "default": False, "help": "list all rules"},
            {"name": "explain", "long": "explain", "default": "", "help": "explain one rule, given by its name"},
        ],
    }


def task_rom() -> Iterator[Task]:
    """Assemble the ROM files of each title from its chips."""
    yield _group("rom", task_rom)
    for title in BUILD.workspace.names("titles"):
        yield {**_task(_rom_job(title), "rom", title), "task_dep": ["check"]}


def task_plan() -> Iterator[Task]:
    """Decide the whole layout of each card."""
    yield _group("plan", task_plan)
    for card in BUILD.workspace.names("cards"):
        roms = [f"rom:{title}" for title in _titles(card)]
        yield {**_task(_card_job(PLAN, card), "plan", card), "task_dep": ["check", *roms]}


def task_config() -> Iterator[Task]:
    """Write or change the config files of each card."""
    yield from _after(CONFIG, "plan", task_config)


def task_image() -> Iterator[Task]:
    """Write each card's image as planned, and read it back with other code."""
    yield from _after(IMAGE, "config", task_image)


def task_record() -> Iterator[Task]:
    """Record what is on each finished card, from what, with every checksum."""
    yield from _after(RECORD, "image", task_record)


def task_sheet() -> Iterator[Task]:
    """Write the printable page that goes with each finished card."""
    yield from _after(SHEET, "record", task_sheet)


def _begin(names: list[str]) -> None:
    """Note which tasks are to be done: what only others need may be missing.

    Raises ManifestError when something is to be made in a build folder of other inputs.
    """
    BUILD.asked = tuple(names)
    if any(name.partition(":")[0] != "check" for name in names):
        check_owner(BUILD.workspace)
        note_owner_once(BUILD.workspace)


def _owned() -> list[Path]:
    check_owner(BUILD.workspace)
    return []


def _outputs(task: str) -> list[Path]:
    stage, _, name = task.partition(":")
    return prune.outputs(BUILD.workspace, stage, name)


def _vanished() -> list[Path]:
    return sorted(prune.unclaimed(BUILD))


def _end(dodo: Path | None) -> None:
    """Make durable what was made; with ``dodo``, after all tasks went well, prune and keep that all is up to date."""
    BUILD.workspace.unsynced.sync()
    with suppress(CardkilnError, OSError):  # what is only told to people stops no run
        NOTES.keep()
    if dodo:
        with suppress(CardkilnError, OSError):  # what cannot be told now is looked at by the next run
            prune.prune(BUILD, partial(say, "prune"))
            settle.settle(BUILD, dodo, CHECK.said)


def _check(list_rules: bool, explain: str) -> StoppedError | None:
    if list_rules:
        return told(rules.list_text)
    return told(lambda: rules.explain_text(rules.rule_named(explain))) if explain else CHECK.execute()


def _rom_job(title: str) -> Job:
    def roms_of() -> Any:
        return BUILD.title(BUILD.inputs.manifest.titles[title])

    return Job(
        BUILD.workspace,
        "rom",
        lambda: build_title(BUILD, roms_of()),
        reason=lambda: roms_of().reason(),
        before=FIND,
        instead=lambda: roms_of().take(),
        notes=partial(NOTES.begin, "rom", title),
    )


def _card_job(stage: Stage, card: str) -> Job:
    return Job(
        BUILD.workspace,
        stage.name,
        lambda: stage.run(BUILD.card(card)),
        reason=lambda: stage.reason(BUILD.card(card)),
        before=FIND if stage.reads_sources else None,
        notes=partial(NOTES.begin, stage.name, card),
    )


def _after(stage: Stage, before: str, creator: Callable[[], object]) -> Iterator[Task]:
    """Yield the tasks of a stage that comes after another one of the same card."""
    yield _group(stage.name, creator)
    for card in BUILD.workspace.names("cards"):
        yield {**_task(_card_job(stage, card), stage.name, card), "task_dep": [f"{before}:{card}"]}


def _group(name: str, creator: Callable[[], object]) -> Task:
    return {"basename": name, "name": None, "doc": creator.__doc__}


def _task(job: Job, stage: str, item: str) -> Task:
    return {
        "actions": [job.execute],
        "name": item,
        "doc": f"{stage} of {item}",
        "uptodate": [job.is_current],
        "meta": {"outputs": _outputs},
    }


def _titles(card: str) -> list[str]:
    """Return the titles of a card that have ROM files; none while the manifests are wrong, and the check says so."""
    try:
        return [roms.title.id for roms in BUILD.roms_of(card)]
    except CardkilnError:
        return []
