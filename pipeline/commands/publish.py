"""The command ``doit publish``: a verified card as a folder that may be handed over."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pipeline.commands.arguments import card_named
from pipeline.commands.base import JSON, OwnCommand
from pipeline.distribute.publish import Signing, publish
from pipeline.distribute.recipe import publish_recipe
from pipeline.errors import ManifestError
from pipeline.model.units import show_size
from pipeline.publish.folder import SIGNATURE, files_of
from pipeline.publish.pack import SUFFIXES
from pipeline.publish.signature import allowed_line


class Publish(OwnCommand):
    """Makes a folder below ``dist/`` of a finished card, or nothing at all."""

    name = "publish"
    doc_purpose = "make a folder of a verified card that may be handed over"
    doc_usage = "CARD"
    doc_description = (
        "CARD: the id of a card that was built. The image is read back once more; rights, warnings and version are "
        "checked; what stands against it is listed, and nothing is made."
    )
    cmd_options = (
        {"name": "form", "long": "form", "type": str, "default": "zstd", "choices": [(form, "") for form in SUFFIXES],
         "help": "how the image is packed"},
        {"name": "recipe", "long": "recipe", "type": bool, "default": False,
         "help": "publish how it is built, without contents that may not be passed on"},
        {"name": "key", "long": "key", "type": str, "default": "", "help": "sign with this OpenSSH key"},
        {"name": "who", "long": "who", "type": str, "default": "publisher", "help": "whose key it is"},
        JSON,
    )  # fmt: skip

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Publish, and say what was made."""
        if len(words) != 1:
            raise ManifestError.one(f"expected {self.doc_usage}", "doit help publish says more")
        card_id = card_named(self.inputs.manifest, words[0])
        signing = _signing(Path(options["key"]), options["who"]) if options["key"] else None
        if options["recipe"]:
            target = publish_recipe(self.build, card_id, signing)
        else:
            target = publish(self.build, card_id, options["form"], signing)
        files = {name: path.stat().st_size for name, path in files_of(target).items()}
        record = json.loads((target / "record.json").read_bytes())
        if options["json"]:
            shown = self.workspace.shown(target)
            print(
                json.dumps({"cardkiln-publish": 1, "folder": shown, "image": record["image"], "files": files}, indent=1)
            )
        else:
            print(f"published {self.workspace.shown(target)}: {len(files)} files, {show_size(sum(files.values()))}")
            print(f"image sha256 {record['image']['sha256']}, {show_size(record['image']['size'])}")
            print(f"signed by {options['who']}" if SIGNATURE in files else "not signed; --key FILE signs it")
        return 0


def _signing(key: Path, who: str) -> Signing:
    """Return what signs, or raise before anything else is done."""
    return Signing(key=key, who=who, allowed=allowed_line(key, who))
