"""The doit tasks: what depends on what, and what each does. Stages decide themselves whether they are up to date.

Their names come from the file names of the manifests, and everything else is imported and read when a task runs: a
list of the tasks costs no more than doit's own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.engine.asked import RunOptions, may_be_named
from pipeline.engine.job import Job, TaskStoppedError, print_text, say
from pipeline.engine.report import Reporter
from pipeline.engine.rom_jobs import RomJobs
from pipeline.errors import CardkilnError
from pipeline.model.outcome import Outcome
from pipeline.workspace.workspace import Workspace

if TYPE_CHECKING:
    from pipeline.build.build import Build
    from pipeline.build.find import MissingContents
    from pipeline.build.flow import Stage
    from pipeline.build.inputs import Output
    from pipeline.build.rom import TitleRoms
    from pipeline.engine.ahead import Ahead
    from pipeline.explain.build_log import Notes
    from pipeline.workspace.uptodate import Current

WORKSPACE = Workspace.here()

DOIT_CONFIG = {
    # one card after the other
    "default_tasks": ["check", *(f"sheet:{card}" for card in WORKSPACE.names("cards"))],
    "reporter": Reporter,
    "verbosity": 2,
    # What does not depend on what failed is built, and all that is wrong is told in one run.
    "continue": True,
    # Outputs carry their own state, so the engine needs none: nothing to lose, to lock or to go stale.
    "backend": "sqlite3",
    "dep_file": ":memory:",
}

Task = dict[str, Any]


ASKED: list[str] = []
"""Names of the tasks that are to be done."""


@cache
def build() -> Build:
    """Return the build of this run."""
    from pipeline.build.build import Build
    from pipeline.build.inputs import Inputs

    made = Build(Inputs.sound(WORKSPACE))
    made.asked = tuple(ASKED)
    return made


@cache
def notes() -> Notes:
    """Return the log of what this run does."""
    from pipeline.explain.build_log import Notes

    return Notes(build())


def _check_manifests() -> str:
    from pipeline.build import check

    return check.run(build())


def _find() -> str:
    from pipeline.build import find

    return find.run(build())


CHECK = Job(WORKSPACE, "check", _check_manifests)

FIND = Job(WORKSPACE, "find", _find)
"""Says once what was found, before the first stage that needs something from the sources; not at all when none does.

It is no task: ``doit find`` is a command, which lists all that is missing, and doit gives each name only once.
"""


@cache
def lacking() -> MissingContents:
    """Return what is missing for what this run is to make."""
    from pipeline.build.find import MissingContents

    return MissingContents(build())


def _find_for(output: Output) -> Outcome | None:
    """Search the sources once; raises CheckError when something that goes into the output is missing."""
    lacking().check(output)
    return _say_found()


def _say_found() -> Outcome | None:
    if FIND.done or lacking().problems:
        return None
    outcome = FIND.attempt()
    if outcome.exit_code:
        return outcome  # the stage that needs it tells
    FIND.tell(outcome)
    return None


def _search() -> bool:
    """Search the sources, and return whether that went well, though something may be missing."""
    return _say_found() is None


@cache
def ahead() -> Ahead:
    """Return what this run does before its turn."""
    from pipeline.engine.ahead import Ahead

    return Ahead(
        build(), OPTIONS[0].processes, rom_job=_rom_job, stage_job=_card_job, note=notes().begin, search=_search
    )


OPTIONS = [RunOptions()]
"""How this run goes about its tasks."""


def task_check() -> Task:
    """Check all manifests, and what every card comes to, without building anything."""
    return {
        "actions": [_check],
        "meta": {
            "options": _with_options,
            "begin": _begin,
            "unchanged": _unchanged,
            "end": _end,
            "owned": _owned,
            "vanished": _vanished,
        },
        "params": [
            {"name": "list_rules", "long": "list", "type": bool, "default": False, "help": "list all rules"},
            {"name": "explain", "long": "explain", "default": "", "help": "explain one rule, given by its name"},
        ],
    }


def task_rom() -> Iterator[Task]:
    """Assemble the ROM files of each title from its chips."""
    yield _group("rom", task_rom)
    for title in WORKSPACE.names("titles") if may_be_named("rom") else ():
        is_current, execute = partial(ROM_JOBS.is_current, title), partial(ROM_JOBS.execute, title)
        yield {**_task(is_current, execute, "rom", title), "task_dep": ["check"]}


def task__roms_of() -> Iterator[Task]:
    """Assemble the ROM files of a card's titles; none while the manifests are wrong, and the check says so."""
    for card in WORKSPACE.names("cards"):
        yield {"name": card, "actions": [partial(_roms_of, card)], "task_dep": ["check"]}


def task_plan() -> Iterator[Task]:
    """Decide the whole layout of each card."""
    yield _group("plan", task_plan)
    for card in WORKSPACE.names("cards"):
        task = _card_task("plan", card)
        meta = {**task["meta"], "before": _roms_before}
        yield {**task, "task_dep": ["check"], "calc_dep": [f"_roms_of:{card}"], "meta": meta}


def task_config() -> Iterator[Task]:
    """Write or change the config files of each card."""
    yield from _after("config", "plan", task_config)


def task_image() -> Iterator[Task]:
    """Write each card's image as planned, and read it back with other code."""
    yield from _after("image", "config", task_image)


def task_record() -> Iterator[Task]:
    """Record what is on each finished card, from what, with every checksum."""
    yield from _after("record", "image", task_record)


def task_sheet() -> Iterator[Task]:
    """Write the printable page that goes with each finished card."""
    yield from _after("sheet", "record", task_sheet)


def _with_options(options: RunOptions) -> None:
    OPTIONS[0] = options


def _begin(names: list[str]) -> None:
    """Note which tasks are to be done: what only others need may be missing.

    Raises ManifestError when something is to be made in a build folder of other inputs.
    """
    from pipeline.workspace.owner import check_owner, note_owner_once

    ASKED[:] = names
    if any(name.partition(":")[0] != "check" for name in names):
        check_owner(WORKSPACE)
        note_owner_once(WORKSPACE)


def _unchanged(dodo: Path) -> Current | None:
    """Return what was seen when all was current, if the manifests say the same as then and all else looks the same."""
    from pipeline.build import uptodate_snapshot

    return uptodate_snapshot.unchanged(WORKSPACE, dodo)


def _owned() -> list[Path]:
    from pipeline.workspace.owner import check_owner

    check_owner(WORKSPACE)
    return []


def _outputs(task: str) -> list[Path]:
    from pipeline.build import prune

    stage, _, name = task.partition(":")
    return prune.outputs(WORKSPACE, stage, name)


def _forget(task: str) -> None:
    stage, _, name = task.partition(":")
    if stage == "rom" and name in WORKSPACE.rom_stamps:
        WORKSPACE.rom_stamps.write(name, None)


def _roms_before(task: str) -> list[str]:
    return [f"rom:{title}" for title in _titles_of(task.partition(":")[2])]


def _vanished() -> list[Path]:
    from pipeline.build import prune

    return sorted(prune.unclaimed(build()))


def _end(dodo: Path | None) -> None:
    """Make durable what was made; with ``dodo``, after all tasks went well, prune and keep that all is up to date."""
    from pipeline.build import prune, uptodate_snapshot

    WORKSPACE.unsynced.sync()
    known: dict[str, bool] = {}

    def are_current(cards: Sequence[str]) -> Mapping[str, bool]:
        known.update(ahead().are_current([card for card in cards if card not in known]))
        return known

    if dodo:
        with suppress(CardkilnError, OSError):  # what cannot be told now is looked at by the next run
            cards = [*build().inputs.manifest.cards]
            prune.prune(build(), partial(say, "prune"))
            uptodate_snapshot.keep_snapshot(build(), dodo, CHECK.run_captured, lambda: all(are_current(cards).values()))
    with suppress(CardkilnError, OSError):  # what is only told to people stops no run
        notes().keep(are_current)


def _check(list_rules: bool, explain: str) -> TaskStoppedError | dict[str, Any] | None:
    from pipeline.build import rules

    if list_rules:
        return print_text(rules.list_text)
    if explain:
        return print_text(lambda: rules.explain_text(rules.rule_named(explain)))
    stopped, found = CHECK.execute(), build().failure
    if stopped or not found:
        return stopped
    return {"problems": [str(problem) for problem in WORKSPACE.located(found.problems)], "exit-code": found.exit_code}


def _rom_job(title: str) -> Job:
    def roms() -> TitleRoms:
        return build().title(build().inputs.title(title))

    def run() -> str:
        from pipeline.build.flow import build_title

        return build_title(build(), roms())

    return Job(
        WORKSPACE,
        "rom",
        run,
        reason=lambda: roms().reason(),
        before=partial(_find_for, ("rom", title)),
        instead=lambda: roms().take(),
        notes=lambda why: notes().begin("rom", title, why),
        ahead=lambda: ahead().title(title),
    )


ROM_JOBS = RomJobs(_rom_job)


def _card_job(name: str, card: str) -> Job:
    return Job(
        WORKSPACE,
        name,
        lambda: _stage(name).run(build().card(card)),
        reason=lambda: _stage(name).reason(build().card(card)),
        before=partial(_find_for, ("card", card)) if name in ("plan", "image") else None,
        notes=lambda why: notes().begin(name, card, why),
        ahead=lambda: ahead().stage(name, card),
    )


def _stage(name: str) -> Stage:
    from pipeline.build.flow import STAGES

    return next(stage for stage in STAGES if stage.name == name)


def _after(name: str, before: str, creator: Callable[[], object]) -> Iterator[Task]:
    """Yield the tasks of a stage that comes after another one of the same card."""
    yield _group(name, creator)
    for card in WORKSPACE.names("cards"):
        yield {**_card_task(name, card), "task_dep": [f"{before}:{card}"]}


def _group(name: str, creator: Callable[[], object]) -> Task:
    return {"basename": name, "name": None, "doc": creator.__doc__}


def _card_task(name: str, card: str) -> Task:
    job = _card_job(name, card)
    return _task(job.is_current, job.execute, name, card)


def _task(is_current: Callable[[], bool], execute: Callable[[], object], stage: str, item: str) -> Task:
    return {
        "actions": [execute],
        "name": item,
        "doc": f"{stage} of {item}",
        "uptodate": [is_current],
        "meta": {"outputs": _outputs, "forget": _forget},
    }


def _roms_of(card: str) -> TaskStoppedError | dict[str, Any]:
    return ROM_JOBS.execute_all(_titles_of(card), OPTIONS[0])


def _titles_of(card: str) -> list[str]:
    try:
        return [roms.title.id for roms in build().roms_of(card)]
    except CardkilnError:
        return []
