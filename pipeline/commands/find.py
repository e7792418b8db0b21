"""The command ``doit find``: what every card still lacks, and what in the sources is wanted by nothing."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from pipeline.commands.base import JSON, OwnCommand
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import ManifestError
from pipeline.model.text import counted
from pipeline.model.units import show_size

if TYPE_CHECKING:
    from pipeline.build.inputs import Inputs
    from pipeline.build.missing_report import Asker, Lack, Survey
    from pipeline.model.content import Location

MOST = 20
"""Contents that a card lacks, and files that nothing wants, that are listed without --all."""


class Find(OwnCommand):
    """Searches the sources, and says card by card and title by title what is in none of them."""

    name = "find"
    cmd_options = (
        JSON,
        {"name": "all", "long": "all", "type": bool, "default": False, "help": "list everything, without a limit"},
    )

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Print what the search came to."""
        from pipeline.build.missing_report import survey

        if words:
            raise ManifestError.one(f'found "{words[0]}", expected options only', "see doit help find")
        result = survey(self.build)
        warnings = self.workspace.take_warnings()
        if options["json"]:
            document = _document(self.inputs, result) | {"warnings": [asdict(warning) for warning in warnings]}
            print_json(document)
        else:
            sys.stderr.write("".join(f"warning: {warning}\n" for warning in warnings))
            print_lines(_lines(self.inputs, result, None if options["all"] else MOST))
        lacks = [lack for askers in result.cards.values() for asker in askers for lack in asker.lacks]
        return int(any(not lack.built for lack in lacks))


def _lines(inputs: Inputs, result: Survey, most: int | None) -> Iterator[str]:
    """Yield the report; ``most``: how much is listed of each list, None for all."""
    from pipeline.build.missing_hints import shown

    places = counted(len(inputs.manifest.sources.places), "place")
    yield f"{result.found:,} of {counted(result.wanted, 'content')} found in {places}"
    for card, askers in result.cards.items():
        total = sum(len(asker.lacks) for asker in askers)
        if total:
            yield from ("", f"{card}: {counted(total, 'content')} missing", *_of_card(inputs, askers, most or total))
            yield from _more(total, most)
    total = sum(len(asker.lacks) for asker in result.titles)
    if total:
        head = f"titles on no card: {counted(total, 'content')} missing"
        yield from ("", head, *_of_card(inputs, result.titles, most or total), *_more(total, most))
    if result.untried:
        yield from ("", f"{counted(result.untried, 'file')} not yet searched for other forms; run again to continue")
    if result.unwanted:
        total = len(result.unwanted)
        yield from (
            "",
            f"{counted(total, 'unused file')}, {show_size(sum(file.size for file in result.unwanted))}",
        )
        for file in result.unwanted[: most or total]:
            yield f"  {shown(inputs.workspace, file.location)}, {show_size(file.size)}"
        yield from _more(total, most)


def _of_card(inputs: Inputs, askers: Sequence[Asker], most: int) -> Iterator[str]:
    for asker in askers:
        listed = asker.lacks[: max(most, 0)]
        most -= len(listed)
        if listed:
            yield f"  {asker.name} ({asker.file})"
        for lack in listed:
            yield from (f"    {line}" for line in _of_lack(inputs, lack))


def _of_lack(inputs: Inputs, lack: Lack) -> Iterator[str]:
    from pipeline.build.missing_hints import found_as, nearest, to_use

    content = lack.item.content
    facts = [
        lack.part,
        "" if content.size is None else show_size(content.size),
        "" if content.crc32 is None else f"CRC-32 {content.crc32:08x}",
        "already built" if lack.built else "",
    ]
    yield f"{lack.what}: {', '.join(filter(None, facts)) or 'size unknown'}"
    yield f"  SHA-256 {content.sha256}"
    if lack.derived:
        yield f"  {found_as(inputs.workspace, lack.derived)}"
        yield f"  {to_use(lack.derived)}"
    elif lack.near:
        yield f"  {nearest(inputs.workspace, lack.near)}"
        yield from (f"  seen there: {sign}" for sign in lack.signs)


def _more(total: int, most: int | None) -> Iterator[str]:
    if most is not None and total > most:
        yield f"  ... and {total - most:,} more; doit find --all lists them"


def _document(inputs: Inputs, result: Survey) -> dict[str, Any]:
    """Return the report as JSON has it; everything is listed."""
    return {
        "cardkiln-find": 1,
        "places": [
            inputs.workspace.shown(place)
            for place in map(inputs.workspace.base.joinpath, inputs.manifest.sources.places)
        ],
        "wanted": result.wanted,
        "found": result.found,
        "cards": [
            {"card": card, "lacks": [_asker(inputs, asker) for asker in askers]}
            for card, askers in result.cards.items()
        ],
        "titles-on-no-card": [_asker(inputs, asker) for asker in result.titles],
        "untried": result.untried,
        "unwanted": [_place(inputs, file.location) | {"size": file.size} for file in result.unwanted],
    }


def _asker(inputs: Inputs, asker: Asker) -> dict[str, Any]:
    contents = [_lack(inputs, lack) for lack in asker.lacks]
    return {"name": asker.name, "manifest": asker.file, "contents": contents}


def _lack(inputs: Inputs, lack: Lack) -> dict[str, Any]:
    content, form, near = lack.item.content, lack.derived, lack.near
    document: dict[str, Any] = {
        "what": lack.what,
        "part": lack.part,
        "size": content.size,
        "sha256": content.sha256,
        "crc32": None if content.crc32 is None else f"{content.crc32:08x}",
        "built": lack.built,
    }
    if form:
        first, *second = [
            _place(inputs, source.location) | {"size": source.content.size, "sha256": source.content.sha256}
            for source in form.sources
        ]
        document["found-as"] = first | {"how": form.how, "change": form.change}
        if second:
            document["found-as"]["second"] = second[0]
    elif near:
        document["nearest"] = _place(inputs, near.location) | {"why": near.why, "signs": list(lack.signs)}
    return document


def _place(inputs: Inputs, location: Location) -> dict[str, Any]:
    from pipeline.build.missing_hints import shown
    from pipeline.model.content import Location

    return {"path": shown(inputs.workspace, Location(path=location.path)), "member": location.member}
