"""Problems as data, and the one exception family that carries them to a person."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import Self

from pipeline.printable import shown


@dataclass(frozen=True, order=True, slots=True)
class Place:
    """Where something stands: a file as the user knows it, 1-based line and column (0: the whole file), and a key."""

    file: str = ""
    line: int = 0
    column: int = 0
    key: str = ""

    def __str__(self) -> str:
        position = f":{self.line}:{self.column}" if self.line else ""
        return ": ".join(part for part in (self.file + position, self.key) if part)


@dataclass(frozen=True, order=True, slots=True)
class Problem:
    """One thing that is wrong: where, what was found and expected, and what to do about it.

    ``also`` holds the other sides of a conflict, each shown with its own file and line. ``rule``: the name of the
    rule that is broken, "" where it is none that is listed. ``details``: further lines below the first.

    As text, each of these is one line that is safe on a
    terminal, whatever names from outside are in it.
    """

    place: Place
    what: str
    hint: str = ""
    also: tuple[Place, ...] = ()
    rule: str = field(default="", compare=False)
    details: tuple[str, ...] = ()

    def __str__(self) -> str:
        start = str(self.place)
        lines = [f"{start}: {self.what}" if start else self.what]
        lines += [f"    {detail}" for detail in self.details]
        lines += [f"  see {place}" for place in self.also]
        if self.hint:
            lines.append(f"  hint: {self.hint}")
        return "\n".join(map(shown, lines))


class CardkilnError(Exception):
    """Problems a person can act on, sorted and without repeats; ``exit_code`` is what the command ends with."""

    exit_code = 1

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(sorted(set(problems)))
        super().__init__("\n".join(str(problem) for problem in self.problems))

    def __reduce__(self) -> tuple[type[Self], tuple[tuple[Problem, ...]]]:
        """Return how it is made anew in another process."""
        return type(self), (self.problems,)

    @classmethod
    def one(cls, what: str, hint: str = "", *, file: str = "", key: str = "") -> Self:
        """Return the exception for a single problem."""
        return cls([Problem(Place(file=file, key=key), what, hint)])


class CheckError(CardkilnError):
    """Something was checked and is not as declared: a missing content, a wrong hash, a damaged image."""

    exit_code = 1


class ChangedError(CheckError):
    """A source file is not any more what it was, or never was what is remembered of it."""


class ManifestError(CardkilnError):
    """The manifests (or the command line) ask for something that cannot be."""

    exit_code = 2


class MachineError(CardkilnError):
    """The machine does not let us: a full disk, a missing permission, a file that cannot be read."""

    exit_code = 3


class RefusedError(CardkilnError):
    """It could destroy what is not meant: the wrong disk, or nobody agreed."""

    exit_code = 4


def system_problem(error: OSError) -> Problem:
    """Return what the operating system says went wrong, at the file it names."""
    return Problem(Place(str(error.filename or "input or output")), error.strerror or str(error))


def located(problems: Iterable[Problem], locate: Callable[[Place], Place]) -> tuple[Problem, ...]:
    """Return the problems with line and column filled in by ``locate``, sorted."""
    return tuple(
        sorted(replace(p, place=locate(p.place), also=tuple(locate(place) for place in p.also)) for p in set(problems))
    )
