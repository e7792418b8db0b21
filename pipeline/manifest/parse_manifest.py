"""One manifest by itself, from its bytes to its value or to all that is wrong with it."""

from __future__ import annotations

from typing import Any

from pipeline.errors import Place, Problem
from pipeline.manifest.cache import Cache
from pipeline.manifest.checks.blanks import blank_problems
from pipeline.manifest.checks.self_checks import problems_within
from pipeline.manifest.decode.decode import DECODERS
from pipeline.manifest.schema.validate import is_valid, validate
from pipeline.manifest.text.parsed import Examined
from pipeline.manifest.text.read import parse

DROPPED = frozenset({"chips", "patches", "rom"})
"""Keys of a title that name no other manifest and no file: most of what it holds, and kept decoded only."""


def examine(kind: str, id_: str, file: str, data: bytes, cache: Cache | None = None) -> Examined:
    """Return what a manifest's bytes come to; a function of its bytes and the schemas, whatever the cache holds."""
    values = cache.find(kind, data) if cache else None
    if values is None or not is_valid(kind, values):  # whatever was kept, no path may lead out of the inputs
        values, problems = _judged(kind, file, data)
        if values is None or problems:
            return Examined(kind=kind, id=id_, file=file, data=values, problems=problems)
        if cache:
            cache.keep(kind, data, values)
    if kind not in DECODERS:
        return Examined(kind=kind, id=id_, file=file, data=values)
    value = DECODERS[kind](id_, file, values)
    values = {key: inner for key, inner in values.items() if key not in DROPPED}
    return Examined(kind=kind, id=id_, file=file, data=values, value=value)


def _judged(kind: str, file: str, data: bytes) -> tuple[dict[str, Any] | None, tuple[Problem, ...]]:
    """Return the TOML values of a manifest, None where its text has none, and all that is wrong with it by itself."""
    parsed = parse(data, file)
    if isinstance(parsed, Problem):
        return None, (parsed,)
    text, values = parsed
    if not values and kind != "sources":
        return None, (_empty(kind, file),)
    blanks = tuple(blank_problems(kind, values, file))
    told = {problem.place.key for problem in blanks}
    invalid = tuple(problem for problem in validate(kind, values, text, file) if problem.place.key not in told)
    told |= {problem.place.key for problem in invalid}
    within = (problem for problem in problems_within(kind, values, file) if problem.place.key not in told)
    return values, (*blanks, *invalid, *within)


def _empty(kind: str, file: str) -> Problem:
    what = f"found an empty manifest, expected that of a {kind}"
    return Problem(Place(file), what, f"begin with #:schema ../../schemas/{kind}.schema.json, and let the editor help")
