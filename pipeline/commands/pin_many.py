"""What ``doit pin`` does where no file is named: it fills in what the places have, and pins images as built."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from pipeline.build.build import Build
from pipeline.build.flow import built_image, not_current
from pipeline.build.inputs import Inputs
from pipeline.commands.arguments import manifest_named, refuse_elsewhere
from pipeline.drafts.fill import Filled, Left, Taken, fill
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import CardkilnError, ManifestError
from pipeline.manifest.edit.pin import Pinned, PinRequest, pin
from pipeline.manifest.edit.pinnable import GROUPS, key_of
from pipeline.manifest.files import FOLDERS, ManifestFile
from pipeline.model.content import Content, Location
from pipeline.model.text import counted, listed
from pipeline.model.units import show_size
from pipeline.sources.files.archive import plain_path
from pipeline.sources.files.argument import content_named
from pipeline.workspace.manifest_text import ManifestText, read_manifest, write_manifests
from pipeline.workspace.workspace import Workspace, how_to_build

ALL = {FOLDERS[kind]: kind for kind in GROUPS}
"""Words that stand for all manifests of a kind."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Image:
    """The image of a card: its text with the digest, or why it was not pinned and what to type."""

    read: ManifestText
    path: str
    content: Content | None = None
    pinned: Pinned | None = None
    why: str = ""
    hint: str = ""


def run(workspace: Workspace, word: str, options: Mapping[str, Any]) -> int:
    """Pin what can be pinned in the manifests that a word means, all or nothing; say what was written and what not."""
    manifests = _meant(workspace, word)
    if options["replace"] and manifests and manifests[0].kind != "card":
        what = "found --replace without a KEY and a FILE, expected both"
        raise ManifestError.one(what, "what is declared already is only replaced by a file that is named")
    texts = [read_manifest(manifest) for manifest in manifests]
    filled = fill(workspace, texts, _below(options["from"]), crc32=options["crc32"])
    whole = [
        manifest.read
        for manifest in filled
        if manifest.read.manifest.kind == "card" and not (manifest.taken or manifest.left)
    ]
    images = _images(workspace, whole, replacing=options["replace"])
    pinned = [(manifest.read, manifest.pinned.text) for manifest in filled]
    pinned += [(image.read, image.pinned.text) for image in images if image.pinned]
    write_manifests((read, text) for read, text in pinned if text != read.text)
    warnings = workspace.take_warnings()
    if options["json"]:
        document = _document(workspace, filled, images)
        print_json(document | {"warnings": [asdict(warning) for warning in warnings]})
    else:
        sys.stderr.write("".join(f"warning: {warning}\n" for warning in warnings))
        print_lines(_lines(workspace, filled, images))
    return int(any(manifest.left for manifest in filled) or any(image.why for image in images))


def _meant(workspace: Workspace, word: str) -> list[ManifestFile]:
    """Return the manifests that a word means: one, or all of a kind."""
    if word not in ALL:
        manifest = manifest_named(workspace, word)
        if manifest.kind not in GROUPS:
            what = f"nothing in a {manifest.kind} has a size and a hash of its own; expected a title, a core or a card"
            raise ManifestError.one(what, file=manifest.file)
        return [manifest]
    ids = workspace.names(word)
    if not ids:
        raise ManifestError.one(f"there is no manifest in {workspace.shown(workspace.inputs / word)}")
    return [manifest_named(workspace, f"{ALL[word]}:{id_}") for id_ in ids]


def _below(text: str | None) -> Path | None:
    """Return the folder or archive that is to be searched, None for those of sources.toml."""
    if text is None:
        return None
    path = Path(text).expanduser()
    if not text or not path.exists():
        raise ManifestError.one("there is no such folder or archive", "correct the path", file=text)
    return path


def _images(workspace: Workspace, cards: Sequence[ManifestText], *, replacing: bool) -> list[Image]:
    """Return for each card its image as it was built, or why it is not pinned."""
    if not cards:
        return []
    for card in cards:
        refuse_elsewhere(workspace, card.manifest, "images are built")
    sound = Inputs.sound(workspace)
    build = Build(sound.unpinned())
    return [_image(build, card, replacing=replacing) for card in cards]


def _image(build: Build, card: ManifestText, *, replacing: bool) -> Image:
    id_ = card.manifest.id
    path, hint = build.workspace.card_folder(id_) / "card.img", how_to_build(id_)
    shown = build.workspace.shown(path)
    if id_ not in build.inputs.manifest.cards:
        why = "its manifest, or one that it names, has problems"
        return Image(read=card, path=shown, why=why, hint="doit check lists them")
    try:
        _, reason = built_image(build, id_)
        if reason:
            return Image(read=card, path=shown, why=not_current(reason), hint=hint)
        content = content_named(Location(path=str(path)))
        request = PinRequest(way=(), content=content, source=shown)
        pinned = pin(card.text, card.manifest.file, [request], replacing=replacing)
    except CardkilnError as error:
        return Image(read=card, path=shown, why=error.problems[0].what, hint=error.problems[0].hint)
    return Image(read=card, path=shown, content=content, pinned=pinned)


def _lines(workspace: Workspace, filled: Sequence[Filled], images: Sequence[Image]) -> Iterator[str]:
    for manifest in filled:
        yield from (_taken(workspace, manifest, taken) for taken in manifest.taken)
        for left in manifest.left:
            yield f"left    {manifest.read.manifest.file}: {key_of(left.lacking.way)}: {left.why}"
            yield from (f"    {choice}  # {sha256}" for choice, sha256 in _choices(workspace, manifest, left))
        if manifest.blanks:
            yield f"blank   {manifest.read.manifest.file}: {listed(manifest.blanks)}"
    for image in images:
        file = image.read.manifest.file
        if image.content and image.pinned:
            digest = f"image: {show_size(image.content.size or 0)}, sha256 {image.content.sha256[:8]}..."
            is_new = image.pinned.text != image.read.text
            yield f"pinned  {digest}; written in {file}" if is_new else f"{digest}; as declared in {file}"
        else:
            yield f"left    {file}: {image.path}: {image.why}; {image.hint}"
    done, open_ = sum(len(manifest.taken) for manifest in filled), sum(len(manifest.left) for manifest in filled)
    if done or open_:
        yield f"{done:,} of {counted(done + open_, 'file')} pinned"
    elif not images:
        where = filled[0].read.manifest.file if len(filled) == 1 else counted(len(filled), "manifest")
        yield f"no size and no hash is missing in {where}"


def _taken(workspace: Workspace, manifest: Filled, taken: Taken) -> str:
    content, more = taken.content, len(taken.locations) - 1
    also = f" and {counted(more, 'more place')}" if more else ""
    place = f"{_argument(workspace, taken.locations[0])}{also}"
    size = f"{show_size(content.size or 0)}, sha256 {content.sha256[:8]}..."
    written = counted(len(manifest.pinned.written[taken.lacking.way]), "value")
    return (
        f"pinned  {key_of(taken.lacking.way)}: {size} from {place}, by {taken.lacking.basis}; "
        f"{written} written in {manifest.read.manifest.file}"
    )


def _choices(workspace: Workspace, one: Filled, left: Left) -> Iterator[tuple[str, str]]:
    """Yield for each content that fits the command that chooses it, and its SHA-256."""
    manifest = one.read.manifest
    own = workspace.inputs / FOLDERS[manifest.kind] / manifest.path.name
    word = f"{manifest.kind}:{manifest.id}" if manifest.path == own else manifest.file
    for content, (location, *_) in left.choices.items():
        words = ("doit", "pin", word, key_of(left.lacking.way), _argument(workspace, location))
        yield shlex.join(words), content.sha256


def _argument(workspace: Workspace, location: Location) -> str:
    """Return a location as a person names it on the command line."""
    path = workspace.shown(Path(location.path))
    return path if location.member is None else f"{path}/{plain_path(location.member)}"


def _document(workspace: Workspace, filled: Sequence[Filled], images: Sequence[Image]) -> dict[str, object]:
    return {
        "cardkiln-pin": 1,
        "manifests": [
            {
                "manifest": manifest.read.manifest.file,
                "pinned": [
                    {
                        "key": key_of(taken.lacking.way),
                        "files": [_argument(workspace, location) for location in taken.locations],
                        "by": taken.lacking.basis,
                        **_content(taken.content),
                        "written": list(manifest.pinned.written[taken.lacking.way]),
                    }
                    for taken in manifest.taken
                ],
                "left": [
                    {
                        "key": key_of(left.lacking.way),
                        "why": left.why,
                        "choices": [
                            {
                                "files": [_argument(workspace, location) for location in locations],
                                **_content(content),
                                "command": command,
                            }
                            for (content, locations), (command, _) in zip(
                                left.choices.items(), _choices(workspace, manifest, left), strict=True
                            )
                        ],
                    }
                    for left in manifest.left
                ],
                "blanks": list(manifest.blanks),
            }
            for manifest in filled
        ],
        "images": [
            {
                "manifest": image.read.manifest.file,
                "file": image.path,
                "sha256": image.content.sha256 if image.content else None,
                "written": bool(image.pinned and image.pinned.text != image.read.text),
                "why": image.why,
                "hint": image.hint,
            }
            for image in images
        ],
    }


def _content(content: Content) -> dict[str, object]:
    return {"size": content.size, "sha256": content.sha256, "crc32": f"{content.crc32 or 0:08x}"}
