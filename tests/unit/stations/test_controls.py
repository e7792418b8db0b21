"""Keyboards and pads (common practice)."""

from __future__ import annotations

import pytest

from pipeline.model.manifest import Needs
from pipeline.stations.controls import controls
from pipeline.stations.picture import Way
from tests.support import samples


def way(
    keyboards: tuple[str, ...] = (),
    pads: tuple[int, ...] = (),
    *,
    keyboard: str = "",
    wanted: int = 0,
    buttons: int = 0,
) -> Way:
    station = samples.station(keyboards=keyboards, pads=pads)
    return controls(station, Needs(keyboard=keyboard, pads=wanted), buttons)


@pytest.mark.parametrize(
    ("keyboard", "there", "reason"),
    [
        ("", (), ""),
        ("none", (), ""),
        ("any", ("built-in",), ""),
        ("any", ("external",), ""),
        ("external", ("built-in", "external"), ""),
        ("any", (), "a keyboard is needed; keyboards at this station: none"),
        ("external", (), "an external keyboard is needed; keyboards at this station: none"),
        ("external", ("built-in",), "an external keyboard is needed; keyboards at this station: built-in"),
    ],
)
def test_a_keyboard_that_is_needed_must_be_there(keyboard: str, there: tuple[str, ...], reason: str) -> None:
    assert way(there, keyboard=keyboard).reasons == ((reason,) if reason else ())


@pytest.mark.parametrize(
    ("pads", "wanted", "buttons", "expected"),
    [
        ((), 0, 2, Way()),
        ((2, 1), 0, 2, Way()),
        ((2, 2), 1, 2, Way()),
        ((4, 2), 2, 2, Way()),
        ((0,), 1, 0, Way()),
        ((2, 1), 1, 2, Way(steps=("switch off, and plug in 1 pad with 2 buttons",))),
        ((1, 4, 4), 2, 3, Way(steps=("switch off, and plug in 2 pads with 3 buttons each",))),
        ((), 1, 0, Way(reasons=("1 pad needed; pads at this station: none",))),
        (
            (2, 1),
            2,
            2,
            Way(
                reasons=(
                    "2 pads with 2 buttons each needed; pads at this station: 1 with 2 buttons and 1 with 1 button",
                )
            ),
        ),
        (
            (1, 0, 1),
            2,
            2,
            Way(
                reasons=(
                    "2 pads with 2 buttons each needed; pads at this station: 2 with 1 button and 1 with 0 buttons",
                )
            ),
        ),
        ((1,), 1, 2, Way(reasons=("1 pad with 2 buttons needed; pads at this station: 1 with 1 button",))),
    ],
)
def test_pads_with_enough_buttons_must_be_there(
    pads: tuple[int, ...], wanted: int, buttons: int, expected: Way
) -> None:
    assert way(pads=pads, wanted=wanted, buttons=buttons) == expected


def test_everything_that_lacks_is_told() -> None:
    assert len(way(keyboard="any", wanted=1).reasons) == 2
