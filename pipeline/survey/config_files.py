"""Config files and their keys: what may become settings of the board."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from itertools import chain, count

from pipeline.configs.layout import HEAD, NOTE, key_of, lines_of, sections_of, value_of
from pipeline.fat.names import fold
from pipeline.model.text import counted, quote
from pipeline.survey.text_form import text_form
from pipeline.survey.values import REMARK, SUGGESTED, Habit, SurveyedFile, names

NAME = re.compile(rb"[A-Za-z0-9][A-Za-z0-9_. -]{0,39}")
"""What a key of a config file looks like; prose before a colon is longer or has other signs (common practice)."""

MOST_KEYS = 40
"""Keys that are suggested as settings."""

Row = tuple[SurveyedFile, str, str, str]
"""A key of a config file: the file, its section, the key, its value."""


def config_habits(files: Sequence[SurveyedFile], menus: Collection[str]) -> list[Habit]:
    """Return suggestions of settings, one for each key of each config file; ``menus``: folded paths that are none."""
    rows: list[Row] = []
    configs = []
    for file in files:
        found = list(_keys(file)) if file.text and fold(file.path) not in menus else []
        if found:
            configs.append(file)
            rows += found
    if not rows:
        evidence = "No config file: no small text file has lines with a key and a value, and nothing else."
        return [Habit(way=("settings",), standing=REMARK, evidence=(evidence,))]
    head = f"{counted(len(configs), 'config file')}: {names(file.path for file in configs)}. Each key may be a setting."
    more = f"Only the first {MOST_KEYS:,} of {len(rows):,} keys are listed." if len(rows) > MOST_KEYS else ""
    habits = [Habit(way=("settings",), standing=REMARK, evidence=tuple(filter(None, (head, more))))]
    taken: set[str] = set()
    for row in rows[:MOST_KEYS]:
        habits += _setting(row, taken)
    return habits


def _keys(file: SurveyedFile) -> Iterator[Row]:
    """Yield the keys of a config file that stand once in their section; none for a text that is no config file."""
    data = file.text or b""
    form = text_form([data])
    lines = list(lines_of(data.rstrip(b"\x1a")))
    keys = [key for line in lines if (key := key_of(line))]
    statements = [line for line in lines if not (line.is_blank or NOTE.match(line.text) or HEAD.fullmatch(line.text))]
    if (
        not form.encoding
        or not keys
        or len(statements) != len(keys)
        or not all(NAME.fullmatch(key.name) for key in keys)
    ):
        return
    for section in sections_of(lines):
        counts = Counter(key.name for line in section.lines if (key := key_of(line)))
        for line in section.lines:
            key = key_of(line)
            value = value_of(line.text, key.name) if key and counts[key.name] == 1 else None
            if key and value:
                texts = (section.name, key.name, line.text[value.start : value.end])
                yield (file, *(text.decode(form.encoding) for text in texts))  # type: ignore[misc]  # three texts


def _setting(row: Row, taken: set[str]) -> Iterator[Habit]:
    file, section, key, value = row
    word = _word(key) or "setting"
    name = next(name for name in chain([word], (f"{word}-{number}" for number in count(2))) if name not in taken)
    taken.add(name)
    where = f" in [{section}]" if section else ""
    evidence = f"{quote(key)}{where} of {quote(file.path)} is {quote(value)}; add the other choices."
    yield _suggested(name, "path", file.path, evidence)
    if section:
        yield _suggested(name, "section", section)
    yield _suggested(name, "key", key)
    yield _suggested(name, "choices", {_word(value) or "as-found": value})


def _suggested(name: str, key: str, value: str | dict[str, str], *evidence: str) -> Habit:
    return Habit(way=("settings", name, key), standing=SUGGESTED, value=value, evidence=evidence)


def _word(text: str) -> str:
    return "-".join(re.findall("[a-z0-9]+", text.lower()))
