"""The rules on a card that anybody may have made.

What is on it becomes the values that a declared card comes to, and the same rules judge it. Only what needs the volume
or the bytes of its files is looked at here.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from pipeline.build.bitstream_checks import bitstream_problem
from pipeline.build.rules import Judgement, judged
from pipeline.card import rules as card_rules
from pipeline.card.contents import changed_files
from pipeline.card.core_on_board import fields_of, menu_path
from pipeline.card.layout import file_problems, label_problems
from pipeline.card.select import Selection, agreed_settings, readers
from pipeline.configs.change import EditError
from pipeline.configs.edit import edit_value
from pipeline.configs.write import write_config
from pipeline.errors import ManifestError, Place, Problem
from pipeline.fat.names import fold
from pipeline.inspect.card_under_test import CardUnderTest, config_kinds, files_of, is_at, selection_of
from pipeline.model.content import CardFile, CardFolder
from pipeline.model.manifest import ConfigEdit, Core, Setting
from pipeline.model.plan import SECTOR
from pipeline.model.reading import Reading
from pipeline.model.rules import (
    BITSTREAM_IS_FOR_THE_FPGA,
    BITSTREAM_IS_IDENTIFIABLE,
    BOARD_TAKES_THE_CARD,
    CONTENTS_FIT,
    FILES_ARE_NOT_TOO_LARGE,
    FILES_TO_CHANGE_ARE_THERE,
    FOLDERS_HAVE_ROOM,
    LABEL_IS_LEGAL,
    NAMES_ARE_LEGAL,
    NAMES_ARE_UNIQUE,
    ONE_FILE_IS_FIRST,
    RULES,
    SETTINGS_AGREE,
    VOLUME_IS_READ_BY_ALL,
    Rule,
)
from pipeline.model.text import listed
from pipeline.stations import rules as station_rules
from pipeline.volume.placement import label_fault, placement_fault

ON_ANY_CARD = {
    *card_rules.CHECKS, SETTINGS_AGREE, FILES_TO_CHANGE_ARE_THERE, NAMES_ARE_LEGAL, NAMES_ARE_UNIQUE,
    BITSTREAM_IS_FOR_THE_FPGA, BITSTREAM_IS_IDENTIFIABLE,
}  # fmt: skip
"""Rules that the files of a card are enough for."""

ON_A_VOLUME = {
    BOARD_TAKES_THE_CARD, VOLUME_IS_READ_BY_ALL, LABEL_IS_LEGAL, ONE_FILE_IS_FIRST, FILES_ARE_NOT_TOO_LARGE,
    CONTENTS_FIT, FOLDERS_HAVE_ROOM,
}  # fmt: skip
"""Rules that need the volume; on one that can be read everything fits and every folder has room."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Conformance:
    """What the rules say of a card. ``not_checked``: names of the rules that cannot be checked on it."""

    judgement: Judgement
    not_checked: tuple[str, ...]


def judge_card(test: CardUnderTest) -> Conformance:
    """Return what the rules say of a card; `judgement` is as `doit check` has it for a declared one."""
    selection = selection_of(test)
    files = files_of(test, selection)
    checked = _checked(test)
    problems = [
        *card_rules.broken_rules(selection, files, _files_changed(test)),
        *_of_stations(test, selection),
        *_of_the_layout(test, files),
        *_of_settings(test, selection),
        *_of_bitstreams(test, selection),
        *_of_expected_files(test, selection),
        *_of_the_menu(test),
        *(_of_the_volume(test, test.reading) if test.reading else ()),
    ]
    return Conformance(
        judgement=judged(
            selection, [problem for problem in problems if problem.rule == "" or RULES[problem.rule] in checked]
        ),
        not_checked=tuple(rule.name for rule in RULES.values() if rule not in checked),
    )


def _checked(test: CardUnderTest) -> set[Rule]:
    """Return the rules that can be checked on a card; those of stations where it is known whose they are."""
    checked = set(ON_ANY_CARD)
    checked = checked | ON_A_VOLUME if test.reading else checked - ON_A_VOLUME
    return checked | (set(station_rules.CHECKS) if test.identified else set())


def _files_changed(test: CardUnderTest) -> list[CardFile]:
    """Return the files that the config files of the identified card are changed from."""
    try:
        return changed_files(test.identified.jobs, test.identified.files) if test.identified else []
    except ManifestError:
        return []  # the files there are then told by the check of the manifests


def _of_stations(test: CardUnderTest, selection: Selection) -> list[Problem]:
    card = selection.card
    stations = [test.manifest.stations[station] for station in card.stations]
    return station_rules.broken_rules(card, stations, test.board, test.cores, test.titles)


def _of_the_layout(test: CardUnderTest, files: Iterable[CardFile]) -> list[Problem]:
    """Return what the names, the first file and the sizes break; on a volume that can be read the rest fits."""
    where = Place(file=test.shown)
    once = list({file.path: file for file in files}.values())
    cluster = test.reading.volume.cluster_bytes if test.reading else SECTOR
    folders = [CardFolder(path=path, place=replace(where, key=path)) for path in test.folders]
    return file_problems(once, folders, cluster, where)[1]


def _of_settings(test: CardUnderTest, selection: Selection) -> Iterator[Problem]:
    """Yield settings on which the cores do not agree, and those that are not as a core needs them."""
    problems: list[Problem] = []
    agreed_settings(selection.card, test.board, test.cores, problems)
    yield from problems
    for core in test.cores:
        for name, choice in core.needs.settings.items():
            yield from _of_a_setting(test, core, test.board.settings[name], choice)


def _of_a_setting(test: CardUnderTest, core: Core, setting: Setting, choice: str) -> Iterator[Problem]:
    file, place = test.by_path.get(fold(setting.path)), Place(file=test.shown, key=setting.path)
    if file is None:
        what = f"{setting.path} is missing, and core {core.id} needs {setting.name} {choice} in it"
        yield Problem(place, what, "copy the board's", rule=FILES_TO_CHANGE_ARE_THERE.name)
    elif setting_of(test.read(file.path), setting) != choice:
        key = f"{setting.key} in [{setting.section}]" if setting.section else setting.key
        hint = f"in {file.path}, set {key} to {setting.choices[choice]}"
        yield Problem(place, f"core {core.id} needs {setting.name} {choice}", hint, rule=SETTINGS_AGREE.name)


def setting_of(data: bytes, setting: Setting) -> str:
    """Return the choice a config file has for a setting of the board, "" where it is none of them."""
    for choice in setting.choices:
        try:
            if edit_value(data, edit_to(setting, choice)) == data:
                return choice
        except EditError:
            return ""
    return ""


def edit_to(setting: Setting, choice: str) -> ConfigEdit:
    """Return the change of a board's config file that makes a choice; nothing is added."""
    value = setting.choices[choice]
    return ConfigEdit(path=setting.path, section=setting.section, name=setting.key, value=value, add=False, key="")


def _of_bitstreams(test: CardUnderTest, selection: Selection) -> Iterator[Problem]:
    """Yield what keeps a bitstream from the board, of known and of unknown cores."""
    unknown = {path for _, path in test.unknown_bitstreams}
    for core in selection.cores:
        paths = [core.id] if core.id in unknown else test.bitstreams(core)
        for path in paths:
            data = test.read_whole(path)
            if data is not None and (problem := bitstream_problem(core, test.board, data)):
                yield problem


def _of_expected_files(test: CardUnderTest, selection: Selection) -> Iterator[Problem]:
    """Yield what is wrong with the files that the board, the cores and the titles on the card ask for."""
    configs = config_kinds(test, selection)
    cores, titles = {core.id for core in test.cores}, {title.id for title in test.titles}
    owners = {
        "bitstream": cores, "core-file": cores, "rom-file": titles, "title-file": titles,
        "board-file": {test.board.id},
    }  # fmt: skip
    expected = [role for role in test.known if role.origin.owner in owners.get(role.origin.kind, ())]
    needed = {(fold(role.path), role.content.sha256): role for role in expected}
    for role in expected:
        file, place = test.by_path.get(fold(role.path)), Place(file=test.shown, key=role.path)
        if file is None:
            copies = test.with_content.get(role.content.sha256, [])
            spare = next((copy for copy in copies if (fold(copy.path), copy.sha256) not in needed), None)
            if spare:
                yield Problem(place, f"{spare.path} is the {what_of(role)}; it must be {role.path}", "move it there")
            elif copies:
                needed_file = needed[fold(copies[0].path), copies[0].sha256]
                what = (
                    f"{role.path} is missing, the {what_of(role)}; "
                    f"{copies[0].path}, the {what_of(needed_file)}, has the same content"
                )
                yield Problem(place, what, "copy it, and keep both")
            else:
                yield Problem(place, f"{role.path} is missing, the {what_of(role)}", "copy it there")
                continue
            file = spare or copies[0]
        elif not is_at(role, file) and not (role.origin.kind == "board-file" and fold(role.path) in configs):
            what = f"{file.path} is not the {what_of(role)} that the manifest means"
            yield Problem(place, what, "copy that one, or pin this one")
        item = test.items.get(file.path)
        if test.reading and item and (fault := placement_fault(test.reading, item, role.placement)):
            yield _problem(place, fault, ONE_FILE_IS_FIRST.name if role.placement == "first" else "")


def what_of(role: CardFile) -> str:
    """Return "bitstream of fern", "ROM file of snail-race"."""
    return f"{role.origin.kind.replace('-', ' ')} of {role.origin.owner}".replace("rom file", "ROM file")


def _of_the_menu(test: CardUnderTest) -> Iterator[Problem]:
    """Yield the known cores that the menu does not name."""
    board = test.board
    for core in test.cores if board.menu else ():
        path = menu_path(board, fields_of(core))
        place, file = Place(file=test.shown, key=path), test.by_path.get(fold(path))
        if file is None:
            yield Problem(place, f"{path} is missing, which names core {core.id} in the menu", "write it")
        elif board.menu and board.one_menu:
            lines = test.read(file.path).splitlines()
            for line in write_config(replace(board.menu, head=()), fields_of(core)).splitlines():
                if line not in lines:
                    hint = f'add the line "{line.decode(board.menu.encoding)}"'
                    yield Problem(place, f"{file.path} does not name core {core.id}", hint)


def _of_the_volume(test: CardUnderTest, reading: Reading) -> Iterator[Problem]:
    board, kind, place = test.board, f"fat{reading.volume.fat_bits}", Place(file=test.shown)
    for name, volumes, _ in readers(board, test.cores):
        if kind not in volumes:
            what = f"the volume is {kind.upper()}, and {name} reads {listed(map(str.upper, volumes), 'or')}"
            yield Problem(place, what, "format the card anew", rule=VOLUME_IS_READ_BY_ALL.name)
    if board.partitioned != bool(reading.partitions):
        wanted = "a partition table" if board.partitioned else "no partition table"
        what = f"the board expects {wanted}, and the card has {'one' if reading.partitions else 'none'}"
        yield Problem(place, what, "build the card")
    labels = label_problems(reading.label, board.label_entry, place)
    yield from labels
    if not labels and (fault := label_fault(reading, board.label_entry)):
        yield _problem(place, fault, LABEL_IS_LEGAL.name)


def _problem(place: Place, fault: str, rule: str) -> Problem:
    """Return a fault of a volume, told as "what: what to do"."""
    what, _, hint = fault.rpartition(": ")
    return Problem(place, what, hint, rule=rule)
