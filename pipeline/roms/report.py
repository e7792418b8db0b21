"""Collects the problems of one title."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from pipeline.errors import Place, Problem


def _unnamed(key: str) -> Place:
    return Place(key=key)


@dataclass(frozen=True, slots=True)
class ProblemReport:
    """Problems found so far; ``place`` says where a key of the title stands."""

    place: Callable[[str], Place] = _unnamed
    problems: list[Problem] = field(default_factory=list)

    def add(self, key: str, what: str, hint: str = "", also: Iterable[str] = ()) -> None:
        """Take down one problem at a key; ``also`` names the keys of the other sides."""
        places = tuple(map(self.place, also))
        self.problems.append(Problem(self.place(key), what, hint, places))
