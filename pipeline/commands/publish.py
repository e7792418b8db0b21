"""The command ``doit publish``: a verified card as a folder that may be handed over."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.commands.arguments import card_named
from pipeline.commands.base import JSON, OwnCommand
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import CardkilnError, ManifestError
from pipeline.model.text import counted
from pipeline.model.units import show_size

if TYPE_CHECKING:
    from pipeline.distribute.publish import Signing
    from pipeline.workspace.versions import CardVersion

FORMS = ("zstd", "gzip", "zip")
"""How an image can be packed: the keys of ``publish.pack.SUFFIXES``, which takes longer to load."""


class Publish(OwnCommand):
    """Makes a folder below ``dist/`` of a finished card, or nothing at all."""

    name = "publish"
    cmd_options = (
        {"name": "form", "long": "form", "type": str, "metavar": "FORM", "default": "zstd",
         "choices": [(form, "") for form in FORMS], "help": f"how the image is packed: {', '.join(FORMS)}"},
        {"name": "since", "long": "since", "type": str, "metavar": "VERSION", "default": None,
         "help": "make a delta for people who have this published version, and the whole image unless it is published"},
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

        if len(words) != 1:
            raise ManifestError.one(f"expected {self.doc_usage}", "see doit help publish")
        card_id = card_named(self.inputs.manifest, words[0])
        earlier: list[CardkilnError] = []
        try:
            signing = _signing(options["key"], options["who"])
        except CardkilnError as error:
            signing, earlier = None, [error]
        older = None
        try:
            older = self._older(card_id, options)
        except CardkilnError as error:
            earlier.append(error)
        if options["recipe"]:
            made: tuple[CardVersion, ...] = (publish_recipe(self.build, card_id, signing, earlier),)
        else:
            made = publish(self.build, card_id, options["form"], signing, earlier, older)
        self._say(made, signing, as_json=options["json"])
        return 0

    def _older(self, card_id: str, options: Mapping[str, Any]) -> CardVersion | None:
        """Return the version that --since names; raises CardkilnError."""
        from pipeline.distribute.delta import older_version

        if options["since"] is None:
            return None
        if options["recipe"]:
            what = "a recipe holds no contents, so there is no delta of it"
            raise ManifestError.one(what, "leave out --recipe or --since", key="--since")
        version = self.inputs.manifest.cards[card_id].version
        return older_version(self.workspace, card_id, options["since"], version)

    def _say(self, made: Sequence[CardVersion], signing: Signing | None, *, as_json: bool) -> None:
        image, card = made[0].record["image"], made[0].record["card"]
        folders = [(self.workspace.shown(published.folder), _sizes(published.folder)) for published in made]
        if as_json:
            also = [{"folder": folder, "files": sizes} for folder, sizes in folders[:-1]]
            folder, sizes = folders[-1]
            document = {"cardkiln-publish": 1, "folder": folder, "image": image, "files": sizes}
            print_json({**document, **({"also": also} if also else {})})
            return
        lines = []
        for published, (folder, sizes) in zip(made, folders, strict=True):
            use = f", for people who have version {published.since}" if published.since else ""
            lines.append(f"published {folder}: {counted(len(sizes), 'file')}, {show_size(sum(sizes.values()))}{use}")
        lines.append(f"image sha256 {image['sha256']}, {show_size(image['size'])}")
        kept = card.get("without-kept", ())
        if kept:
            lines.append(f"without the files kept for it ({', '.join(kept)}), which are the user's")
        print_lines([*lines, f"signed by {signing.who}" if signing else "not signed; --key FILE signs it"])


def _sizes(folder: Path) -> dict[str, int]:
    from pipeline.publish.folder import files_of

    return {name: path.stat().st_size for name, path in files_of(folder).items()}


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
