"""The command ``doit why``: what a build of a card would make again, and why; else what was last made, and why."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import Any

from pipeline.commands.manifests import card_named
from pipeline.commands.own import JSON, OwnCommand
from pipeline.errors import ManifestError
from pipeline.stages.reasons import Chain, chains
from pipeline.stages.why import due

CAME = {"new": "", "same": "; the same bytes as before", "other": "; other bytes than before"}


class Why(OwnCommand):
    """Ends with 0 whether or not something is due; builds nothing."""

    name = "why"
    doc_purpose = "show what a build of a card would make again, or what the last one made, and why; builds nothing"
    doc_usage = "CARD"
    doc_description = "CARD: the id of a card."
    cmd_options = (JSON,)

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Print what is due, and where nothing is, what was done last."""
        if len(words) != 1:
            raise ManifestError.one(f"expected {self.doc_usage}", "doit help why says more")
        card = card_named(self.project, words[0])
        found, last = due(self.project, card), chains(self.project).get(card)
        if options["json"]:
            document = {"cardkiln-why": 1, "card": card, "due": [asdict(one) for one in found]}
            print(json.dumps({**document, "last": asdict(last) if last else None}, indent=1))
        elif found:
            print("\n".join(f"{one.stage:<8}{one.item}: {one.why}" for one in found))
            print("what these make can make later stages due; where it comes out equal, nothing more is done")
        else:
            print(f"{card}: nothing to do, all is as declared")
            print("\n".join(_last(last) if last else ["what was done last for it is not known"]))
        return 0


def _last(chain: Chain) -> Iterator[str]:
    """Yield what was done, in order: why, and below it what came of it."""
    yield "done last:"
    for step in chain.steps:
        yield f"{step.stage:<8}{step.item}: {step.why}"
        yield f"{'':<8}-> {step.what}{CAME.get(step.bytes, '')}"
