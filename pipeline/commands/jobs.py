"""The command ``doit jobs``: what there is to build, for machines that share the work."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.commands.base import JSON, OwnCommand
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import ManifestError


class Jobs(OwnCommand):
    """Lists the cards with their tasks and stations; only manifests are needed."""

    name = "jobs"
    cmd_options = (JSON,)

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Print the jobs, by card."""
        if words:
            raise ManifestError.one(f'found "{words[0]}", expected no arguments', "see doit help jobs")
        jobs = [
            {
                "card": card.id,
                "task": f"sheet:{card.id}",
                "board": card.board,
                "stations": sorted({*card.stations, *card.required_stations}),
                "image-sha256": card.image_sha256,
            }
            for _, card in sorted(self.inputs.manifest.cards.items())
        ]
        if options["json"]:
            print_json({"cardkiln-jobs": 1, "jobs": jobs})
        else:
            print_lines(f"{job['task']}: board {job['board']}" for job in jobs)
        return 0
