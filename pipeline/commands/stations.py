"""The command ``doit stations``: whether each core and title of a card works where it is used."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.commands.arguments import card_named
from pipeline.commands.base import JSON, OwnCommand
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import ManifestError


class Stations(OwnCommand):
    """Shows the matrix of a card; only manifests are needed, no sources."""

    name = "stations"
    cmd_options = (JSON,)

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Print the matrix."""
        from pipeline.model.matrix import matrix_document
        from pipeline.stations.show import matrix_text

        if len(words) != 1:
            raise ManifestError.one(f"expected {self.doc_usage}", "see doit help stations")
        card = card_named(self.inputs.manifest, words[0])
        card_build = self.build.card(card)
        stations, outlooks = card_build.stations, card_build.outlooks
        if options["json"]:
            document = {"cardkiln-stations": 1, "card": card, "stations": matrix_document(stations, outlooks)}
            print_json(document)
        elif stations:
            print_lines(matrix_text(stations, outlooks).splitlines())
        else:
            print_lines([f'card {card} names no station; name some in its manifest: stations = ["..."]'])
        return 0
