"""The command ``doit why``: what a build of a card would make again, and why; else what was last made, and why."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from pipeline.commands.arguments import card_named
from pipeline.commands.base import JSON, OwnCommand
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import ManifestError

if TYPE_CHECKING:
    from pipeline.explain.build_log import Done
    from pipeline.explain.pending import Due

SHOWN = 40
"""Lines of each kind that are shown; the rest are counted. As JSON there are all."""

CAME = {"same": "; equal bytes", "other": "; other bytes"}
"""What is added to a line of what was done."""


class Why(OwnCommand):
    """Ends with 0 whether or not something is due; builds nothing."""

    name = "why"
    cmd_options = (JSON,)

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Print what is due, or what was done last where nothing is, and what differs on the card."""
        from pipeline.explain.build_log import chains
        from pipeline.explain.pending import due
        from pipeline.explain.pending_changes import differing, unknown
        from pipeline.record.changes_text import changes_text

        if len(words) != 1:
            raise ManifestError.one(f"expected {self.doc_usage}", "see doit help why")
        card = card_named(self.inputs.manifest, words[0])
        found = due(self.build, card)
        chain = None if found else chains(self.workspace).get(card)
        done = chain.steps if chain else ()
        unbuilt = [stage.item for stage in found if stage.stage == "rom"]
        changes = differing(self.build.card(card), unbuilt) if found else ()
        differs = tuple(changes_text(changes)) if found else chain.differs if chain else ()
        unmade = unknown(self.build.card(card)) if found else ()
        if options["json"]:
            stages = {"due": [asdict(stage) for stage in found], "done": [_step(stage) for stage in done]}
            document = {"cardkiln-why": 1, "card": card, **stages, "differs": differs, "unmade": unmade}
            print_json(document)
        else:
            lines = _due(found, unmade) if found else _done(card, done)
            head = [f"what {'changes' if found else 'changed'} on the card:"] if differs else []
            print_lines([*lines, *head, *(f"  {line}" for line in _some(differs))])
        return 0


def _step(done: Done) -> dict[str, object]:
    return {key: value for key, value in asdict(done).items() if key != "differs"}  # told once for the whole chain


def _due(found: Sequence[Due], unmade: Sequence[str]) -> Iterator[str]:
    yield from _some([f"{due.stage:<8}{due.item}: {due.why}" for due in found])
    if unmade:
        yield f"unknown until built: {', '.join(_some(unmade))}; later stages are skipped if its bytes do not change"


def _done(card: str, steps: Sequence[Done]) -> Iterator[str]:
    """Yield what was done, in order: why, and what came of it."""
    yield f"{card}: up to date"
    yield "last build:" if steps else "the last build is unknown"
    left = len(steps) - SHOWN
    for number, step in enumerate(steps):
        if left <= 0 or number < SHOWN // 2 or number >= SHOWN // 2 + left:
            yield f"{step.stage:<8}{step.item}: {step.why}"
            yield f"{'':<8}-> {step.what}{CAME.get(step.bytes, '')}"
        elif number == SHOWN // 2:
            yield f"... {left:,} more ..."


def _some(lines: Sequence[str]) -> Iterator[str]:
    """Yield the lines; of too many those at both ends, and how many lie between."""
    left = len(lines) - SHOWN
    if left <= 0:
        yield from lines
        return
    yield from lines[: SHOWN // 2]
    yield f"... {left:,} more ..."
    yield from lines[-SHOWN // 2 :]
