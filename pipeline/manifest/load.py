"""Everything below a folder of inputs, checked and decoded."""

from __future__ import annotations

import gc
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import TypeVar

from pipeline.errors import ManifestError, Place, Problem, located
from pipeline.manifest.cache import Cache
from pipeline.manifest.checks.paths import path_problems
from pipeline.manifest.checks.references import References
from pipeline.manifest.parse_manifest import examine
from pipeline.manifest.sources import sources
from pipeline.manifest.text.parsed import Examined
from pipeline.manifest.text.positions import locator
from pipeline.manifest.text.read import ManifestFile, manifest_files, read, shown
from pipeline.model.manifest import Board, Card, Core, Manifest, Station, Title

T = TypeVar("T", Board, Core, Title, Card, Station)

MOST = 20
"""Problems of one file that are shown; the rest are counted."""


def load(inputs: Path, base: Path | None = None, cache: Cache | None = None) -> Manifest:
    """Return everything the manifests of a folder say.

    Raises ManifestError with every problem of every file, located and sorted; of one file at most 20 are told.
    Files are named relative to ``base`` (the working folder when left out) where they lie below it. A cache spares
    the work on manifests that the last load found valid, and is brought up to date.
    """
    base = (base or Path()).absolute()
    root = inputs.absolute()
    if not root.is_dir():
        raise ManifestError([Problem(Place(shown(root, base)), "found no such folder, expected the folder of inputs")])
    files, problems = manifest_files(root, base)
    with _uncollected():
        examined = [_examined(file, cache) for file in files]
    if cache:
        cache.save()
    found, missing = sources(root, [one for one in examined if one.kind == "sources"])
    problems += (problem for one in examined for problem in one.problems)
    told = {(problem.place.file, problem.place.key) for problem in problems}
    further = (*References(examined).problems(), *path_problems(root, examined, partial(shown, base=base)), *missing)
    problems += (problem for problem in further if (problem.place.file, problem.place.key) not in told)
    if problems:
        raise ManifestError(_first_of_each_file(located(problems, locator(base))))
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


def _examined(file: ManifestFile, cache: Cache | None) -> Examined:
    data = read(file)
    if isinstance(data, Problem):
        return Examined(kind=file.kind, id=file.id, file=file.file, problems=(data,))
    return examine(file.kind, file.id, file.file, data, cache)


def _by_id(examined: Iterable[Examined], kind: type[T]) -> dict[str, T]:
    return {one.id: one.value for one in examined if isinstance(one.value, kind)}


def _first_of_each_file(problems: Sequence[Problem]) -> Iterator[Problem]:
    """Yield the first problems of each file, and in place of the next one how many more there are."""
    counts = Counter(problem.place.file for problem in problems)
    told: Counter[str] = Counter()
    for problem in problems:
        file = problem.place.file
        told[file] += 1
        if told[file] <= MOST:
            yield problem
        elif told[file] == MOST + 1:
            yield Problem(problem.place, f"and {counts[file] - MOST} more problems in this file")
