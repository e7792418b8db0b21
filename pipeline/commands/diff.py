"""The command ``doit diff``: what differs between two cards, coarse to fine."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from pipeline.commands.base import JSON, OwnCommand
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import ManifestError

if TYPE_CHECKING:
    from pipeline.inspect import diff
    from pipeline.inspect.open_target import OpenTarget
    from pipeline.model.reading import Reading
    from pipeline.record.changes_text import Names

SHOWN = 20
"""Files of the user that are named; the rest are counted."""


class Diff(OwnCommand):
    """Ends with 0 when both are equal, 1 when they differ, 2 for wrong arguments, 3 when one cannot be read."""

    name = "diff"
    cmd_options = (
        {
            "name": "brief",
            "long": "brief",
            "type": bool,
            "default": False,
            "help": "a line for each kind of difference",
        },
        {
            "name": "strict",
            "long": "strict",
            "type": bool,
            "default": False,
            "help": "exit code 1 also when only files of yours (keep) differ",
        },
        JSON,
    )

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Compare, and show it."""
        from pipeline.inspect import diff
        from pipeline.inspect.open_target import opened_target
        from pipeline.record.changes_text import bytes_document, changes_document

        if len(words) != 2:
            raise ManifestError.one(f"expected {self.doc_usage}", "see doit help diff")
        with opened_target(self.workspace, words[0]) as old, opened_target(self.workspace, words[1]) as new:
            found = diff.diff(old, new, keep=self._keep(old, new))
        if options["json"]:
            document = {"cardkiln-diff": 1, "old": old.shown, "new": new.shown, "equal": found.equal}
            document["changes"] = changes_document(found.changes)
            document["yours"] = asdict(found.yours)
            if found.differing is not None:
                document |= {"bytes": bytes_document(found.differing), "free-space-compared": found.whole}
            print_json(document)
        else:
            print_lines([f"old  {old.shown}", f"new  {new.shown}", *lines(found, old, new, brief=options["brief"])])
        return 0 if found.equal and not (options["strict"] and found.yours) else 1

    def _keep(self, *cards: OpenTarget) -> tuple[str, ...]:
        """Return what is the user's on two cards: by id of the card, or by serial of the volume of a known build."""
        from pipeline.inspect.known_builds import known_builds

        ids = {card.side.card["card id"] for card in cards if "card id" in card.side.card}
        serials = {card.side.volume["serial"] for card in cards if "serial" in card.side.volume}
        if not ids and serials:
            known = known_builds(self.workspace)
            ids = {build.card for build in known if build.record["volume"]["serial"] in serials}
        return tuple(pattern for card in sorted(ids) for pattern in self.inputs.keep_of(card))


def lines(found: diff.Comparison, old: OpenTarget, new: OpenTarget, *, brief: bool) -> Iterator[str]:
    """Yield what differs, for people."""
    from pipeline.record.changes_text import brief_text, bytes_text, changes_text

    yield from (brief_text if brief else changes_text)(found.changes)
    if found.differing and old.reading and new.reading:
        if brief:
            yield f"bytes: {sum(differing.count for differing in found.differing):,} differ"
        else:
            yield from bytes_text(found.differing, _names(old.reading, old.size), _names(new.reading, new.size))
    if not found.whole:
        yield "free space was not compared; it is not read on a disk"
    for word, paths in asdict(found.yours).items():
        yield from (f"yours    {path}: {word}" for path in paths[:SHOWN])
    if found.yours:
        yield f"yours: {found.yours}"
    if found.equal:
        yield "equal except for your own files" if found.yours else "equal"


def _names(reading: Reading, size: int) -> Names:
    from pipeline.record.changes_text import Names
    from pipeline.record.fields import Naming
    from pipeline.record.regions import regions_of

    return Names(regions_of(reading, size), Naming(reading))
