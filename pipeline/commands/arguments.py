"""What a person names on the command line: a manifest by its path or as ``title:moth-pantry``, a card, a version."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from pipeline.errors import ManifestError
from pipeline.manifest.files import FOLDERS, ManifestFile
from pipeline.model.text import did_you_mean, nearest

if TYPE_CHECKING:
    from pipeline.commands.base import OwnCommand
    from pipeline.inspect.opened_build import OpenedBuild
    from pipeline.model.manifest import Manifest
    from pipeline.workspace.workspace import Workspace

KINDS = {folder: kind for kind, folder in FOLDERS.items()}


def card_named(manifest: Manifest, word: str) -> str:
    """Return the id of a card that there is; raises ManifestError with the nearest one."""
    return id_named("card", manifest.cards, word)


def id_named(kind: str, known: Collection[str], word: str) -> str:
    """Return the id of a manifest of a kind that there is; raises ManifestError with the nearest one."""
    if word not in known:
        hint = did_you_mean(word, known, f"the ids are the names of the files in inputs/{FOLDERS[kind]}")
        raise ManifestError.one(f'found "{word}", expected the id of a {kind}', hint)
    return word


def manifest_named(workspace: Workspace, word: str) -> ManifestFile:
    """Return the manifest that "inputs/titles/moth-pantry.toml" or "title:moth-pantry" names; it is there.

    A path is looked up from the working folder, an id in the inputs; the folder of a manifest says its kind. Raises
    ManifestError.
    """
    start, colon, id_ = word.partition(":")
    if colon and start in FOLDERS:
        kind, path, hint = start, workspace.inputs / FOLDERS[start] / f"{id_}.toml", ""
        if not path.is_file() and (near := nearest(id_, workspace.names(FOLDERS[start]))):
            hint = f'did you mean "{kind}:{near}"?'
    else:
        path = workspace.base / word
        kind = KINDS.get(path.parent.name, "")
        hint = f"correct the path, or name it by its id as in {kind or 'title'}:{path.stem or 'name'}"
    file = workspace.shown(path)
    if not path.is_file():
        raise ManifestError.one("there is no such manifest", hint, file=file)
    if not kind:
        what = f"found a file in {path.parent.name}/, expected a manifest in {', '.join(sorted(KINDS))}"
        raise ManifestError.one(what, file=file)
    return ManifestFile(kind=kind, id=path.stem, file=file, where=str(path))


def refuse_elsewhere(workspace: Workspace, manifest: ManifestFile, what: str) -> None:
    """Raise ManifestError for a manifest that is not in the inputs; ``what`` is done with those: "images are built"."""
    own = workspace.inputs / FOLDERS[manifest.kind] / manifest.path.name
    if not (own.exists() and manifest.path.samefile(own)):
        raise ManifestError.one(f"is not {workspace.shown(own)}, of which {what}", file=manifest.file)


@contextmanager
def opened_card(command: OwnCommand, word: str) -> Iterator[OpenedBuild]:
    """Give the finished build of a card by its id, or a received version ("desk@2", or a path), held open.

    No manifest is read for a received version. Raises CardkilnError.
    """
    from pipeline.inspect.opened_build import opened_build, opened_version
    from pipeline.workspace.versions import received_named

    version = received_named(command.workspace, word)
    if version is not None:
        with opened_version(command.workspace, version) as build:
            yield build
    else:
        with opened_build(command.build, card_named(command.inputs.manifest, word)) as build:
            yield build
