"""What was last done for a card, and why: kept below ``build/state`` by the run itself, told by ``doit why``.

Nothing is decided by it. Where it is damaged or gone, it is not known what was done last, and no more.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

from pipeline.build import record
from pipeline.build.build import Build
from pipeline.errors import CardkilnError
from pipeline.explain.pending_changes import differing
from pipeline.file_digest import sha256_of_file
from pipeline.record.changes_text import changes_text
from pipeline.workspace import state
from pipeline.workspace.stamp import read_outputs
from pipeline.workspace.state_lines import ValueLog
from pipeline.workspace.workspace import Workspace

NEW, SAME, OTHER = "new", "same", "other"


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """One stage that was done. ``item``: the title or card; ``why``: in a few words; ``what``: what it said.

    ``bytes``: whether its outputs were "new", came out as the "same" bytes as before, or as "other" ones. ``differs``:
    what the card's last record said otherwise when the first stage of a run began, as lines.
    """

    stage: str
    item: str
    why: str
    what: str
    bytes: str
    differs: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CardLog:
    """What was done for a card, in order. ``finished``: whether nothing was left to do after it.

    Where something was left, what the next run does belongs to the same chain.
    """

    finished: bool
    steps: tuple[Done, ...]

    @property
    def differs(self) -> tuple[str, ...]:
        """What is now another on the card than it was when the chain began, as lines."""
        return next((step.differs for step in reversed(self.steps) if step.differs), ())


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildLog:
    """What was last done for each card, by its id."""

    cards: dict[str, CardLog]


class Notes:
    """What the run at work does: a line for each stage, in a file that is there until this run ends, or the next."""

    def __init__(self, build: Build) -> None:
        self._build = build
        self._looked_at: set[str] = set()
        self._lines = ValueLog(build.workspace.build / "state" / "reasons.lines")

    def begin(self, stage: str, item: str, why: str) -> Callable[[str], None]:
        """Look at what a stage made before; what comes back notes that it is done, given what it said."""
        before = _made(self._build, stage, item)
        differs: tuple[str, ...] = ()
        if stage != "rom" and item not in self._looked_at:  # while the last record still lies there
            self._looked_at.add(item)
            differs = _differing(self._build, item)

        def done(summary: str) -> None:
            came = NEW if not before else SAME if before == _made(self._build, stage, item) else OTHER
            what = summary.removeprefix(f"{item}: ")
            entry = Done(stage=stage, item=item, why=why, what=what, bytes=came, differs=differs)
            with suppress(OSError):
                self._lines.add(entry)

        return done

    def keep(self, are_current: Callable[[Sequence[str]], Mapping[str, bool]]) -> None:
        """Write what was done for each card; raises CardkilnError and OSError.

        ``are_current``: gives which of some cards have nothing left to do.
        """
        steps_of = _steps_of(self._build, self._lines.read(Done))
        if not steps_of:
            return
        before, now = chains(self._build.workspace), {}
        finished = are_current([card for card, steps in steps_of.items() if steps])
        for card, steps in steps_of.items():
            earlier = before.get(card)
            if steps:
                begun = earlier.steps if earlier and not earlier.finished else ()
                now[card] = CardLog(finished=finished[card], steps=tuple(dict.fromkeys((*begun, *steps))))
            elif earlier:
                now[card] = earlier
        state.write(_path(self._build.workspace), BuildLog(cards=now))
        self._lines.remove()


def chains(workspace: Workspace) -> dict[str, CardLog]:
    """Return what was last done for each card of which that is known."""
    log = state.read(_path(workspace), BuildLog)
    return log.cards if log else {}


def _path(workspace: Workspace) -> Path:
    return workspace.build / "state" / "reasons.json"


def _steps_of(build: Build, done: Iterator[Done]) -> dict[str, list[Done]]:
    """Return what was done for each card; nothing where nothing was done at all."""
    first = next(done, None)
    if first is None:
        return {}
    steps = {card: list[Done]() for card in build.inputs.manifest.cards}
    of_title = defaultdict[str, list[list[Done]]](list)
    for card in build.inputs.manifest.cards.values():
        for title in build.inputs.copied(card).selection.titles:
            of_title[title.id].append(steps[card.id])
    for entry in chain((first,), done):
        for whose in of_title.get(entry.item, ()) if entry.stage == "rom" else (steps.get(entry.item, []),):
            whose.append(entry)
    return steps


def _differing(build: Build, card_id: str) -> tuple[str, ...]:
    try:
        return tuple(changes_text(differing(build.card(card_id))))
    except (CardkilnError, OSError):
        return ()


def _made(build: Build, stage: str, item: str) -> object:
    """Return what tells the bytes of a stage's outputs from others; nothing where there are none.

    Of ROM files and the image that is what their stamp says: they are large, and only what was made counts.
    """
    if stage == "rom":
        return build.title(build.inputs.manifest.titles[item]).made
    if stage == "image":
        return read_outputs(build.workspace.stamp(stage, item))
    folder = build.workspace.card_folder(item)
    paths = {
        "plan": [folder / "plan.json"],
        "config": sorted(build.workspace.config_folder(item).rglob("*")),
        "record": [folder / name for name in record.FILES],
        "sheet": [folder / "sheet.html"],
    }[stage]
    return {str(path): sha256_of_file(path) for path in paths if path.is_file()}
