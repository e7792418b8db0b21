"""The command ``doit why``: what a build of a card would make again, and why."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from pipeline.commands.manifests import card_named
from pipeline.commands.own import JSON, OwnCommand
from pipeline.errors import ManifestError
from pipeline.stages.why import due


class Why(OwnCommand):
    """Ends with 0 whether or not something is due; builds nothing."""

    name = "why"
    doc_purpose = "show what a build of a card would make again, and why; builds nothing"
    doc_usage = "CARD"
    doc_description = "CARD: the id of a card."
    cmd_options = (JSON,)

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Print what is due."""
        if len(words) != 1:
            raise ManifestError.one(f"expected {self.doc_usage}", "doit help why says more")
        card = card_named(self.project, words[0])
        found = due(self.project, card)
        if options["json"]:
            print(json.dumps({"cardkiln-why": 1, "card": card, "due": [asdict(one) for one in found]}, indent=1))
        elif found:
            print("\n".join(f"{one.stage:<8}{one.item}: {one.why}" for one in found))
            print("what these make can make later stages due; where it comes out equal, nothing more is done")
        else:
            print(f"{card}: nothing to do, all is as declared")
        return 0
