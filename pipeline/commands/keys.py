"""The command ``doit keys``: the reference of manifests, from their schemas."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from pipeline.commands.base import JSON, OwnCommand
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import ManifestError
from pipeline.manifest.files import KINDS
from pipeline.model.text import did_you_mean, quote

if TYPE_CHECKING:
    from pipeline.manifest.schema.reference import KeyReference, Schema


class Keys(OwnCommand):
    """Lists the kinds of manifests, the keys of one, or explains one key."""

    name = "keys"
    cmd_options = (
        {"name": "markdown", "long": "markdown", "type": bool, "default": False,
         "help": "print the reference of all kinds as one page of Markdown"},
        JSON,
    )  # fmt: skip

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Print what is asked for."""
        from pipeline.manifest.schema.reference_text import page
        from pipeline.manifest.schema.validate import schema

        if len(words) > 1 or (words and options["markdown"]):
            raise ManifestError.one(f"expected {self.doc_usage}", "see doit help keys")
        if options["markdown"]:
            print_lines(page({kind: schema(kind) for kind in KINDS}).splitlines())
        else:
            kind, *path = words[0].split(".") if words else [""]
            if words and kind not in KINDS:
                hint = did_you_mean(kind, KINDS, f"the kinds are {', '.join(KINDS)}")
                raise ManifestError.one(f"found {quote(kind)}, expected a kind of manifest", hint)
            if options["json"]:
                print_json(_document(kind, path))
            else:
                print_lines(_lines(kind, path))
        return 0


def _lines(kind: str, path: Sequence[str]) -> Iterator[str]:
    from pipeline.manifest.schema.reference import all_keys, keys_in
    from pipeline.manifest.schema.reference_text import key_lines, list_lines
    from pipeline.manifest.schema.validate import schema

    if not kind:
        yield from (f"{name:<8}  {schema(name)['description'].partition(': ')[2]}" for name in KINDS)
        yield "doit keys KIND lists the keys of a kind"
    elif path:
        key = _key(kind, path)
        yield from key_lines(kind, key, keys_in(schema(kind), key.path))
    else:
        yield f"{schema(kind)['description']} * is required."
        yield from list_lines(all_keys(schema(kind)))
        yield f"doit keys {kind}.KEY explains a key"


def _document(kind: str, path: Sequence[str]) -> dict[str, Any]:
    from pipeline.manifest.schema.reference import all_keys, keys_in
    from pipeline.manifest.schema.reference_text import key_document
    from pipeline.manifest.schema.validate import schema

    if not kind:
        return {"cardkiln-keys": 1, "kinds": {name: schema(name)["description"] for name in KINDS}}
    if not path:
        return {"cardkiln-keys": 1, "kind": kind, "keys": [key_document(key) for key in all_keys(schema(kind))]}
    key = _key(kind, path)
    below = [key_document(inner) for inner in keys_in(schema(kind), key.path)]
    return {"cardkiln-keys": 1, "kind": kind, **key_document(key), "keys": below}


def _key(kind: str, path: Sequence[str]) -> KeyReference:
    """Return the key that is asked for; raises ManifestError with the nearest one."""
    from pipeline.manifest.schema.reference import NAME, key_at, keys_in
    from pipeline.manifest.schema.validate import schema

    root: Schema = schema(kind)
    for end in range(1, len(path) + 1):
        try:
            key = key_at(root, path[:end])
        except KeyError:
            above = [kind, *path[: end - 1]]
            known = [inner.path[-1] for inner in keys_in(root, path[: end - 1]) if inner.path[-1] != NAME]
            hint = did_you_mean(path[end - 1], known, f"doit keys {'.'.join(above)} lists them" if known else "")
            what = f"{quote(path[end - 1])} is not a key of {'.'.join(above)}"
            raise ManifestError.one(what, hint) from None
    return key
