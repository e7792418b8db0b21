"""An adoption as files of the inputs: drafts of manifests and copies, all of them or none."""

from __future__ import annotations

import json
import re
import shutil
import tomllib
from collections.abc import Iterator
from contextlib import suppress
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

PLACES = re.compile(r"^places[ \t]*=[ \t]*\[", re.MULTILINE)


def write(workspace: Workspace, named: Named, adoption: Adoption) -> tuple[str, ...]:
    """Write everything and return the paths of the manifests; nothing that is there is written over.

    Copies come first and the card's manifest last; when anything fails, all is taken back. Raises ManifestError where
    something is in the way or the drafts do not pass the check of the manifests.
    """
    home = workspace.inputs / "files" / f"adopted-{adoption.id}"
    manifests = dict(_manifests(workspace, adoption))
    sources = workspace.inputs / "sources.toml"
    old = sources.read_bytes() if sources.is_file() else None
    for path in (home, *manifests):
        if path.exists():
            what = "exists already; nothing was written"
            raise ManifestError.one(what, "choose another id with --as, or move it away", file=workspace.shown(path))
    new = _with_place(old, f"files/{home.name}/contents", workspace.shown(sources)) if adoption.contents else old
    try:
        _copy(named, adoption, home.with_name(home.name + ".part"))
        if adoption.files or adoption.contents:
            home.with_name(home.name + ".part").replace(home)
        for path, text in manifests.items():
            with replacing(path) as temporary:
                temporary.write_text(text, encoding="utf-8", newline="\n")
        if new is not None and new != old:
            with replacing(sources) as temporary:
                temporary.write_bytes(new)
        load(workspace.inputs, workspace.base)
    except BaseException:
        _take_back(home, list(manifests), sources, old)
        raise
    return tuple(workspace.shown(path) for path in manifests)


def _take_back(home: Path, manifests: list[Path], sources: Path, old: bytes | None) -> None:
    for folder in (home, home.with_name(home.name + ".part")):
        shutil.rmtree(folder, ignore_errors=True)
    for path in manifests:
        path.unlink(missing_ok=True)
    with suppress(OSError):
        if old is None:
            sources.unlink(missing_ok=True)
        elif sources.read_bytes() != old:
            sources.write_bytes(old)


def _copy(named: Named, adoption: Adoption, home: Path) -> None:
    """Copy files of the card, each under its path there, and contents."""
    shutil.rmtree(home, ignore_errors=True)  # what a killed run left
    targets = [(one, home.joinpath("card", *one.path.split("/"))) for one in adoption.files]
    targets += [(one, home / "contents" / _content_name(one)) for one in adoption.contents]
    for one, target in targets:
        with replacing(target) as temporary, temporary.open("wb") as file:
            file.writelines(parts_of(named, named.side.files[one.path]))


def _content_name(one: FileOnCard) -> str:
    """Return a name by which people know a content again, whatever it is called on the card."""
    return f"{slug(one.path.rpartition('/')[2])}-{one.sha256[:8]}"


def _with_place(old: bytes | None, place: str, shown: str) -> bytes:
    """Return the text of sources.toml with one more place before the others."""
    if old is None:
        return f"#:schema ../schemas/sources.schema.json\nplaces = [{_text(place)}]\n".encode()
    text = old.decode("utf-8")
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
            return added.encode()
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
