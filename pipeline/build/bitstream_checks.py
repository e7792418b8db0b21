"""Whether the bitstreams that go onto a card are for the board's FPGA; one for another never gets there."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.bitstreams.verdict import RIGHT, judge_file
from pipeline.card.select import Selection
from pipeline.errors import CheckError, Place, Problem
from pipeline.model.content import Location
from pipeline.model.rules import BITSTREAM_IS_FOR_THE_FPGA, BITSTREAM_IS_IDENTIFIABLE
from pipeline.sources.files.read import read_content


def check_bitstreams(selection: Selection, locations: Mapping[str, Location]) -> tuple[Problem, ...]:
    """Return what a person should hear of a card's bitstreams; raises CheckError for each that must not be loaded.

    ``locations``: where each content lies, by SHA-256; cores whose bitstream is in none of them are passed over.
    """
    board = selection.board
    errors: list[Problem] = []
    warnings: list[Problem] = []
    for core in selection.cores:
        location = locations.get(core.bitstream.sha256)
        if location is None:
            continue
        verdict = judge_file(read_content(location, core.bitstream), board.fpga)
        if verdict.name == RIGHT:
            continue
        place, also = Place(file=core.file, key="bitstream"), (Place(file=board.file, key="fpga"),)
        rule = BITSTREAM_IS_FOR_THE_FPGA.name if verdict.is_error else BITSTREAM_IS_IDENTIFIABLE.name
        what = f'the bitstream of core "{core.id}": {verdict.name}: {verdict.text}'
        problem = Problem(place, what, verdict.hint, also, rule)
        (errors if verdict.is_error else warnings).append(problem)
    if errors:
        raise CheckError(errors)
    return tuple(warnings)
