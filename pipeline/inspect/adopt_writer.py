"""An adoption as files of the inputs: drafts of manifests and copies, all of them or none."""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import tomllib
from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path

from pipeline.errors import ManifestError
from pipeline.fat.boot import serial_text
from pipeline.fat.entries import EARLIEST, LATEST, day_text, encode_moment, time_text
from pipeline.fat.names import label_problem
from pipeline.inspect.adopt import Adoption, DraftedCore, slug
from pipeline.inspect.card_under_test import FileOnCard
from pipeline.inspect.look import parts_of
from pipeline.inspect.open_target import OpenTarget
from pipeline.manifest.load import load_sound
from pipeline.manifest.schema.copies import schema_line
from pipeline.manifest.text.blank import BLANK, BLANKS_ARE, blanks_in
from pipeline.manifest.text.positions import spell
from pipeline.manifest.text.write import pair, toml_value
from pipeline.model.plan import SECTOR
from pipeline.workspace.atomic_write import replacing
from pipeline.workspace.workspace import Workspace

JOURNAL = "adopting.json"
"""Says in the folder of copies that the adoption is not finished."""

DRAFTS = "drafts"
"""The folder of texts that have not yet taken their places."""

LIST = "names.sha256"
"""The checksum list of files whose names no copy can have."""

OWN_MANIFEST = re.compile(r"c(?:ards|ores)/[a-z0-9-]+\.toml")

PLACES = re.compile(r"^places[ \t]*=[ \t]*\[", re.MULTILINE)


def drafted_manifests(workspace: Workspace, adoption: Adoption) -> dict[Path, str]:
    """Return the text of each manifest by its path, the card's last."""
    paths = [workspace.inputs / "cores" / f"{draft.id}.toml" for draft in adoption.drafts]
    card = workspace.inputs / "cards" / f"{adoption.id}.toml"
    cores = {path: _core_text(path, draft, adoption) for path, draft in zip(paths, adoption.drafts, strict=True)}
    return {**cores, card: _card_text(card, adoption)}


def blanks_of(workspace: Workspace, manifests: Mapping[Path, str]) -> dict[str, tuple[str, ...]]:
    """Return the keys that are blank in drafted manifests, by file as messages show it."""
    found = {path: tuple(spell(way) for way in blanks_in(tomllib.loads(text))) for path, text in manifests.items()}
    return {workspace.shown(path): keys for path, keys in found.items() if keys}


def write(
    workspace: Workspace, named: OpenTarget, adoption: Adoption, manifests: Mapping[Path, str]
) -> tuple[str, ...]:
    """Write everything and return the path of each file; nothing that is there is written over.

    Copies come first and the card's manifest last, so that an end at any moment leaves a card with all it needs or no
    card; what was left then is taken back by ``take_back_unfinished``. When anything fails, all is taken
    back. Raises ManifestError where something is in the way, or the drafts do not pass the check of the manifests but
    for their blanks.
    """
    home = workspace.inputs / "files" / f"adopted-{adoption.id}"
    sources = workspace.inputs / "sources.toml"
    old = sources.read_text("utf-8") if sources.is_file() else None
    for path in (home, *manifests):
        if path.exists():
            what = "exists already; nothing was written"
            raise ManifestError.one(what, "choose another id with --as, or move it away", file=workspace.shown(path))
    new = _with_place(old, f"files/{home.name}/contents", sources, workspace) if adoption.contents else old
    hashes = {path.relative_to(workspace.inputs).as_posix(): _sha256(text) for path, text in manifests.items()}
    journal = AdoptionJournal(manifests=hashes, old=old, new=new)
    texts = {**({sources: new} if new is not None and new != old else {}), **manifests}
    try:
        copies = _copy(named, adoption, home, journal, list(texts.values()))
        for number, path in enumerate(texts):
            path.parent.mkdir(parents=True, exist_ok=True)
            (home / DRAFTS / str(number)).replace(path)
        _check(workspace, blanks_of(workspace, manifests))
    except BaseException:
        _take_back(workspace, home, journal)
        raise
    _finish(home)
    return tuple(workspace.shown(path) for path in (*manifests, *(path for path in texts if path == sources), *copies))


def _check(workspace: Workspace, blanks: Mapping[str, Collection[str]]) -> None:
    """Raise ManifestError for whatever is wrong with the manifests, their blanks left aside."""
    problems = load_sound(workspace.inputs, workspace.base).problems
    wrong = [problem for problem in problems if problem.place.key not in blanks.get(problem.place.file, ())]
    if wrong:
        raise ManifestError(wrong)


def _finish(home: Path) -> None:
    shutil.rmtree(home / DRAFTS, ignore_errors=True)
    (home / JOURNAL).unlink(missing_ok=True)
    with suppress(OSError):
        home.rmdir()  # where there was nothing to copy


@dataclass(frozen=True, slots=True, kw_only=True)
class AdoptionJournal:
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
        journal = AdoptionJournal(**json.loads((home / JOURNAL).read_bytes()))
        own = all(OWN_MANIFEST.fullmatch(name) for name in journal.manifests)
    except FileNotFoundError:
        return
    except (ValueError, TypeError):
        own = False
    if not own:
        what = "is left over from an adoption that was interrupted, and cannot be read"
        raise ManifestError.one(what, "move its folder away", file=workspace.shown(home / JOURNAL))
    if (workspace.inputs / "cards" / f"{card_id}.toml").exists():
        _finish(home)
    else:
        _take_back(workspace, home, journal)


def _take_back(workspace: Workspace, home: Path, journal: AdoptionJournal) -> None:
    """Remove what an adoption wrote and nobody changed since: the card first, what it needs after it."""
    for name, sha256 in reversed([*journal.manifests.items()]):
        path = workspace.inputs / name
        if path.is_file() and _sha256(path.read_text("utf-8")) == sha256:
            path.unlink()
    sources = workspace.inputs / "sources.toml"
    if journal.new != journal.old and sources.is_file() and sources.read_text("utf-8") == journal.new:
        if journal.old is None:
            sources.unlink()
        else:
            (home / DRAFTS).mkdir(exist_ok=True)
            _put(home / DRAFTS / "old", journal.old)
            (home / DRAFTS / "old").replace(sources)
    partial = home.with_name(home.name + ".part")
    if home.exists():
        shutil.rmtree(partial, ignore_errors=True)
        home.replace(partial)
    shutil.rmtree(partial, ignore_errors=True)


def _copy(named: OpenTarget, adoption: Adoption, home: Path, journal: AdoptionJournal, drafts: list[str]) -> list[Path]:
    """Copy files of the card, each under its path there, and contents; return what is there then, in one step.

    Drafts lie beside them until they take their places: a manifest that is partial written would stop every build.
    """
    files = [(file, f"card/{file.path}") for file in adoption.files]
    files += [(file, f"contents/{_content_name(file)}") for file in adoption.contents]
    partial = home.with_name(home.name + ".part")
    shutil.rmtree(partial, ignore_errors=True)  # what a killed run left
    for file, name in files:
        target = partial.joinpath(*name.split("/"))
        target.parent.mkdir(parents=True, exist_ok=True)
        with target.open("wb") as stream:
            stream.writelines(parts_of(named, named.side.files[file.path]))
            stream.flush()
            os.fsync(stream.fileno())
    names = [name for _, name in files]
    if adoption.listed:
        lines = "".join(f"{file.sha256}  {file.path}\n" for file in adoption.listed)
        _put(partial / LIST, lines)
        names.append(LIST)
    for number, draft in enumerate(drafts):
        _put(partial / DRAFTS / str(number), draft)
    _put(partial / JOURNAL, json.dumps(asdict(journal)))
    partial.replace(home)
    return [home.joinpath(*name.split("/")) for name in names]


def _put(path: Path, text: str) -> None:
    with replacing(path) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")


def _sha256(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _content_name(file: FileOnCard) -> str:
    """Return a name by which people know a content again, whatever it is called on the card."""
    return f"{slug(file.path.rpartition('/')[2])[:60]}-{file.sha256[:8]}"


def _with_place(old: str | None, place: str, sources: Path, workspace: Workspace) -> str:
    """Return the text of sources.toml with one more place before the others."""
    if old is None:
        return _manifest_text(sources, "sources", [pair("places", [place])])
    match = PLACES.search(old)
    before = tomllib.loads(old)
    if not before.get("places"):
        added = old.replace("places = []", "") + f"{pair('places', [place])}\n"
    elif match is None:
        added = old
    else:
        added = f"{old[: match.end()]}{toml_value(place)}, {old[match.end() :]}"
    with suppress(tomllib.TOMLDecodeError):
        if tomllib.loads(added) == {**before, "places": [place, *before.get("places", [])]}:
            return added
    hint = f'add "{place}" to places by hand'
    raise ManifestError.one("no place can be added to its places", hint, file=workspace.shown(sources))


def _core_text(path: Path, draft: DraftedCore, adoption: Adoption) -> str:
    lines = [
        f"# Drafted from a card made by hand. {BLANKS_ARE}",
        "# Say what the core needs, and under which rights it may be passed on: it cannot be published without.",
        *(pair(key, draft.stated.get(key, BLANK)) for key in ("name", "kind", "release")),
        pair("folder", draft.folder),
        pair("boards", [adoption.board.id]),
        "",
        "[bitstream]",
        pair("size", draft.bitstream.size),
        pair("sha256", draft.bitstream.sha256),
    ]
    return _manifest_text(path, "core", lines)


def _card_text(path: Path, adoption: Adoption) -> str:
    label = adoption.reading.label
    lines = [
        "# Drafted from a card made by hand. No rights are stated for its own files, so it cannot be published yet.",
        pair("name", label or adoption.id),
        pair("version", "1"),
        pair("board", adoption.board.id),
        pair("cores", adoption.all_cores),
        pair("titles", adoption.titles),
        *([pair("folders", adoption.folders)] if adoption.folders else []),
        "",
        "[volume]",
        *_volume_lines(adoption),
    ]
    if adoption.settings:
        lines += ["", "[settings]", *(pair(name, choice) for name, choice in adoption.settings.items())]
    by_path = {file.path: file for file in adoption.files}
    for top in dict.fromkeys(file.path.partition("/")[0] for file in adoption.files):
        lines += ["", "[[files]]", pair("path", top)]
        if top in by_path and top.lower().endswith(".zip"):
            lines += [pair("size", by_path[top].size), pair("sha256", by_path[top].sha256)]
        else:
            lines.append(pair("from", f"files/adopted-{adoption.id}/card/{top}"))
    if adoption.listed:
        lines += ["", "[[sums]]", pair("list", f"files/adopted-{adoption.id}/{LIST}"), pair("into", "")]
    return _manifest_text(path, "card", lines)


def _manifest_text(path: Path, kind: str, lines: Iterable[str]) -> str:
    """Return the text of a manifest, with the line that names its schema where schemas are near it."""
    return "\n".join([*filter(None, [schema_line(path, kind)]), *lines, ""])


def _volume_lines(adoption: Adoption) -> Iterator[str]:
    reading, board = adoption.reading, adoption.board
    size = adoption.size // SECTOR * SECTOR
    yield pair("size", min(size, board.largest) if board.largest else size)
    kind = f"fat{reading.volume.fat_bits}"
    if kind in adoption.volumes:
        yield pair("type", kind)
    if reading.label and label_problem(reading.label) is None:
        yield pair("label", reading.label)
    yield pair("serial", serial_text(reading.serial))
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
