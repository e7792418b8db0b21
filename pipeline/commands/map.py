"""The command ``doit map``: which bytes of a title's ROM files are from which chips."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.commands.arguments import id_named
from pipeline.commands.base import JSON, OwnCommand
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import ManifestError


class Map(OwnCommand):
    """Shows the map of each ROM file of a title; only manifests are needed, no sources."""

    name = "map"
    cmd_options = (JSON,)

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Print the maps."""
        from pipeline.roms.map import map_document, map_text, rom_map

        if len(words) != 1:
            raise ManifestError.one(f"expected {self.doc_usage}", "see doit help map")
        titles = self.inputs.manifest.titles
        title = titles[id_named("title", titles, words[0])]
        maps = [(rom, rom_map(title, rom)) for rom in title.roms]
        if options["json"]:
            print_json(map_document(title, maps))
        else:
            print_lines("\n".join(map_text(rom, ranges) for rom, ranges in maps).splitlines())
        return 0
