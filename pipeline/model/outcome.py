"""What came of one stage: a value, so that it can be made in one process and told in another."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.errors import Problem


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What came of a stage for one title or card.

    ``why``: it had to run, None where it was up to date. ``line``: what it did, "" where it failed. ``warnings``, and
    ``problems`` with the exit code they ask for.
    """

    why: str | None
    line: str = ""
    warnings: tuple[Problem, ...] = ()
    problems: tuple[Problem, ...] = ()
    exit_code: int = 0
