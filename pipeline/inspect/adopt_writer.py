"""An adoption as files of the inputs: drafts of manifests and copies, all of them or none."""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path

from pipeline.errors import ManifestError
from pipeline.fat.boot import serial_text
from pipeline.fat.entries import EARLIEST, LATEST, day_text, encode_moment, time_text
from pipeline.fat.names import label_problem
from pipeline.inspect.adopt import Adoption, Draft, slug
from pipeline.inspect.card_under_test import FileOnCard
from pipeline.inspect.look import parts_of
from pipeline.inspect.open_target import Named
from pipeline.manifest.load import load
from pipeline.model.plan import SECTOR
from pipeline.workspace.atomic_write import replacing
from pipeline.workspace.workspace import Workspace

BEGUN = "adopting.json"
"""Says in the folder of copies that the adoption is not finished."""

DRAFTS = "drafts"
"""The folder of texts that have not yet taken their places."""

LIST = "names.sha256"
"""The checksum list of files whose names no copy can have."""

OWN_MANIFEST = re.compile(r"c(?:ards|ores)/[a-z0-9-]+\.toml")

PLACES = re.compile(r"^places[ \t]*=[ \t]*\[", re.MULTILINE)


def write(workspace: Workspace, named: Named, adoption: Adoption) -> tuple[str, ...]:
    """Write everything and return the path of each file; nothing that is there is written over.

    Copies come first and the card's manifest last, so that an end at any moment leaves a card with all it needs or no
    card; what was left then is taken back by ``take_back_unfinished``. When anything fails, all is taken
    back. Raises ManifestError where something is in the way or the drafts do not pass the check of the manifests.
    """
    home = workspace.inputs / "files" / f"adopted-{adoption.id}"
    manifests = dict(_manifests(workspace, adoption))
    sources = workspace.inputs / "sources.toml"
    old = sources.read_text("utf-8") if sources.is_file() else None
    for path in (home, *manifests):
        if path.exists():
            what = "exists already; nothing was written"
            raise ManifestError.one(what, "choose another id with --as, or move it away", file=workspace.shown(path))
    new = _with_place(old, f"files/{home.name}/contents", workspace.shown(sources)) if adoption.contents else old
    hashes = {path.relative_to(workspace.inputs).as_posix(): _sha256(text) for path, text in manifests.items()}
    begun = Begun(manifests=hashes, old=old, new=new)
    texts = {**({sources: new} if new is not None and new != old else {}), **manifests}
    try:
        copies = _copy(named, adoption, home, begun, list(texts.values()))
        for number, path in enumerate(texts):
            path.parent.mkdir(parents=True, exist_ok=True)
            (home / DRAFTS / str(number)).replace(path)
        load(workspace.inputs, workspace.base)
    except BaseException:
        _take_back(workspace, home, begun)
        raise
    _finish(home)
    return tuple(workspace.shown(path) for path in (*manifests, *(path for path in texts if path == sources), *copies))


def _finish(home: Path) -> None:
    shutil.rmtree(home / DRAFTS, ignore_errors=True)
    (home / BEGUN).unlink(missing_ok=True)
    with suppress(OSError):
        home.rmdir()  # where there was nothing to copy


@dataclass(frozen=True, slots=True, kw_only=True)
class Begun:
    """An adoption that is being written. ``manifests``: SHA-256 by path below the inputs; ``old``, ``new``: sources."""

    manifests: Mapping[str, str]
    old: str | None
    new: str | None


def take_back_unfinished(workspace: Workspace, card_id: str) -> None:
    """Take back what an adoption that was killed has left; one whose card was written is only finished.

    Raises ManifestError where what it left is not what one leaves.
    """
    home = workspace.inputs / "files" / f"adopted-{card_id}"
    try:
        begun = Begun(**json.loads((home / BEGUN).read_bytes()))
        own = all(OWN_MANIFEST.fullmatch(name) for name in begun.manifests)
    except FileNotFoundError:
        return
    except (ValueError, TypeError):
        own = False
    if not own:
        what = "is left over from an adoption that was interrupted, and cannot be read"
        raise ManifestError.one(what, "move its folder away", file=workspace.shown(home / BEGUN))
    if (workspace.inputs / "cards" / f"{card_id}.toml").exists():
        _finish(home)
    else:
        _take_back(workspace, home, begun)


def _take_back(workspace: Workspace, home: Path, begun: Begun) -> None:
    """Remove what an adoption wrote and nobody changed since: the card first, what it needs after it."""
    for name, sha256 in reversed([*begun.manifests.items()]):
        path = workspace.inputs / name
        if path.is_file() and _sha256(path.read_text("utf-8")) == sha256:
            path.unlink()
    sources = workspace.inputs / "sources.toml"
    if begun.new != begun.old and sources.is_file() and sources.read_text("utf-8") == begun.new:
        if begun.old is None:
            sources.unlink()
        else:
            (home / DRAFTS).mkdir(exist_ok=True)
            _put(home / DRAFTS / "old", begun.old)
            (home / DRAFTS / "old").replace(sources)
    half = home.with_name(home.name + ".part")
    if home.exists():
        shutil.rmtree(half, ignore_errors=True)
        home.replace(half)
    shutil.rmtree(half, ignore_errors=True)


def _copy(named: Named, adoption: Adoption, home: Path, begun: Begun, drafts: list[str]) -> list[Path]:
    """Copy files of the card, each under its path there, and contents; return what is there then, in one step.

    Drafts lie beside them until they take their places: a manifest that is half written would stop every build.
    """
    files = [(one, f"card/{one.path}") for one in adoption.files]
    files += [(one, f"contents/{_content_name(one)}") for one in adoption.contents]
    half = home.with_name(home.name + ".part")
    shutil.rmtree(half, ignore_errors=True)  # what a killed run left
    for one, name in files:
        target = half.joinpath(*name.split("/"))
        target.parent.mkdir(parents=True, exist_ok=True)
        with target.open("wb") as file:
            file.writelines(parts_of(named, named.side.files[one.path]))
            file.flush()
            os.fsync(file.fileno())
    names = [name for _, name in files]
    if adoption.listed:
        lines = "".join(f"{one.sha256}  {one.path}\n" for one in adoption.listed)
        _put(half / LIST, lines)
        names.append(LIST)
    for number, draft in enumerate(drafts):
        _put(half / DRAFTS / str(number), draft)
    _put(half / BEGUN, json.dumps(asdict(begun)))
    half.replace(home)
    return [home.joinpath(*name.split("/")) for name in names]


def _put(path: Path, text: str) -> None:
    with replacing(path) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")


def _sha256(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _content_name(one: FileOnCard) -> str:
    """Return a name by which people know a content again, whatever it is called on the card."""
    return f"{slug(one.path.rpartition('/')[2])[:60]}-{one.sha256[:8]}"


def _with_place(old: str | None, place: str, shown: str) -> str:
    """Return the text of sources.toml with one more place before the others."""
    if old is None:
        return f"#:schema ../schemas/sources.schema.json\nplaces = [{_text(place)}]\n"
    text = old
    match = PLACES.search(text)
    before = tomllib.loads(text)
    if not before.get("places"):
        added = text.replace("places = []", "") + f"places = [{_text(place)}]\n"
    elif match is None:
        added = text
    else:
        added = f"{text[: match.end()]}{_text(place)}, {text[match.end() :]}"
    with suppress(tomllib.TOMLDecodeError):
        if tomllib.loads(added) == {**before, "places": [place, *before.get("places", [])]}:
            return added
    raise ManifestError.one("its places cannot be added to here", f'add "{place}" to places by hand', file=shown)


def _manifests(workspace: Workspace, adoption: Adoption) -> Iterator[tuple[Path, str]]:
    """Yield the path and the text of each manifest, the card's last."""
    for draft in adoption.drafts:
        yield workspace.inputs / "cores" / f"{draft.id}.toml", _core_text(draft, adoption)
    yield workspace.inputs / "cards" / f"{adoption.id}.toml", _card_text(adoption)


def _core_text(draft: Draft, adoption: Adoption) -> str:
    return "\n".join(
        [
            "#:schema ../../schemas/core.schema.json",
            "# Drafted from a card made by hand. Say what it needs, and under which rights it may be passed on.",
            f"name = {_text(draft.name)}",
            'kind = "unknown"',
            'release = "unknown"',
            f"folder = {_text(draft.folder)}",
            f"boards = [{_text(adoption.board.id)}]",
            "",
            "[bitstream]",
            f"size = {draft.bitstream.size}",
            f"sha256 = {_text(draft.bitstream.sha256)}",
            "",
        ]
    )


def _card_text(adoption: Adoption) -> str:
    label = adoption.reading.label
    lines = [
        "#:schema ../../schemas/card.schema.json",
        "# Drafted from a card made by hand. No rights are stated for its own files, so it cannot be published yet.",
        f"name = {_text(label or adoption.id)}",
        'version = "1"',
        f"board = {_text(adoption.board.id)}",
        f"cores = {_texts([*adoption.cores, *(draft.id for draft in adoption.drafts)])}",
        f"titles = {_texts(adoption.titles)}",
        *([f"folders = {_texts(adoption.folders)}"] if adoption.folders else []),
        "",
        "[volume]",
        *_volume_lines(adoption),
    ]
    if adoption.settings:
        lines += ["", "[settings]", *(f"{name} = {_text(choice)}" for name, choice in adoption.settings.items())]
    by_path = {one.path: one for one in adoption.files}
    for top in dict.fromkeys(one.path.partition("/")[0] for one in adoption.files):
        lines += ["", "[[files]]", f"path = {_text(top)}"]
        if top in by_path and top.lower().endswith(".zip"):
            lines += [f"size = {by_path[top].size}", f"sha256 = {_text(by_path[top].sha256)}"]
        else:
            lines.append(f"from = {_text(f'files/adopted-{adoption.id}/card/{top}')}")
    if adoption.listed:
        lines += ["", "[[sums]]", f"list = {_text(f'files/adopted-{adoption.id}/{LIST}')}", 'into = ""']
    return "\n".join([*lines, ""])


def _volume_lines(adoption: Adoption) -> Iterator[str]:
    reading, board = adoption.reading, adoption.board
    size = adoption.size // SECTOR * SECTOR
    yield f"size = {min(size, board.largest) if board.largest else size}"
    kind = f"fat{reading.volume.fat_bits}"
    if kind in adoption.volumes:
        yield f"type = {_text(kind)}"
    if reading.label and label_problem(reading.label) is None:
        yield f"label = {_text(reading.label)}"
    yield f'serial = "{serial_text(reading.serial)}"'
    newest = max((item.times[4:] for item in reading.items), default=encode_moment(EARLIEST))
    if moment := _moment(*newest):
        yield f"timestamp = {moment}"


def _moment(date: int, time: int) -> str:
    """Return the words of a directory entry as TOML has a moment, "" where they are none."""
    text = f"{day_text(date)}T{time_text(time)}"
    try:
        return text if EARLIEST <= datetime.fromisoformat(text) <= LATEST else ""
    except ValueError:
        return ""


def _text(text: str) -> str:
    """Return text as TOML has it; what JSON escapes, TOML escapes alike."""
    return json.dumps(text, ensure_ascii=False)


def _texts(texts: object) -> str:
    return json.dumps(list(texts), ensure_ascii=False)  # type: ignore[call-overload]  # any sequence of text
