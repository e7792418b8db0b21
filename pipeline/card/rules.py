"""The rules of boards and cores that a card's files must keep, beyond what FAT itself asks.

Each is a pure function from a selection and its files to problems; its name is the rule's, its docstring the reason.
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
from pipeline.model.rule import WARNING, Rule, rule_of
from pipeline.model.units import show_size

Check = Callable[[Selection, Sequence[CardFile]], Iterator[Problem]]


def board_holds_the_cores(selection: Selection, files: Sequence[CardFile]) -> Iterator[Problem]:
    """A card holds no more cores than the board has slots for.

    The menu has so many slots; cores beyond them are on the card and cannot be chosen.
    """
    slots, wanted = selection.board.core_slots, len(selection.cores)
    if slots and wanted > slots:
        yield Problem(
            Place(file=selection.card.file, key="cores"),
            f'{wanted} cores are on the card, but board "{selection.board.id}" holds {slots}',
            f"take {wanted - slots} off, or make a second card",
            (Place(file=selection.board.file, key="cores.slots"),),
        )


def board_takes_the_card(selection: Selection, files: Sequence[CardFile]) -> Iterator[Problem]:
    """A card is no larger than the board takes.

    A loader may count sectors in fewer bits than the card needs, and finds nothing at all then.
    """
    largest, size = selection.board.largest, selection.card.volume.size
    if largest is not None and size > largest:
        yield Problem(
            Place(file=selection.card.file, key="volume.size"),
            f'{show_size(size)} is more than board "{selection.board.id}" takes: {show_size(largest)}',
            "make the volume smaller; a larger card may carry it",
            (Place(file=selection.board.file, key="largest-card"),),
        )


def reserved_paths_are_the_boards(selection: Selection, files: Sequence[CardFile]) -> Iterator[Problem]:
    """What the board's own firmware reads comes from the board's own files.

    A file of a core or a title in its place can keep the board from starting.
    """
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
    """Titles have 8.3 names where their core reads no others.

    Small loaders compare the 11 bytes of a directory entry and skip the entries that hold a long name.
    """
    for core, file in _of_titles(selection, files):
        name = file.path.rpartition("/")[2]
        if core.titles.names == "short" and not is_short(name):
            yield Problem(
                file.place,
                f'"{name}" is no short name, and core "{core.id}" reads only short names',
                "use up to 8 upper-case letters or digits, a dot, and up to 3 more",
                (Place(file=core.file, key="titles.names"),),
            )


def titles_are_not_too_large(selection: Selection, files: Sequence[CardFile]) -> Iterator[Problem]:
    """A title's files are no larger than its core reads.

    A core reads a file into memory of the board; what is beyond is cut off, or overwrites something.
    """
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
    """A folder of titles holds no more files than their core lists.

    A core keeps the list of a folder in memory of a fixed size; files beyond it are on the card and not to be found.
    """
    held: dict[tuple[str, str], list[CardFile]] = defaultdict(list)
    for core, file in _of_titles(selection, files):
        held[core.id, fold(file.path.rpartition("/")[0])].append(file)
    cores = {core.id: core for core in selection.cores}
    for (core_id, _), inside in held.items():
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
    """What a manifest says of a core is no older than the core's release.

    Cores change from release to release: other paths, other outputs, other keys. Dates are compared as far as both
    are stated: facts of 2026-05 are not older than a release of 2026-05-20.
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


CHECKS: Mapping[Check, Rule] = {
    **{
        check: rule_of(check, can_be_silenced=True)
        for check in (
            board_holds_the_cores,
            board_takes_the_card,
            reserved_paths_are_the_boards,
            titles_have_short_names,
            titles_are_not_too_large,
            title_folders_are_not_too_full,
        )
    },
    facts_are_current: rule_of(facts_are_current, WARNING, can_be_silenced=True),
}
"""What the manifests state of board and core; a person may know better, so each can be set aside with a reason."""


def broken_rules(selection: Selection, files: Sequence[CardFile]) -> list[Problem]:
    """Return every problem the rules find, each with the name of its rule, in no particular order."""
    return [replace(problem, rule=rule.name) for check, rule in CHECKS.items() for problem in check(selection, files)]


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
