"""The command ``doit keep``: what the user made on a card is copied into the inputs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pipeline.commands.arguments import card_named
from pipeline.commands.base import JSON, OwnCommand
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import ManifestError
from pipeline.model.text import counted


class Keep(OwnCommand):
    """Reads the card and never writes it."""

    name = "keep"
    cmd_options = (JSON,)

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Copy, and say what was new."""
        from pipeline.media.keep import card_at, keep

        if len(words) != 2:
            raise ManifestError.one(f"expected {self.doc_usage}", "see doit help keep")
        card_id, patterns = self._keep(words[0])
        with card_at(Path(words[1])) as named:
            kept = keep(self.workspace, card_id, patterns, named)
        folder = self.workspace.shown(self.workspace.kept_folder(card_id))
        if options["json"]:
            both = [{"path": path, "card": other} for path, other in kept.both]
            document = {"copied": kept.copied, "both": both, "same": kept.same}
            print_json({"cardkiln-keep": 1, "folder": folder, **document})
            return 0
        lines = [f"copied {path}" for path in kept.copied]
        for path, other in kept.both:
            lines.append(f"{path} changed on the card and here: your copy stays, the card's copy is {other}")
        print_lines(
            [*lines, f"{counted(len(kept.copied), 'file')} copied to {folder}, {len(kept.same):,} known already"]
        )
        return 0

    def _keep(self, word: str) -> tuple[str, tuple[str, ...]]:
        """Return the id of a card, and what is the user's on it; raises ManifestError when that is nothing."""
        from pipeline.record.document import keep_of_record
        from pipeline.workspace.versions import received_named

        version = received_named(self.workspace, word)
        if version is not None:
            card_id, patterns, file = version.card, keep_of_record(version.record), str(version.folder / "record.json")
            hint = "its publisher named none"
        else:
            card_id = card_named(self.inputs.manifest, word)
            card = self.inputs.manifest.cards[card_id]
            patterns, file = card.keep, card.file
            hint = 'name the files that are yours in its manifest: keep = ["SLATE/**"]'
        if not patterns:
            raise ManifestError.one(f'card "{card_id}" keeps no files', hint, file=file, key="keep")
        return card_id, patterns
