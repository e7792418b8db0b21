"""Errors of every kind, collected so that all are shown at once."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager

from pipeline.errors import CardkilnError, CheckError, MachineError, ManifestError

KINDS = (ManifestError, CheckError, MachineError)
"""Which one is raised, and so the exit code, where problems of several kinds come together: the first of these."""


class CollectedErrors:
    """Collects errors until ``raise_all`` raises all of them as one."""

    def __init__(self, errors: Iterable[CardkilnError] = ()) -> None:
        self._errors = [*errors]

    @contextmanager
    def collect(self) -> Iterator[None]:
        """Keep what is raised inside, and go on after it."""
        try:
            yield
        except CardkilnError as error:
            self._errors.append(error)

    def raise_all(self) -> None:
        """Raise everything that was collected, nothing when there is nothing."""
        if self._errors:
            kind = next((kind for kind in KINDS if any(isinstance(error, kind) for error in self._errors)), CheckError)
            raise kind(problem for error in self._errors for problem in error.problems)
