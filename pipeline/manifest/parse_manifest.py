"""One manifest by itself, from its bytes to its value or to all that is wrong with it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache
from itertools import islice
from typing import Any

from pipeline.errors import Place, Problem
from pipeline.manifest.checks.blanks import blank_problems
from pipeline.manifest.checks.self_checks import problems_within, takes_over
from pipeline.manifest.decode.decode import DECODERS
from pipeline.manifest.edit.pinnable import FIELDS, GROUPS, NAMED
from pipeline.manifest.files import FOLDERS
from pipeline.manifest.schema.validate import schema, validate
from pipeline.manifest.text.blank import may_hold_blanks
from pipeline.manifest.text.limits import ENOUGH
from pipeline.manifest.text.parsed import ParsedManifest
from pipeline.manifest.text.read import parse, values_sha256

NAMING = ("core", "like", "tags", "files")
"""Keys of a title that name other manifests and files; all else that it holds is kept decoded only."""


def parse_manifest(kind: str, id_: str, file: str, data: bytes, *, whole: bool = False) -> ParsedManifest:
    """Return what a manifest's bytes come to; a function of its bytes and the schemas.

    A title that takes something over is not decoded. ``whole``: all that it says is kept for others.
    """
    parsed = parse(data, file)
    if isinstance(parsed, Problem):
        return ParsedManifest(kind=kind, id=id_, file=file, problems=(parsed,))
    text, values = parsed
    sha256 = values_sha256(values)
    problems = _problems(kind, values, text, file)
    if problems or kind not in DECODERS:
        return ParsedManifest(kind=kind, id=id_, file=file, data=values, sha256=sha256, problems=problems)
    if kind == "title" and takes_over(values):
        return ParsedManifest(kind=kind, id=id_, file=file, data=values, sha256=sha256)
    value = DECODERS[kind](id_, file, values)
    kept = naming(values) if kind == "title" and not whole else values
    return ParsedManifest(kind=kind, id=id_, file=file, data=kept, value=value, sha256=sha256)


def naming(title: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return what of a title's values names other manifests and files; one value for all that name the same."""
    if "files" in title:
        return {key: title[key] for key in NAMING if key in title}
    return _naming(title.get("core"), title.get("like"), tuple(title["tags"]) if "tags" in title else None)


@lru_cache(1024)
def _naming(core: str | None, like: str | None, tags: tuple[str, ...] | None) -> Mapping[str, Any]:
    named = {"core": core, "like": like, "tags": tags if tags is None else list(tags)}
    return {key: value for key, value in named.items() if value is not None}


def _problems(kind: str, values: dict[str, Any], text: str, file: str) -> tuple[Problem, ...]:
    """Return all that is wrong with a manifest by itself, the first ``ENOUGH`` of each kind."""
    if not values and kind != "sources":
        return (_empty(kind, file),)
    blanks = tuple(islice(blank_problems(kind, values, file), ENOUGH)) if may_hold_blanks(text) else ()
    known = {problem.place.key for problem in blanks}
    invalid = tuple(
        _pinnable(kind, problem) for problem in validate(kind, values, text, file) if problem.place.key not in known
    )
    if invalid and (meant := _kind_meant(kind, values)):
        return (_misplaced(kind, meant, file),)
    known |= {problem.place.key for problem in invalid}
    within = (problem for problem in problems_within(kind, values, file, known) if problem.place.key not in known)
    return (*blanks, *invalid, *islice(within, ENOUGH))


def _empty(kind: str, file: str) -> Problem:
    what = f"found an empty manifest, expected that of a {kind}"
    return Problem(Place(file), what, f"begin with #:schema ../../schemas/{kind}.schema.json, and let the editor help")


def _kind_meant(kind: str, values: Mapping[str, Any]) -> str:
    """Return the kind of manifest whose keys these are, "" when they are those of this kind or of none."""
    strange = {candidate: sum(key not in schema(candidate)["properties"] for key in values) for candidate in FOLDERS}
    fitting = [candidate for candidate in FOLDERS if not strange[candidate]]
    return fitting[0] if strange.get(kind, 0) > 1 and len(fitting) == 1 else ""


def _misplaced(kind: str, meant: str, file: str) -> Problem:
    what = f"found the keys of a {meant}, expected those of a {kind}"
    return Problem(Place(file), what, f"move it to {FOLDERS[meant]}/")


def _pinnable(kind: str, problem: Problem) -> Problem:
    """Return the problem of a missing size or hash with the command that writes it."""
    above, _, field = problem.place.key.rpartition(".")
    if problem.hint or field not in FIELDS or not problem.what.startswith("found nothing"):
        return problem
    group, _, name = above.partition(".")
    if group not in GROUPS.get(kind, ()) or not (group in NAMED or name.isdigit() or above == "bitstream"):
        return problem
    id_ = problem.place.file.rpartition("/")[2].removesuffix(".toml")
    return replace(problem, hint=f"doit pin {kind}:{id_} {above} FILE writes it")
