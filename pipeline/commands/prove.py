"""The command ``doit prove``: a card is built a second time under other conditions, and must be the same."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from pipeline.commands import diff as shown
from pipeline.commands.manifests import card_named
from pipeline.commands.own import JSON, OwnCommand
from pipeline.errors import ManifestError
from pipeline.stages import diff, prove
from pipeline.stages.sides import named


class Prove(OwnCommand):
    """Ends with 0 when both builds are the same bit by bit, 1 when they are not."""

    name = "prove"
    doc_purpose = "build a card a second time elsewhere, and compare bit by bit"
    doc_usage = "CARD"
    doc_description = (
        "CARD: the id of a card that is built. The second build is made in a folder of its own, which is removed "
        "afterwards, under another zone, language, home, umask, hash seed, order of files and, where faketime is "
        "installed, another clock."
    )
    cmd_options = (JSON,)

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Build again, compare, and say what differs."""
        if len(words) != 1:
            raise ManifestError.one(f"expected {self.doc_usage}", "doit help prove says more")
        card = card_named(self.project, words[0])
        prove.refuse_unfinished(self.project, card)
        with tempfile.TemporaryDirectory(prefix="cardkiln-") as scratch:
            again = prove.build_again(self.project, card, Path(scratch))
            differing = prove.differing(self.project, card, again)
            details = [] if options["json"] else list(self._details(card, again, differing))
        if options["json"]:
            document = {"cardkiln-proof": 1, "card": card, "varied": prove.varied(), "equal": not differing}
            print(json.dumps({**document, "differing": differing}, indent=1))
        elif differing:
            print("\n".join(details))
        else:
            print(f"{card}: the same bits, built again with other {', '.join(prove.varied())}")
        return 1 if differing else 0

    def _details(self, card: str, again: Path, differing: Mapping[str, tuple[str, str]]) -> Iterator[str]:
        """Yield which files differ, and of the image where and what lies there."""
        for name, (first, second) in differing.items():
            yield f"{card}: {name} differs: sha256 {first}, the second time {second}"
        if "card.img" in differing:
            image = str(self.project.card_folder(card) / "card.img")
            with named(self.project, image) as old, named(self.project, str(again / "card.img")) as new:
                yield from shown.lines(diff.diff(old, new), old, new, brief=False)
