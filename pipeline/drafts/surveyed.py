"""The board that a card shows, as a drafted manifest: each key below the evidence for it."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from pipeline.manifest.text.blank import BLANK as BLANK_TEXT
from pipeline.manifest.text.blank import BLANKS_ARE
from pipeline.manifest.text.write import toml_key, toml_value
from pipeline.model.manifest import Value
from pipeline.model.text import shown
from pipeline.survey.values import BLANK, FOUND, REMARK, SUGGESTED, Habit

WIDTH = 118
"""Characters of a line of comment."""


def surveyed_text(origin: str, habits: Sequence[Habit]) -> Iterator[str]:
    """Yield the lines of a board; ``origin``: the card, as people know it."""
    yield from _comment(f"Drafted from the card {origin}. {BLANKS_ARE}")
    yield from _comment(
        "Above each key is what the card shows of it. A key in a comment is a suggestion: take out the # in front of "
        'it if it is right. "doit keys board" lists what else can be said here.'
    )
    table: tuple[str, ...] = ()
    written: set[tuple[str, ...]] = set()
    for habit in habits:
        above = habit.way if habit.standing == REMARK else habit.way[:-1]
        is_stated = _is_stated(above, habits)
        if habit.standing == REMARK:
            yield from ("", *_remarks(habit))
            continue
        if above != table or (habit.way in written and not is_stated):
            yield from ("", f"{'' if is_stated else '# '}[{toml_key(above)}]")
            table, written = above, set()
        elif habit.evidence:
            yield ""
        written.add(habit.way)
        yield from (*_remarks(habit), _line(habit))


def _is_stated(table: tuple[str, ...], habits: Sequence[Habit]) -> bool:
    """Whether a table holds a key that is no suggestion."""
    return any(habit.way[:-1] == table and habit.standing in (FOUND, BLANK) for habit in habits)


def _remarks(habit: Habit) -> Iterator[str]:
    for text in habit.evidence:
        yield from _comment(text)


def _line(habit: Habit) -> str:
    blank: Value = (BLANK_TEXT,) if isinstance(habit.value, tuple) else BLANK_TEXT
    value = blank if habit.standing == BLANK else habit.value
    line = f"{toml_key(habit.way[-1:])} = {_printable(toml_value(value))}"
    return f"# {line}" if habit.standing == SUGGESTED else line


def _printable(text: str) -> str:
    """Return TOML text with escapes in place of characters that do not show."""
    return "".join(mark if mark.isprintable() else f"\\U{ord(mark):08x}" for mark in text)


def _comment(text: str) -> list[str]:
    return [f"# {line}" for line in textwrap.wrap(shown(text), WIDTH, break_on_hyphens=False)]
