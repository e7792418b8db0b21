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
        from pipeline.distribute.receive import check, take_delta, take_image, write_cautions
        from pipeline.workspace.lock import locked
        from pipeline.workspace.scratch import scratch_folder

        if not words or not words[0]:
            raise ManifestError.one(f"expected {self.doc_usage}", "see doit help receive")
        if options["signers"] == "":
            raise ManifestError.one("no file is named", "name your list of allowed signers", key="--signers")
        folder = Path(words[0])
        if not folder.is_dir():
            raise MachineError.one("there is no such folder", "correct the path", file=shown(words[0]))
        signers = Path(options["signers"]) if options["signers"] else None
        with locked(self.workspace.build), scratch_folder(self.workspace, "receiving") as scratch:
            documents, work = (scratch / name for name in ("documents", "work"))
            for inner in (documents, work):
                inner.mkdir(parents=True)
            received = check(folder, signers, documents)
            if received.delta is not None:
                old = self._old(received, words[1:], work)
                image = take_delta(self.workspace, received, old, work)
            elif received.recipe is not None:
                image = build_recipe(self.workspace, received, self._places(words[1:]))
            else:
                image = take_image(self.workspace, received)
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

    def _old(self, received: Received, words: Sequence[str], scratch: Path) -> Path:
        """Return the image, disk or mounted card that holds the older version; a published image is unpacked."""
        from pipeline.distribute.receive import old_card
        from pipeline.publish.delta import DELTA
        from pipeline.workspace.versions import received_folder

        since = str((received.delta or {})["since"]["version"])
        if len(words) > 1:
            raise ManifestError.one(f"expected FOLDER OLD, OLD being what you have of version {since}", file=words[1])
        if words:
            return old_card(Path(words[0]), scratch)
        here = received_folder(self.workspace, received.record["card"]["id"], since) / "card.img"
        if here.is_file():
            return here
        hint = "doit receive FOLDER OLD, OLD being its image, published folder or card"
        raise ManifestError.one(f"is for people who have version {since}; expected that too", hint, file=DELTA)

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
