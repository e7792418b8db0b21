"""The rules of boards and cores that a card's files must keep, beyond what FAT itself asks.

Each is a pure function from a selection and its files to problems; `model/rules.py` has its name and the reason for it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace

from pipeline.card.select import Selection
from pipeline.errors import Place, Problem
from pipeline.fat.names import fold, is_short
from pipeline.model.content import CardFile
from pipeline.model.manifest import Core
from pipeline.model.rules import (
    BOARD_HOLDS_THE_CORES,
    BOARD_TAKES_THE_CARD,
    FACTS_ARE_CURRENT,
    RESERVED_PATHS_ARE_THE_BOARDS,
    TITLE_FOLDERS_ARE_NOT_TOO_FULL,
    TITLES_ARE_NOT_TOO_LARGE,
    TITLES_HAVE_SHORT_NAMES,
    Rule,
)
from pipeline.model.units import show_size

Check = Callable[[Selection, Sequence[CardFile]], Iterator[Problem]]


def board_holds_the_cores(selection: Selection, files: Sequence[CardFile]) -> Iterator[Problem]:
    """Yield a problem where more cores are on the card than the board has slots for."""
    slots, wanted = selection.board.core_slots, len(selection.cores)
    if slots and wanted > slots:
        yield Problem(
            Place(file=selection.card.file, key="cores"),
            f'{wanted} cores are on the card, but board "{selection.board.id}" holds {slots}',
            f"remove {wanted - slots} of them, or make a second card",
            (Place(file=selection.board.file, key="cores.slots"),),
        )


def board_takes_the_card(selection: Selection, files: Sequence[CardFile]) -> Iterator[Problem]:
    """Yield a problem where the card is larger than the board takes."""
    largest, size = selection.board.largest, selection.card.volume.size
    if largest is not None and size > largest:
        yield Problem(
            Place(file=selection.card.file, key="volume.size"),
            f'{show_size(size)} is more than board "{selection.board.id}" takes: {show_size(largest)}',
            "make the volume smaller; a larger card may carry it",
            (Place(file=selection.board.file, key="largest-card"),),
        )


def reserved_paths_are_the_boards(selection: Selection, files: Sequence[CardFile]) -> Iterator[Problem]:
    """Yield the files in reserved places that are not the board's."""
    for file in files:
        for pattern in selection.board.reserved:
            if file.origin.kind not in ("board-file", "config", "menu") and _covers(pattern, file.path):
                yield Problem(
                    file.place,
                    f'"{file.path}" is reserved by board "{selection.board.id}" ("{pattern}")',
                    "put the file somewhere else",
                    (Place(file=selection.board.file, key="reserved"),),
                )


def titles_have_short_names(selection: Selection, files: Sequence[CardFile]) -> Iterator[Problem]:
    """Yield the files of titles with a long name where their core reads none."""
    for core, file in _of_titles(selection, files):
        name = file.path.rpartition("/")[2]
        if core.titles.names == "short" and not is_short(name):
            yield Problem(
                file.place,
                f'"{name}" is not a short name, and core "{core.id}" reads only short names',
                "use up to 8 upper-case letters or digits, a dot, and up to 3 more",
                (Place(file=core.file, key="titles.names"),),
            )


def titles_are_not_too_large(selection: Selection, files: Sequence[CardFile]) -> Iterator[Problem]:
    """Yield the files of titles that are larger than their core reads."""
    for core, file in _of_titles(selection, files):
        size = file.content.size or 0
        if core.titles.largest is not None and size > core.titles.largest:
            yield Problem(
                file.place,
                f'"{file.path.rpartition("/")[2]}" has {show_size(size)}, '
                f'and core "{core.id}" reads at most {show_size(core.titles.largest)}',
                "this title needs another core",
                (Place(file=core.file, key="titles.largest"),),
            )


def title_folders_are_not_too_full(selection: Selection, files: Sequence[CardFile]) -> Iterator[Problem]:
    """Yield the folders that hold more files of titles than their core lists."""
    files_in: dict[tuple[str, str], list[CardFile]] = defaultdict(list)
    for core, file in _of_titles(selection, files):
        files_in[core.id, fold(file.path.rpartition("/")[0])].append(file)
    cores = {core.id: core for core in selection.cores}
    for (core_id, _), inside in files_in.items():
        most = cores[core_id].titles.most
        if most and len(inside) > most:
            yield Problem(
                Place(file=selection.card.file, key="titles"),
                f'folder "{inside[0].path.rpartition("/")[0]}" gets {len(inside)} files, '
                f'and core "{core_id}" reads at most {most}',
                f"take {len(inside) - most} off, or give some titles a folder of their own",
                (Place(file=cores[core_id].file, key="titles.most"),),
            )


def facts_are_current(selection: Selection, files: Sequence[CardFile]) -> Iterator[Problem]:
    """Yield the cores whose facts are older than their release.

    Dates are compared as far as both are stated.
    """
    for core in selection.cores:
        common = min(len(core.date), len(core.release_date))
        if core.release_date[:common] > core.date[:common]:
            yield Problem(
                Place(file=core.file, key="date"),
                f'the facts on core "{core.id}" are of {core.date}, its release {core.release} of {core.release_date}',
                "look at what the new release says, correct the manifest, and set its date",
                (Place(file=core.file, key="release-date"),),
            )


CHECKS: Mapping[Rule, Check] = {
    BOARD_HOLDS_THE_CORES: board_holds_the_cores,
    BOARD_TAKES_THE_CARD: board_takes_the_card,
    RESERVED_PATHS_ARE_THE_BOARDS: reserved_paths_are_the_boards,
    TITLES_HAVE_SHORT_NAMES: titles_have_short_names,
    TITLES_ARE_NOT_TOO_LARGE: titles_are_not_too_large,
    TITLE_FOLDERS_ARE_NOT_TOO_FULL: title_folders_are_not_too_full,
    FACTS_ARE_CURRENT: facts_are_current,
}


def broken_rules(selection: Selection, files: Sequence[CardFile], changed: Sequence[CardFile] = ()) -> list[Problem]:
    """Return every problem the rules find, each with the name of its rule, in no particular order.

    ``changed``: the files that config files were changed from; a place that is reserved is so for them too.
    """
    return [
        replace(problem, rule=rule.name)
        for rule, check in CHECKS.items()
        for problem in check(selection, (*files, *changed) if rule == RESERVED_PATHS_ARE_THE_BOARDS else files)
    ]


def _of_titles(selection: Selection, files: Sequence[CardFile]) -> Iterator[tuple[Core, CardFile]]:
    """Yield each file of a title with the title's core."""
    cores = {title.id: selection.core_of(title) for title in selection.titles}
    for file in files:
        if file.origin.kind in ("rom-file", "title-file"):
            yield cores[file.origin.owner], file


def _covers(pattern: str, path: str) -> bool:
    """Whether a reserved pattern ("BENCH.SET", "SYSTEM/**") means this path, case ignored as FAT does."""
    if pattern.endswith("/**"):
        return fold(path).startswith(fold(pattern[:-2]))
    return fold(path) == fold(pattern)
