"""What a run was asked for, known before its tasks are made. Imports little, as a run with nothing to do needs it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

_words: Sequence[str] | None = None


def ask(words: Sequence[str] | None) -> None:
    """Take the words of the command line that name tasks, before the tasks are made; None where all may be needed."""
    global _words  # doit makes the tasks of a run once, and gives them nothing
    _words = words


def may_be_named(group: str) -> bool:
    """Whether a task of a group may be named on the command line."""
    return _words is None or any(word.partition(":")[0] == group or "*" in word for word in _words)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunOptions:
    """How a run goes about its tasks.

    ``processes``: how many are asked for; 0 for as many as pay. ``always``: whether what is current is made too.
    ``goes_on``: whether other tasks are done after one that failed. ``show``: shows problems at once.
    """

    processes: int = 0
    always: bool = False
    goes_on: bool = True
    show: Callable[[Iterable[str]], None] = lambda _: None
