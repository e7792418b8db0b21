"""The ROM files of titles in a run: those of a card by one task, and those of single titles that are asked for.

A task for each title costs doit more memory than all we know of the title, so they are made only where they are named.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from pipeline.engine.asked import RunOptions
from pipeline.engine.job import Job, TaskStoppedError


class RomJobs:
    """Builds the ROM files of titles, of each title once; ``job`` gives the job of a title by its id."""

    def __init__(self, job: Callable[[str], Job]) -> None:
        self._job = job
        self._begun: dict[str, Job] = {}
        self._done: dict[str, TaskStoppedError | None] = {}

    def is_current(self, title: str) -> bool:
        """Whether there is nothing to do, or nothing is left to do."""
        if title in self._done:
            return self._done[title] is None
        self._begun[title] = job = self._job(title)
        return job.is_current()

    def execute(self, title: str) -> TaskStoppedError | None:
        """Build the ROM files of a title, unless this run did; return the failure when there are problems."""
        if title not in self._done:
            job = self._begun.pop(title, None) or self._job(title)
            self._done[title] = job.execute()
        return self._done[title]

    def execute_all(self, titles: Iterable[str], options: RunOptions) -> TaskStoppedError | dict[str, Any]:
        """Do what one task a title would do; return the failure where one failed, else how many were made."""
        made, problems, exit_code = 0, list[str](), 0
        for title in titles:
            is_current = self.is_current(title)
            if is_current and (title in self._done or not options.always):
                self._begun.pop(title, None)
                continue
            made += 1
            stopped = self.execute(title)
            if stopped:
                options.show(stopped.problems)
                problems += stopped.problems
                exit_code = max(exit_code, stopped.exit_code)
                if not options.goes_on:
                    break
        return TaskStoppedError(problems, exit_code) if exit_code else {"made": made}
