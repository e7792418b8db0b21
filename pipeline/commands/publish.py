"""The command ``doit publish``: a verified card as a folder that may be handed over."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.commands.arguments import card_named
from pipeline.commands.base import JSON, OwnCommand
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import CardkilnError, ManifestError
from pipeline.model.units import show_size

if TYPE_CHECKING:
    from pipeline.distribute.publish import Signing

FORMS = ("zstd", "gzip", "zip")
"""How an image can be packed: the keys of ``publish.pack.SUFFIXES``, which takes longer to load."""


class Publish(OwnCommand):
    """Makes a folder below ``dist/`` of a finished card, or nothing at all."""

    name = "publish"
    cmd_options = (
        {"name": "form", "long": "form", "type": str, "metavar": "FORM", "default": "zstd",
         "choices": [(form, "") for form in FORMS], "help": f"how the image is packed: {', '.join(FORMS)}"},
        {"name": "recipe", "long": "recipe", "type": bool, "default": False,
         "help": "publish how it is built, without contents that may not be passed on"},
        {"name": "key", "long": "key", "type": str, "metavar": "FILE", "default": None,
         "help": "sign with this OpenSSH key"},
        {"name": "who", "long": "who", "type": str, "metavar": "NAME", "default": None,
         "help": 'whose key it is; "publisher" if not given'},
        JSON,
    )  # fmt: skip

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Publish, and say what was made."""
        from pipeline.distribute.publish import publish
        from pipeline.distribute.recipe import publish_recipe
        from pipeline.publish.folder import files_of

        if len(words) != 1:
            raise ManifestError.one(f"expected {self.doc_usage}", "see doit help publish")
        card_id = card_named(self.inputs.manifest, words[0])
        against: list[CardkilnError] = []
        try:
            signing = _signing(options["key"], options["who"])
        except CardkilnError as error:
            signing, against = None, [error]
        if options["recipe"]:
            target = publish_recipe(self.build, card_id, signing, against)
        else:
            target = publish(self.build, card_id, options["form"], signing, against)
        files = {name: path.stat().st_size for name, path in files_of(target).items()}
        record = json.loads((target / "record.json").read_bytes())
        if options["json"]:
            folder = self.workspace.shown(target)
            document = {"cardkiln-publish": 1, "folder": folder, "image": record["image"], "files": files}
            print_json(document)
        else:
            size = show_size(sum(files.values()))
            lines = [f"published {self.workspace.shown(target)}: {len(files)} files, {size}"]
            lines.append(f"image sha256 {record['image']['sha256']}, {show_size(record['image']['size'])}")
            kept = record["card"].get("without-kept", ())
            if kept:
                lines.append(f"without the files kept for it ({', '.join(kept)}), which are the user's")
            print_lines([*lines, f"signed by {signing.who}" if signing else "not signed; --key FILE signs it"])
        return 0


def _signing(key: str | None, who: str | None) -> Signing | None:
    """Return what signs, None when nothing shall; raises CardkilnError for a key or a name that cannot be used."""
    from pipeline.distribute.publish import Signing
    from pipeline.publish.signature import allowed_line

    if key is None and who is None:
        return None
    if not key:
        raise ManifestError.one("no key is named", "name the file of an OpenSSH key", key="--key")
    name = "publisher" if who is None else who
    return Signing(key=Path(key), who=name, allowed=allowed_line(Path(key), name))
