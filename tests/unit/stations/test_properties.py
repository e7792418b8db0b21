"""Any station against any core: the verdict is what trying every output on every display comes to (common practice)."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from pipeline.model.manifest import Board, Core, Display, Needs, Station
from pipeline.model.matrix import AFTER, NOT, WORKS
from pipeline.stations.matrix import matrix
from pipeline.stations.rules import broken_rules
from tests.support import samples

OUTPUTS = ("hdmi", "rgb", "vga")
RATES = (15_625, 15_734, 31_469)
some_outputs = st.lists(st.sampled_from(OUTPUTS), unique=True, max_size=3).map(tuple)
some_rates = st.lists(st.sampled_from(RATES), unique=True, max_size=3).map(tuple)
ranges = st.lists(st.sampled_from([(15_000, 16_000), (30_000, 70_000), (15_700, 15_800)]), max_size=2).map(tuple)
orientations = st.sampled_from(["landscape", "portrait"])
displays = st.builds(
    Display,
    name=st.sampled_from(["tube", "flat"]),
    inputs=some_outputs.filter(bool),
    line_rates=ranges,
    orientation=orientations,
    turns=st.booleans(),
)
stations = st.builds(
    lambda displays, keyboards, pads: samples.station(displays=displays, keyboards=keyboards, pads=pads),
    st.lists(displays, min_size=1, max_size=3).map(tuple),
    st.sampled_from([(), ("built-in",), ("external",), ("built-in", "external")]),
    st.lists(st.integers(0, 3), max_size=3).map(tuple),
)
needs = st.builds(
    Needs,
    outputs=some_outputs,
    orientation=orientations | st.just(""),
    line_rates=some_rates,
    keyboard=st.sampled_from(["", "none", "any", "external"]),
    pads=st.integers(0, 2),
    buttons=st.integers(0, 3),
    start_output=st.sampled_from(["", *OUTPUTS]),
    switch=st.dictionaries(st.sampled_from(OUTPUTS), st.just(("Press F1.",))),
    output_rates=st.dictionaries(st.sampled_from(OUTPUTS), some_rates),
)


def tries(station: Station, board: Board, core: Core) -> list[int]:
    """Return, for each output on each display that gives a picture, how many steps it takes."""
    steps = []
    want = core.needs
    for display in station.displays:
        for output in OUTPUTS:
            there = output in display.inputs and output in (board.outputs or OUTPUTS)
            driven = output in (want.outputs or OUTPUTS)
            reached = want.start_output in ("", output) or output in want.switch
            rates = want.output_rates.get(output, want.line_rates)
            shown = not display.line_rates or all(any(a <= r <= b for a, b in display.line_rates) for r in rates)
            stands = want.orientation in ("", display.orientation) or display.turns
            if there and driven and reached and shown and stands:
                steps.append(
                    (want.start_output not in ("", output)) + (want.orientation not in ("", display.orientation))
                )
    return steps


def plays(station: Station, core: Core) -> bool:
    want = core.needs
    typed = {"any": bool(station.keyboards), "external": "external" in station.keyboards}.get(want.keyboard, True)
    return typed and sum(pad >= want.buttons for pad in station.pads) >= want.pads


@given(stations, some_outputs, needs)
def test_the_verdict_is_that_of_trying_everything(station: Station, outputs: tuple[str, ...], want: Needs) -> None:
    board, core = samples.board(outputs=outputs), samples.core(needs=want)
    (outlook,) = matrix([station], board, [core], [])
    seen = tries(station, board, core)
    works = bool(seen) and plays(station, core)
    assert (outlook.verdict != NOT) == works
    assert bool(outlook.reasons) == (not works)
    if works:
        pads = want.pads > 0 and any(pad < want.buttons for pad in station.pads)
        assert len(outlook.steps) == min(seen) + pads
        assert outlook.verdict == (AFTER if outlook.steps else WORKS)
        assert outlook.output in OUTPUTS
    card = samples.card(stations=("attic",), required_stations=("attic",))
    assert bool(broken_rules(card, [station], board, [core], [])) == (not works)
