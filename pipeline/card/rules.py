"""The rules of boards and cores that a card's files must keep, beyond what FAT itself asks.

Each rule is a pure function from a selection and its files to problems; ``RULES`` lists them.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence

from pipeline.card.select import Selection
from pipeline.errors import Place, Problem
from pipeline.fat.names import fold, is_short
from pipeline.model.content import CardFile
from pipeline.model.units import show_size


def board_holds_the_cores(selection: Selection, files: Sequence[CardFile]) -> Iterator[Problem]:
    """A board's menu has so many slots and no more."""
    slots, wanted = selection.board.core_slots, len(selection.cores)
    if slots and wanted > slots:
        yield Problem(
            Place(file=selection.card.file, key="cores"),
            f'{wanted} cores are on the card, but board "{selection.board.id}" holds {slots}',
            f"take {wanted - slots} off, or make a second card",
            (Place(file=selection.board.file, key="cores.slots"),),
        )


def board_takes_the_card(selection: Selection, files: Sequence[CardFile]) -> Iterator[Problem]:
    """A board's loader reads cards up to some size."""
    largest, size = selection.board.largest, selection.card.volume.size
    if largest is not None and size > largest:
        yield Problem(
            Place(file=selection.card.file, key="volume.size"),
            f'{show_size(size)} is more than board "{selection.board.id}" takes: {show_size(largest)}',
            "make the volume smaller; a larger card may carry it",
            (Place(file=selection.board.file, key="largest-card"),),
        )


def reserved_paths_are_the_boards(selection: Selection, files: Sequence[CardFile]) -> Iterator[Problem]:
    """What the board's own firmware reads must come from the board's own files."""
    for file in files:
        for pattern in selection.board.reserved:
            if file.origin.kind not in ("board-file", "config") and _covers(pattern, file.path):
                yield Problem(
                    file.place,
                    f'"{file.path}" is reserved by board "{selection.board.id}" ("{pattern}")',
                    "put the file somewhere else",
                    (Place(file=selection.board.file, key="reserved"),),
                )


def titles_keep_their_cores_rules(selection: Selection, files: Sequence[CardFile]) -> Iterator[Problem]:
    """Some cores read 8.3 names only, files up to some size, or so many files a folder."""
    cores = {title.id: selection.core_of(title) for title in selection.titles}
    counts: dict[tuple[str, str], list[CardFile]] = defaultdict(list)
    for file in files:
        if file.origin.kind not in ("rom-file", "title-file"):
            continue
        core = cores[file.origin.owner]
        folder, _, name = file.path.rpartition("/")
        counts[core.id, fold(folder)].append(file)
        if core.titles.names == "short" and not is_short(name):
            yield Problem(
                file.place,
                f'"{name}" is no short name, and core "{core.id}" reads only short names',
                "use up to 8 upper-case letters or digits, a dot, and up to 3 more",
                (Place(file=core.file, key="titles.names"),),
            )
        if core.titles.largest is not None and (file.content.size or 0) > core.titles.largest:
            yield Problem(
                file.place,
                f'"{name}" has {show_size(file.content.size or 0)}, '
                f'and core "{core.id}" reads at most {show_size(core.titles.largest)}',
                "this title needs another core",
                (Place(file=core.file, key="titles.largest"),),
            )
    by_id = {core.id: core for core in selection.cores}
    for (core_id, _), held in counts.items():
        most = by_id[core_id].titles.most
        if most and len(held) > most:
            yield Problem(
                Place(file=selection.card.file, key="titles"),
                f'folder "{held[0].path.rpartition("/")[0]}" gets {len(held)} files, '
                f'and core "{core_id}" reads at most {most}',
                f"take {len(held) - most} off, or give some titles a folder of their own",
                (Place(file=by_id[core_id].file, key="titles.most"),),
            )


RULES = (
    board_holds_the_cores,
    board_takes_the_card,
    reserved_paths_are_the_boards,
    titles_keep_their_cores_rules,
)


def broken_rules(selection: Selection, files: Sequence[CardFile]) -> list[Problem]:
    """Return every problem the rules find, in no particular order."""
    return [problem for rule in RULES for problem in rule(selection, files)]


def _covers(pattern: str, path: str) -> bool:
    """Whether a reserved pattern ("BOARD.CFG", "SYSTEM/**") means this path, case ignored as FAT does."""
    if pattern.endswith("/**"):
        return fold(path).startswith(fold(pattern[:-2]))
    return fold(path) == fold(pattern)
