"""What came of one stage: a value, so that it can be made in one process and told in another."""

from __future__ import annotations

from typing import NamedTuple

from pipeline.errors import Problem


class Outcome(NamedTuple):
    """What came of a stage for one title or card; thousands of them travel between processes.

    ``why``: it had to run, None where it was up to date. ``line``: what it did, "" where it failed. ``warnings``, and
    ``problems`` with the exit code they ask for. ``made``: (path, SHA-256) of each ROM file that was made.
    """

    why: str | None
    line: str = ""
    warnings: tuple[Problem, ...] = ()
    problems: tuple[Problem, ...] = ()
    exit_code: int = 0
    made: tuple[tuple[str, str], ...] = ()
