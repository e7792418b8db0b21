"""The command ``doit prove``: a card is built a second time under other conditions, and must be the same."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from pipeline.commands.arguments import card_named
from pipeline.commands.base import JSON, OwnCommand
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import ManifestError


class Prove(OwnCommand):
    """Ends with 0 when both builds are the same bit by bit, 1 when they are not."""

    name = "prove"
    cmd_options = (JSON,)

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Build again, compare, and say what differs."""
        from pipeline.build.flow import refuse_out_of_date
        from pipeline.prove import compare
        from pipeline.prove.environment_variations import conditions
        from pipeline.workspace.lock import locked

        if len(words) != 1:
            raise ManifestError.one(f"expected {self.doc_usage}", "see doit help prove")
        card = card_named(self.inputs.manifest, words[0])
        with locked(self.workspace.build), self._scratch() as scratch:
            refuse_out_of_date(self.build, card)
            rebuilt = compare.build_again(self.inputs, card, scratch, conditions())
            first, second = compare.sums(self.workspace.card_folder(card)), compare.sums(rebuilt)
            differing = {name: (first[name], second[name]) for name in first if first[name] != second[name]}
            if options["json"]:
                document = {"cardkiln-proof": 1, "card": card, "varied": ["folder", *conditions()]}
                document |= {"equal": not differing, "differing": differing}
                if differing:
                    document |= self._document(card, rebuilt, differing)
                    document["because"] = compare.reasons(self.inputs, card, scratch)
                print_json(document)
            elif differing:
                print_lines(self._details(card, rebuilt, differing))
                print_lines([_because(compare.reasons(self.inputs, card, scratch))])
            else:
                print_lines(
                    [f"{card}: bit-identical when rebuilt with a different {', '.join(('folder', *conditions()))}"]
                )
        return 1 if differing else 0

    def _details(self, card: str, rebuilt: Path, differing: Mapping[str, tuple[str, str]]) -> Iterator[str]:
        """Yield which files differ, and of the image where and what lies there."""
        from pipeline.commands import diff as shown
        from pipeline.inspect import diff
        from pipeline.inspect.open_target import opened_target
        from pipeline.prove import compare

        folder = self.workspace.card_folder(card)
        for name, (first, second) in differing.items():
            yield f"{card}: {name} differs: sha256 {first}, in the second build {second}"
            if name != "card.img":
                yield from compare.first_line(name, folder, rebuilt)
        if "card.img" in differing:
            with (
                opened_target(self.workspace, str(folder / "card.img")) as old,
                opened_target(self.workspace, str(rebuilt / "card.img")) as new,
            ):
                yield from shown.lines(diff.diff(old, new), old, new, brief=False)

    def _document(self, card: str, rebuilt: Path, differing: Mapping[str, tuple[str, str]]) -> dict[str, Any]:
        """Return what differs of the image, and what lies there."""
        from pipeline.inspect import diff
        from pipeline.inspect.open_target import opened_target
        from pipeline.record.changes_text import bytes_document, changes_document

        if "card.img" not in differing:
            return {"changes": [], "bytes": []}
        image = str(self.workspace.card_folder(card) / "card.img")
        with (
            opened_target(self.workspace, image) as old,
            opened_target(self.workspace, str(rebuilt / "card.img")) as new,
        ):
            found = diff.diff(old, new)
        return {"changes": changes_document(found.changes), "bytes": bytes_document(found.differing or ())}

    @contextmanager
    def _scratch(self) -> Iterator[Path]:
        """Give an empty folder that is removed afterwards; what a killed run left is removed before."""
        scratch = self.workspace.build / "proving"
        shutil.rmtree(scratch, ignore_errors=True)
        try:
            yield scratch
        finally:
            shutil.rmtree(scratch, ignore_errors=True)


def _because(reasons: Sequence[str]) -> str:
    """Return why two builds differ, as far as trying tells."""
    if not reasons:
        return "no single condition changes the result, only a combination"
    return f"caused by: {', '.join(reasons)}"
