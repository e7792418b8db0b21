"""The command ``doit receive``: checks a published folder, and unpacks or builds its card."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pipeline.commands.base import JSON, OwnCommand
from pipeline.distribute.rebuild import build_recipe
from pipeline.distribute.receive import check, take_image
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import MachineError, ManifestError
from pipeline.publish.folder import plain


class Receive(OwnCommand):
    """Uses nothing of a folder before all of it was checked."""

    name = "receive"
    doc_purpose = "check a published folder, and unpack or build its card"
    doc_usage = "FOLDER [PLACE ...]"
    doc_description = (
        "FOLDER: as it was published. PLACE: for a recipe, folders and archives with your own dumps; without any, "
        "those of inputs/sources.toml. The image comes to build/received/."
    )
    cmd_options = (
        {"name": "signers", "long": "signers", "type": str, "default": "",
         "help": "your own list of allowed signers; one of them must have signed"},
        JSON,
    )  # fmt: skip

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Check, take, and say what it is."""
        if not words:
            raise ManifestError.one(f"expected {self.doc_usage}", "doit help receive says more")
        folder = Path(words[0])
        if not folder.is_dir():
            raise MachineError.one("there is no such folder", "correct the path", file=words[0])
        received = check(folder, Path(options["signers"]) if options["signers"] else None)
        if received.recipe is None:
            image = take_image(self.workspace, received)
        else:
            image = build_recipe(self.workspace, received, self._places(words[1:]), lambda line: None)
        card, known = received.record["card"], received.record["image"]
        shown = self.workspace.shown(image)
        if options["json"]:
            print_json({"cardkiln-receive": 1, "card": card, "image": {**known, "file": shown}})
        else:
            first = f"{plain(card['name'])}, version {card['version']}: as published"
            print_lines([first, received.signed, f"{shown}: sha256 {known['sha256']}"])
        return 0

    def _places(self, words: Sequence[str]) -> list[Path]:
        if words:
            return [Path(word) for word in words]
        own = self.workspace.inputs / "sources.toml"
        return [Path(place) for place in self.inputs.manifest.sources.places] if own.exists() else []
