"""What is loaded by the names on the command line: dodo.py, and the tasks in it; each error is one message."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from doit.cmd_base import DodoTaskLoader
from doit.exceptions import InvalidCommand, InvalidDodoFile

from pipeline.errors import CardkilnError, MachineError, ManifestError, Place, Problem


class Loader(DodoTaskLoader):  # type: ignore[misc]  # doit has no type information
    """Loads dodo.py as doit does; raises MachineError where that fails."""

    def setup(self, opt_values: Any) -> None:
        """Load dodo.py, and change to its folder or the one that was asked for."""
        file = opt_values["dodoFile"]
        try:
            super().setup(opt_values)
        except CardkilnError:
            raise
        except InvalidDodoFile:
            hint = "change to the folder of your cards, or name the file with -f"
            raise MachineError.one("there is no such file", hint, file=file) from None
        except InvalidCommand:
            raise MachineError.one("there is no such folder", file=opt_values["cwdPath"]) from None
        except Exception as error:  # whatever a file raises that holds no tasks
            raise MachineError.one(f"cannot be loaded: {type(error).__name__}: {error}", file=file) from error
        if self.namespace.get("__file__") is None:
            raise MachineError.one("is a folder, expected a file such as dodo.py", file=file)


def refuse_unknown(tasks: Iterable[Any], words: Iterable[str]) -> None:
    """Raise ManifestError for each word that names no task."""
    names = [task.name for task in tasks]
    problems = [unknown(word, names, "a task", "doit list --all shows them") for word in words if word not in names]
    if problems:
        raise ManifestError(problems)


def unknown(word: str, names: Sequence[str], expected: str, hint: str) -> Problem:
    """Return what is said of a word that is none of the names; the hint is the nearest of them, else the one given."""
    from pipeline.model.text import did_you_mean, quote  # only now, so that every command starts at once

    return Problem(Place(), f"found {quote(word)}, expected {expected}", did_you_mean(word, names, hint))
