"""Everything below a folder of inputs, checked and decoded."""

from __future__ import annotations

import gc
import hashlib
import os
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TypeVar

from pipeline.errors import ManifestError, Place, Problem, located
from pipeline.manifest.checks.paths import path_problems
from pipeline.manifest.checks.references import References
from pipeline.manifest.expand.titles import TitleResult, Titles
from pipeline.manifest.files import FOLDERS, SOURCES, ManifestFile, manifest_files, path_from
from pipeline.manifest.parse_manifest import parse_manifest
from pipeline.manifest.sound import Key, Sound, sound_part
from pipeline.manifest.sources import sources
from pipeline.manifest.text.limits import ENOUGH
from pipeline.manifest.text.parsed import ParsedManifest
from pipeline.manifest.text.positions import locator
from pipeline.manifest.text.read import parse, read, values_sha256
from pipeline.model.manifest import Board, Card, Core, Manifest, Sources, Station, Title

T = TypeVar("T", Board, Core, Title, Card, Station)

MOST = 20
"""Problems of one file that are shown; the rest are counted."""

EMPTY_HINT = "go to the folder that holds inputs/, or name the folder of inputs in CARDKILN_INPUTS"


def load(inputs: Path, base: Path | None = None) -> Manifest:
    """Return everything the manifests of a folder say.

    Raises ManifestError with every problem of every file, located and sorted, of one file the first 20; and for a
    folder without a board and a card. Files are named relative to ``base`` (the working folder when left out) where
    they lie below it.
    """
    sound = load_sound(inputs, base)
    if sound.problems:
        raise ManifestError(sound.problems)
    return sound.manifest


def load_sources(inputs: Path, base: Path) -> tuple[Sources, list[Problem]]:
    """Return the places to search and the limits of archives, and what is wrong with them, whatever else is."""
    files = [file for file in (inputs / name for name in SOURCES) if file.is_file()]
    examined = [
        _examined(ManifestFile(kind="sources", id="", file=path_from(file, base), where=str(file))) for file in files
    ]
    found, problems = sources(inputs, examined)
    return found, [*(problem for manifest in examined for problem in manifest.problems), *problems]


def load_sound(inputs: Path, base: Path | None = None) -> Sound:
    """Return what of the manifests can be built, and what is wrong with the rest.

    Raises ManifestError as ``load`` does where what is wrong concerns every card: the folder itself, where to look for
    source files, a checksum list.
    """
    base = (base or Path()).absolute()
    root = inputs.absolute()
    files, problems = manifest_files(root, base)
    if not problems and not any(file.kind in ("board", "card") for file in files):
        what = "found no board and no card, expected their manifests in boards/ and cards/"
        raise ManifestError([Problem(Place(path_from(root, base)), what, EMPTY_HINT)])
    with _uncollected():
        results = list(_written_out(files, [_examined(file) for file in files]))
    examined = [result.manifest for result in results]
    found, missing = sources(root, [manifest for manifest in examined if manifest.kind == "sources"])
    problems += (problem for manifest in examined for problem in manifest.problems)
    known = {(problem.place.file, problem.place.key) for problem in problems}
    paths = path_problems(root, examined, partial(path_from, base=base))
    further = (*References(examined).problems(), *paths, *missing)
    problems += (problem for problem in further if (problem.place.file, problem.place.key) not in known)
    shown = tuple(_first_of_each_file(located(problems, locator(base)))) if problems else ()
    manifests = {file.file: (file.kind, file.id) for file in files if file.kind != "sources"}
    folders = tuple(path_from(root / folder, base) + "/" for folder in FOLDERS.values())
    if any(problem.place.file not in manifests and not problem.place.file.startswith(folders) for problem in shown):
        raise ManifestError(shown)
    wrong = defaultdict[Key, list[Problem]](list)
    for problem in shown:
        if problem.place.file in manifests:
            wrong[manifests[problem.place.file]].append(problem)
    for result in results:  # what a title takes over comes to nothing
        if result.needs:
            key = result.manifest.kind, result.manifest.id
            wrong[key] += [problem for needed in result.needs for problem in wrong.get(needed, ())]
    strange = [problem for problem in shown if problem.place.file not in manifests]
    sound = sound_part(_manifest(root, examined, found), wrong, strange)
    return replace(sound, values=_values(root, ((manifest.file, manifest.sha256) for manifest in examined)))


def values_of(inputs: Path, base: Path) -> str:
    """Return what ``Sound.values`` of a folder would be; "" where something is no manifest. Nothing is judged."""
    root, found = inputs.absolute(), list[tuple[str, bytes]]()
    files, problems = manifest_files(root, base.absolute())
    for file in () if problems else files:
        data = read(file)
        parsed = data if isinstance(data, Problem) else parse(data, file.file)
        if isinstance(parsed, Problem):
            return ""
        found.append((file.file, values_sha256(parsed[1])))
    return "" if problems else _values(root, found)


def _values(root: Path, manifests: Iterable[tuple[str, bytes]]) -> str:
    """Return the digest of all that manifests say, each given by its file and the digest of its values."""
    sha256 = hashlib.sha256(os.fsencode(root) + b"\0")
    for file, of_values in manifests:
        sha256.update(file.encode() + b"\0" + of_values)
    return sha256.hexdigest()


def _manifest(root: Path, examined: Sequence[ParsedManifest], found: Sources) -> Manifest:
    return Manifest(
        root=str(root),
        boards=_by_id(examined, Board),
        cores=_by_id(examined, Core),
        titles=_by_id(examined, Title),
        cards=_by_id(examined, Card),
        sources=found,
        stations=_by_id(examined, Station),
    )


@contextmanager
def _uncollected() -> Iterator[None]:
    """Make many values that stay: looking for unreachable ones time and again takes an eighth of a load."""
    enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if enabled:
            gc.enable()


def _examined(file: ManifestFile, *, whole: bool = False) -> ParsedManifest:
    data = read(file)
    if isinstance(data, Problem):
        return ParsedManifest(kind=file.kind, id=file.id, file=file.file, problems=(data,))
    return parse_manifest(file.kind, file.id, file.file, data, whole=whole)


def _written_out(files: Sequence[ManifestFile], examined: list[ParsedManifest]) -> Iterator[TitleResult]:
    """Yield what came of each manifest, once titles have what they take over; what others take over is read again."""
    taken = {
        like
        for manifest in examined
        if manifest.kind == "title" and isinstance(like := (manifest.data or {}).get("like"), str)
    }
    for number, manifest in enumerate(examined):
        if manifest.kind == "title" and manifest.id in taken and manifest.value is not None:
            examined[number] = _examined(files[number], whole=True)
    titles = Titles(examined)
    for manifest in examined:
        yield titles.result(manifest.id) if manifest.kind == "title" else TitleResult(manifest=manifest)


def _by_id(examined: Iterable[ParsedManifest], kind: type[T]) -> dict[str, T]:
    return {manifest.id: manifest.value for manifest in examined if isinstance(manifest.value, kind)}


def _first_of_each_file(problems: Sequence[Problem]) -> Iterator[Problem]:
    """Yield the first problems of each file, and in place of the next one how many more there are."""
    counts = Counter(problem.place.file for problem in problems)
    shown: Counter[str] = Counter()
    for problem in problems:
        file = problem.place.file
        shown[file] += 1
        if shown[file] <= MOST:
            yield problem
        elif shown[file] == MOST + 1:
            least = "at least " if counts[file] >= ENOUGH else ""
            yield Problem(problem.place, f"and {least}{counts[file] - MOST} more problems in this file")
