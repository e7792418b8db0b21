"""All that a card shows of the board it was made for: ``survey`` is what others need."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence

from pipeline.bitstreams.bitstream import SIZE_CLASS
from pipeline.fat.names import fold
from pipeline.model.text import counted
from pipeline.survey.config_files import config_habits
from pipeline.survey.core_places import FIELD, MOST_PATTERNS, core_places, escaped, folder_of
from pipeline.survey.fpga import fpga_habits
from pipeline.survey.menus import menu_habits
from pipeline.survey.values import (
    BLANK,
    FOUND,
    REMARK,
    SUGGESTED,
    CorePlaces,
    Habit,
    SurveyedCard,
    SurveyedFile,
    names,
    share,
)
from pipeline.survey.volume_habits import volume_habits


def survey(card: SurveyedCard) -> tuple[Habit, ...]:
    """Return the keys of the board that a card shows, each with its evidence; the same for the same card.

    What the card does not show, or shows in two ways, is BLANK or SUGGESTED.
    """
    bitstreams = _bitstreams(card.files)
    places, cores = core_places(bitstreams, card.files, card.folders)
    of_cores = list(places.cores.values()) if places else bitstreams
    menu, menus = menu_habits(places, card.files) if places else ([], frozenset[str]())
    return (
        Habit(way=("name",), standing=BLANK),
        *volume_habits(card.reading, card.size),
        *_titles(places, card),
        *_rest(card),
        *fpga_habits(of_cores),
        *cores,
        *menu,
        *config_habits(_outside(places, card.files), menus),
    )


def _bitstreams(files: Sequence[SurveyedFile]) -> list[SurveyedFile]:
    """Return the bitstreams; those that no more than their size speaks for only where there is no other."""
    recognised = [file for file in files if file.bitstream]
    sure = [file for file in recognised if file.bitstream and file.bitstream.precision != SIZE_CLASS]
    return sure or recognised


def _outside(places: CorePlaces | None, files: Sequence[SurveyedFile]) -> list[SurveyedFile]:
    """Return the files that are not in the folder of a core: what is there belongs to the core, not to the board."""
    if places is None or FIELD not in places.folder:
        return list(files)
    folders = tuple(f"{fold(folder_of(places, core))}/" for core in places.cores)
    return [file for file in files if not fold(file.path).startswith(folders)]


def _titles(places: CorePlaces | None, card: SurveyedCard) -> Iterator[Habit]:
    """Yield the habits on the folder for titles: folders outside of those of cores that are named after cores."""
    way = ("title-folder",)
    if places is None:
        evidence = "Where cores go is not certain, and so it is not certain where their titles are."
        yield Habit(way=way, standing=SUGGESTED, value="", evidence=(evidence,))
        return
    found = _folders_named_after_cores(places, card)
    total = len(places.cores)
    ranked = sorted(found.items(), key=lambda pair: (-len(pair[1]), pair[0]))
    if not ranked:
        evidence = (
            "No folder beside those of the cores is named after a core, so the card does not show where titles are."
        )
        yield Habit(way=way, standing=SUGGESTED, value="", evidence=(evidence,))
        return
    most = len(ranked[0][1])
    best = [pair for pair in ranked if len(pair[1]) == most]
    for template, folders in best[:MOST_PATTERNS]:
        inside = sum(fold(file.path).startswith(tuple(folders)) for file in card.files)
        where = f"a folder {template}, with {counted(inside, 'file')} in all"
        evidence = share(len(folders), total, "core", "has", where)
        is_sure = len(best) == 1 and most > 1
        yield Habit(way=way, standing=FOUND if is_sure else SUGGESTED, value=template, evidence=(evidence,))


def _folders_named_after_cores(places: CorePlaces, card: SurveyedCard) -> dict[str, set[str]]:
    """Return the folded path, with "/" at its end, of each folder named after a core, by its template."""
    cores = {fold(core): core for core in places.cores}
    own = tuple(f"{fold(folder_of(places, core))}/" for core in places.cores) if FIELD in places.folder else ()
    found = defaultdict[str, set[str]](set)
    for path in card.folders:
        above, _, name = path.rpartition("/")
        folded = f"{fold(path)}/"
        if fold(name) in cores and not any(place.startswith(folded) or folded.startswith(place) for place in own):
            found["/".join(filter(None, [escaped(above), FIELD]))].add(folded)
    return found


def _rest(card: SurveyedCard) -> Iterator[Habit]:
    """Yield what a person should know of the files in the root directory, and of those that were not looked at."""
    root = [file.path for file in card.files if "/" not in file.path]
    lines = (
        [f"In the root directory: {names(root)}. Those that are the board's own go into base and reserved."]
        if root
        else []
    )
    lines += [f"Not looked at: {names(card.left_out)}."] if card.left_out else []
    yield from [Habit(way=(), standing=REMARK, evidence=tuple(lines))] if lines else []
