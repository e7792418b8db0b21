"""The command ``doit versions``: what was published of a card, told from ``dist/`` alone."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from pipeline.commands.base import JSON, OwnCommand
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import ManifestError
from pipeline.model.text import did_you_mean, listed
from pipeline.model.units import show_size

SHOWN = 12
"""Lines of changes of a version that are shown without ``--all``."""

KINDS = {"image": "whole image", "recipe": "recipe", "delta": "delta"}


class Versions(OwnCommand):
    """Ends with 0; a signature that does not hold is told, and doit receive refuses the folder."""

    name = "versions"
    cmd_options = (
        {"name": "all", "long": "all", "type": bool, "default": False, "help": "show every line of what changed"},
        JSON,
    )

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """List them, the newest version first."""
        from pipeline.distribute.changelog import index_entries
        from pipeline.distribute.signed import signature_of

        if len(words) > 1:
            raise ManifestError.one(f"expected {self.doc_usage}", "see doit help versions")
        entries = index_entries(self.workspace)
        if words and not [entry for entry in entries if entry["card"] == words[0]]:
            cards = sorted({entry["card"] for entry in entries})
            otherwise = f"published were {listed(cards)}" if cards else f"doit publish {words[0]} publishes it"
            what = f'found "{words[0]}", expected the id of a card that was published'
            raise ManifestError.one(what, did_you_mean(words[0], cards, otherwise))
        chosen = [
            {**entry, "signature": signature_of(self.workspace.base / "dist" / entry["folder"], entry["signed-by"])}
            for entry in entries
            if not words or entry["card"] == words[0]
        ]
        if options["json"]:
            print_json({"cardkiln-versions": 1, "versions": chosen})
        else:
            print_lines(_lines(chosen, every=options["all"]) if chosen else ["nothing was published here"])
        return 0


def _lines(entries: Sequence[Mapping[str, Any]], *, every: bool) -> Iterator[str]:
    """Yield the versions of each card, the newest first, each with its folders and what changed."""
    versions: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
    for entry in reversed(entries):
        versions.setdefault((entry["card"], entry["version"]), []).append(entry)
    for (card, version), folders in sorted(versions.items(), key=lambda item: item[0][0]):
        image = folders[0]["image"]
        yield f"{card}, version {version}: {show_size(image['size'])}, sha256 {image['sha256']}"
        for entry in reversed(folders):
            use = f" for version {entry['since']}" if "since" in entry else ""
            size = show_size(entry["size"])
            yield (
                f"  {entry['date']}  dist/{entry['folder']}: {KINDS[entry['kind']]}{use}, {size}; {entry['signature']}"
            )
        changes = next((entry["changes"] for entry in reversed(folders) if "since" not in entry), folders[0]["changes"])
        yield "  changed since the version before:" if changes else "  the first version"
        shown = changes if every else changes[:SHOWN]
        yield from (f"    {line}" for line in shown)
        if len(changes) > len(shown):
            yield f"    {len(changes) - len(shown):,} lines more; --all shows them"
