"""What is done before its turn comes: ROM files while their chips are read, and titles and cards by several processes.

doit goes through the tasks in its order all the same. Where a task's outcome is known it is told, and else the task
does its work; so whatever cannot be done ahead is done as if nothing was.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from typing import TypeVar

from pipeline.build.build import Build
from pipeline.build.find import asked_outputs, is_due
from pipeline.build.flow import STAGES, out_of_date
from pipeline.build.in_passing import InPassing, Made
from pipeline.build.rom import TitleRoms
from pipeline.engine.job import Job, Note, say
from pipeline.errors import CardkilnError, MachineError
from pipeline.model.outcome import Outcome
from pipeline.processes import divided, processors
from pipeline.workspace.crash_recovery import sweep_parts
from pipeline.workspace.progress import be_quiet

WORTH_DIVIDING = 1.0
"""Seconds of work, as estimated, from which several processes are quicker than one."""

TITLE, BYTE = 0.003, 1 / 150e6
"""Seconds that a title takes whatever it holds, and a byte on its way from chip to card."""

Item = TypeVar("Item")
Result = TypeVar("Result")

SHARE = 16
"""Titles that a process builds before it says what came of them."""


class Ahead:
    """Does work ahead. ``processes``: how many, 0 for as many as pay.

    ``rom_job`` and ``stage_job`` give the job of a title, and of a stage (by name) of a card (by id); ``note`` is told
    of a title why it begins; ``search`` searches the sources and says so.
    """

    def __init__(
        self,
        build: Build,
        processes: int,
        *,
        rom_job: Callable[[str], Job],
        stage_job: Callable[[str, str], Job],
        note: Callable[[str, str, str], Note],
        search: Callable[[], bool],
    ) -> None:
        self._build, self._processes, self._search = build, processes, search
        build.inputs.processes = processes
        self._rom_job, self._stage_job, self._note = rom_job, stage_job, note
        self._begun = False
        self._left: dict[str, TitleRoms] = {}
        self._titles: dict[str, Outcome] = {}
        self._said = False
        self._cards: dict[str, dict[str, Outcome]] = {}
        self._coming: Iterator[tuple[str, dict[str, Outcome]]] | None = None

    def title(self, title_id: str) -> Outcome | None:
        """Return what came of a title's ROM files; with the first that is due all of them are built that can be."""
        if not self._begun:
            if self._build.title(self._build.inputs.title(title_id)).reason() is None:
                return None
            self._begun = True
            self._all_titles()
        return self._titles.pop(title_id, None)  # told once

    def stage(self, name: str, card_id: str) -> Outcome | None:
        """Return what came of a stage of a card; with the first all cards are begun where several processes pay."""
        if self._coming is None:
            self._coming = iter(())
            self._coming = self._all_cards()
        while card_id not in self._cards:
            unit = next(self._coming, None)
            if unit is None:
                return None
            self._cards[unit[0]] = unit[1]
        return self._cards[card_id].get(name)

    def are_current(self, cards: Sequence[str]) -> dict[str, bool]:
        """Return which cards have nothing left to do, each stage asked once more, and every ROM file looked at."""
        self._build.look_again()

        def is_current(card_id: str) -> bool:
            try:
                return not any(out_of_date(self._build, card_id))
            except (CardkilnError, OSError):
                return False

        count = self._count(self._cost(cards)) if len(cards) > 1 else 1
        return dict(zip(cards, self._divided(count, is_current, cards), strict=True))

    def _all_titles(self) -> None:
        """Take titles from the store, build others while their chips are searched for, and the rest after that."""
        inputs, store = self._build.inputs, self._build.workspace.store
        self._left = self._due()
        size = sum(rom.size for roms in self._left.values() for rom in roms.title.roms)
        count = self._count(TITLE * len(self._left) + BYTE * size)
        if store:
            self._share(count, self._taken)
        if not self._left:
            return
        inputs.taker = InPassing(self._left.values(), self._built, store, self._receive)
        searched = self._search()
        inputs.taker = None
        if not searched:
            return
        if count > 1:
            self._share(count, self._attempted_title)
        inputs.forget_chips_of({title for title, outcome in self._titles.items() if outcome.made})

    def _due(self) -> dict[str, TitleRoms]:
        """Return the ROM files that are asked for and out of date, by title."""
        build = self._build
        asked = asked_outputs(build)
        titles = (title for title in build.inputs.manifest.titles.values() if ("rom", title.id) in asked and title.roms)
        return {title.id: roms for title in titles if (roms := build.title(title)).reason() is not None}

    def _share(self, count: int, work: Callable[[TitleRoms], Outcome | None]) -> None:
        """Have processes do work for the titles that are left, and receive what came of it, if anything did."""
        store, left = self._build.workspace.store, [*self._left]

        def work_for(titles: Sequence[str]) -> Made:
            outcomes = {title: outcome for title in titles if (outcome := work(self._left[title]))}
            return outcomes, store.failure if store else None

        for made in self._divided(count, work_for, [left[at : at + SHARE] for at in range(0, len(left), SHARE)]):
            self._receive(made)

    def _receive(self, made: Made) -> None:
        """Know what came of titles, in this process or in another one."""
        outcomes, failure = made
        store = self._build.workspace.store
        if store and failure:
            store.hear(failure)
        for title, outcome in outcomes.items():
            roms = self._left.pop(title, None)  # gone where two processes read the same chips
            if roms and outcome.made:
                roms.were_made(outcome.made)
        self._titles |= outcomes

    def _taken(self, roms: TitleRoms) -> Outcome | None:
        """Take a title's ROM files from the store, None where it lacks them, or a problem is to be told at its turn."""
        done = self._begin(roms)
        with suppress(CardkilnError, OSError):
            line = roms.take()
            return None if line is None else done(line)
        return None

    def _built(self, roms: TitleRoms, chips: dict[str, bytes]) -> Outcome:
        """Build a title's ROM files from its chips."""
        return self._begin(roms)(roms.build_from(chips))

    def _begin(self, roms: TitleRoms) -> Callable[[str], Outcome]:
        """Note that a title begins; what comes back gives its outcome from its line."""
        why = roms.reason()
        note = self._note("rom", roms.title.id, why or "")

        def done(line: str) -> Outcome:
            note(line)
            return Outcome(why=why, line=line, made=roms.made)

        return done

    def _attempted_title(self, roms: TitleRoms) -> Outcome:
        outcome = self._attempted(self._rom_job(roms.title.id))
        return outcome if outcome.exit_code else outcome._replace(made=roms.made)

    def _attempted(self, job: Job) -> Outcome:
        return Outcome(why=None) if job.why() is None else job.attempt()

    def _all_cards(self) -> Iterator[tuple[str, dict[str, Outcome]]]:
        build = self._build
        last = _last_stages(build)
        due = [card for card in last if is_due(build, ("card", card))]
        count = self._count(self._cost(due)) if len(due) > 1 else 1
        if count < 2 or not self._search():
            return iter(())
        return self._divided(count, self._build_card, list(last.items()))

    def _build_card(self, item: tuple[str, int]) -> tuple[str, dict[str, Outcome]]:
        """Build a card up to a stage; nothing of one whose ROM files could not be built."""
        card_id, last = item
        outcomes: dict[str, Outcome] = {}
        if any(roms.reason() for roms in self._build.roms_of(card_id)):
            return card_id, outcomes
        for stage in STAGES[: last + 1]:
            outcomes[stage.name] = self._attempted(self._stage_job(stage.name, card_id))
            if outcomes[stage.name].exit_code:
                break
        return card_id, outcomes

    def _cost(self, cards: Sequence[str]) -> float:
        """Return about how many seconds cards take, one after the other."""
        cost = 0.0
        for card_id in cards:
            files = self._build.inputs.copied(self._build.inputs.manifest.cards[card_id]).files
            cost += TITLE * len(files) + BYTE * sum(file.content.size or 0 for file in files)
        return cost

    def _count(self, seconds: float) -> int:
        """Return in how many processes work is done that takes so many seconds in one; say so where that is new."""
        if self._processes:
            return self._processes
        count = processors() if seconds > WORTH_DIVIDING else 1
        if count > 1 and not self._said:
            self._said = True
            say("work", f"in {count} processes; doit -n 1 uses one")
        return count

    def _divided(self, count: int, work: Callable[[Item], Result], items: Sequence[Item]) -> Iterator[Result]:
        """Yield what the work gives for each item; what a process that was killed had begun is removed."""
        workspace = self._build.workspace

        def alone(item: Item) -> Result:
            be_quiet()
            workspace.take_warnings()  # those from before are told by the process that had them
            return work(item)

        try:
            yield from divided(count, alone if count > 1 else work, items)
        except MachineError:
            sweep_parts(workspace.build)
            raise


def _last_stages(build: Build) -> dict[str, int]:
    """Return the cards that the tasks asked for build, in their order, with the number of the last stage of each."""
    numbers = {stage.name: number for number, stage in enumerate(STAGES)}
    last: dict[str, int] = {}
    for card in build.inputs.cards_worked_out():
        for task in build.asked or ("sheet",):
            stage, _, name = task.partition(":")
            if stage in numbers and name in ("", card.id):
                last[card.id] = max(last.get(card.id, 0), numbers[stage])
    return last
