"""The command ``doit receive``: checks a published folder, and unpacks or builds its card."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.commands.base import JSON, OwnCommand
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import MachineError, ManifestError
from pipeline.model.text import listed, shown

if TYPE_CHECKING:
    from pipeline.distribute.receive import Received


class Receive(OwnCommand):
    """Uses nothing of a folder before all of it was checked."""

    name = "receive"
    cmd_options = (
        {"name": "signers", "long": "signers", "type": str, "metavar": "FILE", "default": None,
         "help": "your own list of allowed signers; one of them must have signed"},
        JSON,
    )  # fmt: skip

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Check, take, and say what it is."""
        from pipeline.distribute.rebuild import build_recipe
        from pipeline.distribute.receive import check, take_image, write_cautions
        from pipeline.workspace.lock import locked

        if not words or not words[0]:
            raise ManifestError.one(f"expected {self.doc_usage}", "see doit help receive")
        if options["signers"] == "":
            raise ManifestError.one("no file is named", "name your list of allowed signers", key="--signers")
        folder = Path(words[0])
        if not folder.is_dir():
            raise MachineError.one("there is no such folder", "correct the path", file=shown(words[0]))
        received = check(folder, Path(options["signers"]) if options["signers"] else None)
        with locked(self.workspace.build):
            if received.recipe is None:
                image = take_image(self.workspace, received)
            else:
                image = build_recipe(self.workspace, received, self._places(words[1:]))
            cautions = self.workspace.shown(write_cautions(self.workspace, received))
        card, known = received.record["card"], received.record["image"]
        file = self.workspace.shown(image)
        if options["json"]:
            document = {"cardkiln-receive": 1, "card": card, "image": {**known, "file": file}}
            document |= {"signed": received.signed, "not-checked": received.unchecked, "cautions": cautions}
            print_json(document)
        else:
            lines = [f"{card['name']}, version {card['version']}: image as published", received.signed]
            lines.append(f"not checked: {_unchecked(received)}")
            lines.append(f"read the cautions before you use it: {cautions}")
            print_lines([*lines, f"{file}: sha256 {known['sha256']}"])
        return 0

    def _places(self, words: Sequence[str]) -> list[Path]:
        if words:
            return [Path(word) for word in words]
        own = self.workspace.inputs / "sources.toml"
        return [Path(place) for place in self.inputs.manifest.sources.places] if own.exists() else []


def _unchecked(received: Received) -> str:
    """Return what of a folder nobody here can check."""
    names = [shown(name) for name in received.unchecked if name != "record.json"]
    of_record = ["what record.json says of names, rights, origins and warnings"]
    return listed([*names, *(of_record if "record.json" in received.unchecked else [])])
