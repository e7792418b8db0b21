"""Damage of a card after which nothing of it may be taken over."""

from __future__ import annotations

from pipeline.errors import CheckError, Place, Problem
from pipeline.inspect.open_target import OpenTarget

DAMAGE = ("chain", "cross-linked", "loop", "size", "too many", "truncated", "duplicate name")
"""Findings after which a file's bytes cannot be trusted, or its name does not say which it is."""


def refuse_damage(named: OpenTarget) -> None:
    """Raise CheckError for a card with damage that leaves bytes or names of files in doubt."""
    findings = named.reading.findings if named.reading else ()
    damage = [finding for finding in findings if finding.kind in DAMAGE]
    if damage:
        hint = "take a sound copy; doit look shows what is wrong"
        raise CheckError(
            Problem(Place(file=named.shown, key=finding.path), f"{finding.kind}: {finding.what}", hint)
            for finding in damage
        )
