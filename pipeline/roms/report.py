"""Collects the problems of one title."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from pipeline.errors import Place, Problem


@dataclass(frozen=True, slots=True)
class ProblemReport:
    """Problems found so far, all in one manifest file."""

    file: str = ""
    problems: list[Problem] = field(default_factory=list)

    def add(self, key: str, what: str, hint: str = "", also: Iterable[str] = ()) -> None:
        """Take down one problem at a key; ``also`` names the keys of the other sides."""
        places = tuple(Place(file=self.file, key=side) for side in also)
        self.problems.append(Problem(Place(file=self.file, key=key), what, hint, places))
