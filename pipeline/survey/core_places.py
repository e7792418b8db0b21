"""Where cores go: a folder for each that holds its bitstream, or one folder with bitstreams named after cores."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from pipeline.fat.names import fold
from pipeline.model.text import counted
from pipeline.survey.values import BLANK, FOUND, SUGGESTED, CorePlaces, Habit, SurveyedFile, names, share

CORE = re.compile("[A-Za-z0-9_-]{1,32}")
"""What the name of a core's folder may be (``folder`` in the manifest of a core)."""

FIELD = "{core}"

MOST_PATTERNS = 4
"""Patterns that are suggested where none is certain."""

SMALLEST = 4096
"""Bytes of a file of no known kind that may be a bitstream; those of the smallest FPGAs have more (from memory)."""

FOLDER, BITSTREAM = ("cores", "folder"), ("cores", "bitstream")


@dataclass(frozen=True, slots=True)
class _Fit:
    """One way to read a bitstream's path: two templates, and the core's name that they leave."""

    folder: str
    bitstream: str
    core: str

    @property
    def key(self) -> tuple[str, str]:
        """The templates as FAT compares names."""
        return fold(self.folder), fold(self.bitstream)


_Group = list[tuple[_Fit, SurveyedFile]]
"""The files that one pattern fits, each with how it does."""


def core_places(
    bitstreams: Sequence[SurveyedFile], files: Sequence[SurveyedFile], folders: Sequence[str]
) -> tuple[CorePlaces | None, list[Habit]]:
    """Return where the bitstreams of cores are, None where that is not certain, and the habits.

    A pattern is taken where it fits more than half of the bitstreams, at least two, and no other pattern fits as many.
    A single bitstream shows no pattern, but its name may stand twice in its path. Without a bitstream, patterns of
    ``files`` of no known kind are suggested.
    """
    if not bitstreams:
        return None, _unrecognised(files)
    ranked = _ranked(bitstreams)
    best = _best(ranked, len(bitstreams))
    if best is None:
        return None, _undecided(ranked, len(bitstreams))
    places = _places(best)
    return places, [
        Habit(way=FOLDER, standing=FOUND, value=places.folder, evidence=_evidence(places, bitstreams, folders)),
        Habit(way=BITSTREAM, standing=FOUND, value=places.bitstream),
    ]


def _ranked(files: Sequence[SurveyedFile]) -> list[_Group]:
    """Return the files that each pattern fits, those with most files first."""
    fits = defaultdict[tuple[str, str], _Group](list)
    for file in files:
        for fit in _fits(file.path):
            fits[fit.key].append((fit, file))
    return sorted(fits.values(), key=lambda group: (-len(group), group[0][0].key))


def escaped(text: str) -> str:
    """Return text as it stands in a template."""
    return text.replace("{", "{{").replace("}", "}}")


def _fits(path: str) -> Iterator[_Fit]:
    *above, name = path.split("/")
    stem, dot, extension = name.rpartition(".")
    if not dot:
        stem, extension = name, ""
    ending = escaped(f".{extension}") if dot else ""
    for at, part in enumerate(above):
        if CORE.fullmatch(part):
            folder = "/".join([*map(escaped, above[:at]), FIELD, *map(escaped, above[at + 1 :])])
            yield _Fit(folder, escaped(name), part)
            match = re.search(rf"(?<![A-Za-z0-9]){part}(?![A-Za-z0-9])", stem, re.IGNORECASE)
            if match:
                before, after = stem[: match.start()], stem[match.end() :]
                yield _Fit(folder, escaped(before) + FIELD + escaped(after) + ending, part)
    if CORE.fullmatch(stem):
        yield _Fit("/".join(map(escaped, above)), FIELD + ending, stem)


def _best(ranked: Sequence[_Group], total: int) -> _Group | None:
    if not ranked:
        return None
    if total == 1:
        twice = [group for group in ranked if FIELD in group[0][0].folder and FIELD in group[0][0].bitstream]
        only = twice or [group for group in ranked if "/" not in group[0][1].path]
        return only[0] if len(only) == 1 else None
    best = ranked[0]
    alone = len(ranked) == 1 or len(ranked[1]) < len(best)
    return best if len(best) > 1 and alone and 2 * len(best) > total else None


def _places(group: _Group) -> CorePlaces:
    """Return the places of a group, each template in the letter case that most have."""
    return CorePlaces(
        folder=Counter(fit.folder for fit, _ in group).most_common(1)[0][0],
        bitstream=Counter(fit.bitstream for fit, _ in group).most_common(1)[0][0],
        cores={fit.core: file for fit, file in sorted(group, key=lambda pair: pair[1].path)},
    )


def _evidence(places: CorePlaces, bitstreams: Sequence[SurveyedFile], folders: Sequence[str]) -> tuple[str, ...]:
    found = {fold(file.path) for file in places.cores.values()}
    elsewhere = [file.path for file in bitstreams if fold(file.path) not in found]
    count = len(places.cores)
    if FIELD in places.folder:
        above, _, inner = (part.strip("/") for part in places.folder.partition(FIELD))
        called = "/".join(filter(None, [inner, places.bitstream]))
        below = [path for path in folders if fold(path.rpartition("/")[0]) == fold(above.format_map({}))]
        where = f"below {_shown(above)}" if above else "in the root"
        depth = len(above.split("/")) + 1 if above else 1
        holding = {tuple(path.split("/")[:depth]) for path in found}
        missing = [path for path in below if tuple(fold(path).split("/")) not in holding]
        lines = [share(count, len(below), f"folder {where}", "holds", f"the bitstream {_shown(called)}")]
        lines += [f"Without one: {names(missing)}."] if missing else []
    else:
        where = f"in {_shown(places.folder)}" if places.folder else "in the root"
        lines = [share(count, len(bitstreams), "bitstream", "is", f"{where}, called {_shown(places.bitstream)}")]
    lines += [f"Bitstreams elsewhere: {names(elsewhere)}."] if elsewhere else []
    spelled = _spelled_otherwise(places)
    lines += [f"The letter case differs, which FAT does not mind: {names(spelled)}."] if spelled else []
    return tuple(lines)


def _shown(template: str) -> str:
    return template.replace("{{", "{").replace("}}", "}")


def _spelled_otherwise(places: CorePlaces) -> list[str]:
    template = "/".join(filter(None, [places.folder, places.bitstream]))
    return [file.path for core, file in places.cores.items() if template.format_map({"core": core}) != file.path]


def _undecided(ranked: Sequence[_Group], total: int) -> list[Habit]:
    """Return blanks, with the patterns that fit most as suggestions."""
    if not ranked:
        return _blank(["No bitstream has a path in which the name of a core may stand."])
    groups = [_places(group) for group in ranked if len(group) == len(ranked[0])]
    if total == 1:
        why = "A single bitstream shows no pattern; each of these fits it."
    elif len(ranked[0]) == 1:
        why = "Where cores go is not certain: no two bitstreams have places that follow one pattern."
    elif len(groups) > 1:
        why = f"Where cores go is not certain: {len(groups):,} patterns fit the same number of bitstreams."
    else:
        why = "Where cores go is not certain: no pattern fits more than half of the bitstreams."
    return [*_blank([why]), *_suggested(groups, f"of {counted(total, 'bitstream')}")]


def _unrecognised(files: Sequence[SurveyedFile]) -> list[Habit]:
    """Return blanks, with patterns of files as suggestions that are no texts and of no known kind."""
    unknown = [file for file in files if file.text is None and file.size >= SMALLEST]
    groups = [_places(group) for group in _ranked(unknown)[:MOST_PATTERNS] if len(group) > 1]
    why = ["No bitstream of a known kind is on the card."]
    why += ["Files of other kinds have places that follow a pattern; they may be bitstreams."] if groups else []
    return [*_blank(why), *_suggested(groups, f"of {counted(len(unknown), 'file')} of no known kind")]


def _suggested(patterns: Sequence[CorePlaces], total: str) -> Iterator[Habit]:
    for places in patterns[:MOST_PATTERNS]:
        evidence = f"{len(places.cores):,} {total}: {names(file.path for file in places.cores.values())}."
        yield Habit(way=FOLDER, standing=SUGGESTED, value=places.folder, evidence=(evidence,))
        yield Habit(way=BITSTREAM, standing=SUGGESTED, value=places.bitstream)


def _blank(evidence: Sequence[str]) -> list[Habit]:
    return [
        Habit(way=FOLDER, standing=BLANK, evidence=tuple(evidence)),
        Habit(way=BITSTREAM, standing=BLANK),
    ]


def folder_of(places: CorePlaces, core: str) -> str:
    """Return the path of a core's folder."""
    return places.folder.format_map({"core": core})
