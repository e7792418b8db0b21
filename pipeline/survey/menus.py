"""The text that names cores in the board's menu: a small file for each core, or one file for all."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from pipeline.configs.read_fields import fields_from
from pipeline.configs.write import write_for_each
from pipeline.errors import ManifestError
from pipeline.fat.names import fold
from pipeline.model.manifest import ConfigFile
from pipeline.model.text import counted, listed, quote
from pipeline.survey.core_places import FIELD, escaped, folder_of
from pipeline.survey.menu_lines import template_lines
from pipeline.survey.text_form import TextForm, lines_of_text, text_form
from pipeline.survey.values import BLANK, FOUND, REMARK, SUGGESTED, CorePlaces, Habit, SurveyedFile, names, share

WAY = ("cores", "menu")

LONGEST_MENU = 16
"""Lines that a menu has at most for one core, and at its top; a longer text is no menu."""

MOST_MENUS = 4
"""Menus that are suggested where none is certain."""

WORD = re.compile(r"[\w-]+")

WEAK = "with a single core, nothing shows what varies"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Menu:
    """A menu as it may be declared, and the evidence for it. ``doubt``: why it is no more than a suggestion, or "".

    ``files``: the paths of the files that it stands for.
    """

    config: ConfigFile
    form: TextForm
    is_for_all: bool
    evidence: tuple[str, ...]
    files: tuple[str, ...]
    doubt: str = ""


def menu_habits(places: CorePlaces, files: Sequence[SurveyedFile]) -> tuple[list[Habit], frozenset[str]]:
    """Return the habits on the menu, and the folded paths of the files that it may be.

    A menu is declared where it gives back, byte for byte, the file of every core; else it is a suggestion.
    """
    texts = [file for file in files if file.text is not None]
    menus = [*_for_each(places, texts), *_for_all(places, texts)]
    menus.sort(key=lambda menu: (bool(menu.doubt), menu.config.path))
    sure = [menu for menu in menus if not menu.doubt]
    habits: list[Habit] = []
    if not menus:
        habits.append(_remark("No small text file names the cores: no menu is declared."))
    if len(sure) > 1:
        habits.append(
            _remark(f"{len(sure):,} files may be the menu, and the card does not show which: keep one of these.")
        )
    for menu in sure or menus[:MOST_MENUS]:
        habits += _declared(menu, FOUND if len(sure) == 1 else SUGGESTED)
    return habits, frozenset(fold(path) for menu in menus for path in menu.files)


def _remark(text: str) -> Habit:
    return Habit(way=WAY, standing=REMARK, evidence=(text,))


def _declared(menu: _Menu, standing: str) -> Iterator[Habit]:
    config, form = menu.config, menu.form
    doubt = (f"Not declared: {menu.doubt}.",) if menu.doubt else ()
    yield Habit(way=(*WAY, "path"), standing=standing, value=config.path, evidence=(*menu.evidence, *doubt))
    if menu.is_for_all:
        yield Habit(way=(*WAY, "one-for-all"), standing=standing, value=True)
    if config.head:
        yield Habit(way=(*WAY, "head"), standing=standing, value=config.head)
    yield Habit(way=(*WAY, "lines"), standing=standing, value=config.lines)
    if not form.is_shown:
        evidence = "No line has an ending, so the card does not show which ending the board expects."
        yield Habit(way=(*WAY, "line-ending"), standing=SUGGESTED, value="lf", evidence=(evidence,))
    elif config.line_ending != "lf":
        yield Habit(way=(*WAY, "line-ending"), standing=standing, value=config.line_ending)
    yield from _encoding(form, standing)
    if not config.final_line_ending:
        yield Habit(way=(*WAY, "final-line-ending"), standing=standing, value=False)


def _encoding(form: TextForm, standing: str) -> Iterator[Habit]:
    way = (*WAY, "encoding")
    if form.encoding == "ascii":
        evidence = "All characters are ASCII; a name with others needs an encoding that the board's manual gives."
        yield Habit(way=way, standing=standing, value="ascii", evidence=(evidence,))
    elif form.encoding:
        yield Habit(
            way=way, standing=standing, value=form.encoding, evidence=(f"It reads {quote(form.beyond_ascii)}.",)
        )
    else:
        readings = [f"{encoding}: {quote(word)}" for encoding, word in (form.readings or {}).items()]
        evidence = f"Several encodings read it: {listed(readings)}. Take the one that is spelled right."
        yield Habit(way=way, standing=BLANK if standing == FOUND else standing, value="ascii", evidence=(evidence,))


def _for_each(places: CorePlaces, texts: Sequence[SurveyedFile]) -> Iterator[_Menu]:
    """Yield a menu for each text file that most cores have beside their bitstream, under one name or their own."""
    beside: dict[str, dict[str, SurveyedFile]] = defaultdict(dict)
    in_folder = defaultdict[str, list[SurveyedFile]](list)
    for file in texts:
        in_folder[fold(file.folder)].append(file)
    for core in places.cores:
        for file in in_folder[fold(folder_of(places, core))]:
            stem, dot, extension = file.name.rpartition(".")
            if fold(stem) == fold(core):
                beside[f"{FIELD}{dot}{escaped(extension)}"][core] = file
            elif FIELD in places.folder:
                beside[escaped(file.name)][core] = file
    spelled: dict[str, str] = {}
    merged: dict[str, dict[str, SurveyedFile]] = defaultdict(dict)
    for template, found in sorted(beside.items(), key=lambda pair: -len(pair[1])):
        merged[spelled.setdefault(fold(template), template)].update(found)
    for template, found in merged.items():
        if 2 * len(found) > len(places.cores):
            yield from _menu_for_each(template, found, places)


def _menu_for_each(template: str, found: Mapping[str, SurveyedFile], places: CorePlaces) -> Iterator[_Menu]:
    data = {core: file.text or b"" for core, file in found.items()}
    form = text_form(data.values())
    all_lines = {core: lines_of_text(text, form) for core, text in data.items()}
    size = Counter(map(len, all_lines.values())).most_common(1)[0][0]
    if size > LONGEST_MENU:
        return
    lines, doubt = template_lines({core: lines for core, lines in all_lines.items() if len(lines) == size})
    if not any(FIELD in line or "{name}" in line for line in lines):
        return  # the same for every core: it names none
    config = _config(template, lines, (), form)
    same = [core for core, text in data.items() if _is_given_back(config, core, all_lines[core], text)]
    different = [file.path for core, file in found.items() if core not in same]
    total = len(places.cores)
    where = f"a file {template} beside its bitstream; these lines give back {len(same):,} of {len(found):,}"
    evidence = [
        share(len(found), total, "core", "has", where),
        *([f"Written otherwise: {names(different)}."] if different else []),
    ]
    doubt = doubt or _of_encoding(form, lines)
    if not doubt and (different or len(found) < total):
        doubt = "a build writes this file for every core, and not all cores have it in this form"
    yield _Menu(
        config=config,
        form=form,
        is_for_all=False,
        evidence=tuple(evidence),
        files=tuple(file.path for file in found.values()),
        doubt=doubt or (WEAK if total == 1 else ""),
    )


def _of_encoding(form: TextForm, lines: Iterable[str]) -> str:
    """Return why lines are not certain whose characters depend on an encoding that is not known, else ""."""
    known = form.encoding or "".join(lines).isascii()
    return "" if known else "its plain text is beyond ASCII, and its encoding is not known"


def _is_given_back(config: ConfigFile, core: str, lines: Sequence[str], data: bytes) -> bool:
    fields = fields_from(config.lines, lines, {"core": core})
    return fields is not None and _written(config, [{**fields, "core": core}]) == data


def _written(config: ConfigFile, each: Sequence[Mapping[str, str]]) -> bytes | None:
    try:
        return write_for_each(config, each)
    except ManifestError:
        return None


def _config(path: str, lines: Sequence[str], head: Sequence[str], form: TextForm) -> ConfigFile:
    return ConfigFile(
        path=path, line_ending=form.line_ending or "lf", encoding=form.encoding or "latin-1", key="cores.menu",
        head=tuple(head), lines=tuple(lines), final_line_ending=form.final_line_ending,
    )  # fmt: skip


def _for_all(places: CorePlaces, texts: Sequence[SurveyedFile]) -> Iterator[_Menu]:
    """Yield a menu for each text file in which the same number of lines stand for each of several cores."""
    for file in texts:
        data = file.text or b""
        form = text_form([data])
        lines = lines_of_text(data, form)
        named = _first_lines(lines, places.cores)
        if len(named) >= min(2, len(places.cores)):
            yield from _menu_for_all(file, lines, named, form, places)


def _first_lines(lines: Sequence[str], cores: Mapping[str, SurveyedFile]) -> dict[str, int]:
    """Return the first line that has each core's name on the card as a word of its own, in the order of the lines."""
    found: dict[str, int] = {}
    for number, line in enumerate(lines):
        word = next((word for word in WORD.findall(line) if word in cores), "")
        if word:
            found.setdefault(word, number)
    return found


def _menu_for_all(
    file: SurveyedFile, lines: Sequence[str], named: Mapping[str, int], form: TextForm, places: CorePlaces
) -> Iterator[_Menu]:
    numbers, total = list(named.values()), len(places.cores)
    steps = {after - before for before, after in pairwise(numbers)}
    step = next(iter(steps), 1)
    start = len(lines) - step * len(named)
    if len(steps) > 1 or not 0 <= start <= LONGEST_MENU or step > LONGEST_MENU or not 0 <= numbers[0] - start < step:
        return
    blocks = {core: lines[start + at * step : start + (at + 1) * step] for at, core in enumerate(named)}
    templates, doubt = template_lines(blocks)
    if not any(FIELD in line for line in templates):
        return
    config = _config(escaped(file.path), templates, lines[:start], form)
    each = [fields_from(templates, block, {"core": core}) for core, block in blocks.items()]
    fields = [{**found, "core": core} for found, core in zip(each, blocks, strict=True) if found is not None]
    doubt = doubt or _of_encoding(form, (*lines[:start], *templates))
    if len(fields) < len(blocks) or _written(config, fields) != file.text:
        doubt = doubt or "the lines of the cores do not give back the file byte for byte"
    elif len(named) < total:
        doubt = doubt or "a build names every core, and the file does not"
    where = f"named in {quote(file.path)}, {counted(step, 'line')} for each core, from line {start + 1:,} on"
    yield _Menu(
        config=config,
        form=form,
        is_for_all=True,
        evidence=(share(len(named), total, "core", "is", where),),
        files=(file.path,),
        doubt=doubt or (WEAK if total == 1 else ""),
    )
