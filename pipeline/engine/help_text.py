"""The texts of ``doit help``: one file for each in ``commands/help/``, read only when it is asked for.

A text begins with what the command does in one line, then its usage; the options are filled in from the command.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path

from doit.cmdparse import CmdOption

TEXTS = Path(__file__).parents[1] / "commands" / "help"
WIDTH = 80
"""Characters of a line, as terminals have them."""
EXAMPLES = "Examples\n"
"""The head before which the options stand."""


def names() -> list[str]:
    """Return what there is a text for, sorted."""
    return sorted(path.stem for path in TEXTS.glob("*.txt"))


@cache
def text(name: str) -> str:
    """Return the text of a command, task or topic; raises OSError when there is none."""
    return (TEXTS / f"{name}.txt").read_text(encoding="utf-8")


def purpose(name: str) -> str:
    """Return what a command does, in one line."""
    return text(name).partition("\n")[0]


def usage(name: str) -> str:
    """Return the arguments of a command, as its usage has them; several ways are joined by "or"."""
    start = f"    doit {name} "
    return " or ".join(line.removeprefix(start) for line in text(name).splitlines() if line.startswith(start))


def help_text(name: str, options: Iterable[CmdOption] = ()) -> str:
    """Return a text as it is printed, with the options before the examples."""
    before, head, after = text(name).partition(EXAMPLES)
    option_lines = "\n".join(_options(options))
    return f"{before}Options\n\n{option_lines}\n\n{head}{after}" if option_lines else f"{before}{head}{after}"


def _options(options: Iterable[CmdOption]) -> Iterator[str]:
    shown = [(_as_typed(option), option.help % {"default": option.default}) for option in options]
    wide = max((len(typed) for typed, _ in shown), default=0) + 6
    for typed, what in shown:
        yield from textwrap.wrap(
            what, WIDTH, initial_indent=f"    {typed:<{wide - 4}}", subsequent_indent=" " * wide, break_on_hyphens=False
        )


def _as_typed(option: CmdOption) -> str:
    value = "" if option.type is bool else f" {option.metavar}"
    return " ".join(filter(None, (option.short and f"-{option.short}", option.long and f"--{option.long}"))) + value
