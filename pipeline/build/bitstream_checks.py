"""Whether the bitstreams that go onto a card are for the board's FPGA; one for another never gets there."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.bitstreams.verdict import RIGHT, judge_file
from pipeline.card.select import Selection
from pipeline.errors import CheckError, Place, Problem
from pipeline.model.content import Location
from pipeline.model.manifest import Board, Core
from pipeline.model.rules import BITSTREAM_IS_FOR_THE_FPGA, BITSTREAM_IS_IDENTIFIABLE
from pipeline.sources.files.read import read_content


def check_bitstreams(selection: Selection, locations: Mapping[str, Location]) -> tuple[Problem, ...]:
    """Return what a person should hear of a card's bitstreams; raises CheckError for each that must not be loaded.

    ``locations``: where each content lies, by SHA-256; cores whose bitstream is in none of them are passed over.
    """
    problems = [
        bitstream_problem(core, selection.board, read_content(locations[core.bitstream.sha256], core.bitstream))
        for core in selection.cores
        if core.bitstream.sha256 in locations
    ]
    found = [problem for problem in problems if problem]
    errors = [problem for problem in found if problem.rule == BITSTREAM_IS_FOR_THE_FPGA.name]
    if errors:
        raise CheckError(errors)
    return tuple(found)


def bitstream_problem(core: Core, board: Board, data: bytes) -> Problem | None:
    """Return what keeps a core's bitstream from the board's FPGA, or that nothing can judge it; None if it is right."""
    verdict = judge_file(data, board.fpga)
    if verdict.name == RIGHT:
        return None
    place, also = Place(file=core.file, key="bitstream"), (Place(file=board.file, key="fpga"),)
    rule = BITSTREAM_IS_FOR_THE_FPGA if verdict.is_error else BITSTREAM_IS_IDENTIFIABLE
    what = f'the bitstream of core "{core.id}": {verdict.name}: {verdict.text}'
    return Problem(place, what, verdict.hint, also, rule.name)
